"""One table of each analysis across all methods; what there is of one method alone is folded."""

from collections.abc import Callable, Iterable, Sequence
from itertools import compress
from math import isfinite
from typing import Any, Final

import pandas as pd
from markupsafe import Markup

from agreement.figures.across_methods import (
    across_caption,
    budgets_height,
    plot_averaging_curves,
    plot_budgets,
    plot_profiles_of_methods,
)
from agreement.figures.budget import SOURCE_WORDS
from agreement.figures.differences import PairsPanel, differences_caption, plot_difference_panels
from agreement.figures.key import facet
from agreement.figures.methods import method_rows, methods_caption, methods_height, plot_methods
from agreement.figures.regression import plot_structural, structural_caption
from agreement.report.page.machine import said, stated
from agreement.report.page.markup import NONE, WITHHELD_CELL, Block, fold, table
from agreement.report.page.numbers import DECLARED, Cell, Numbers, part_name
from agreement.report.page.pictures import Picture, drawing, picture
from agreement.report.sections.comparison import Comparison
from agreement.stats.catalogue import statistic_of
from agreement.tables.options import StudyOptions

ResultColumn = tuple[str, str, str]  # analysis, statistic, group


def across_table(name: str) -> tuple[str, list[ResultColumn]]:
    """Return caption and columns of a section's table of every method; no column: it has none."""
    caption, columns = stated("tables", "across").get(name, ("", ""))
    found: list[ResultColumn] = []
    for analysis, _, names in (part.partition(": ") for part in columns.split("; ") if part):
        places = (one.partition("/") for one in names.split())
        found += [(analysis, statistic, group or "all") for statistic, _, group in places]
    return caption, found


MOST_PANELS: Final = 4  # difference plots on one page's width; of more each has its own
BESIDE: Final = {
    "regression": "structural",
    "change": "own_correction",
}  # section -> its second table


# section -> analysis, and what draws, tells and measures its figure of all methods of one mode
FIGURE_OF: Final[dict[str, tuple[str, Callable[..., Any], str, Any]]] = {
    "budget": ("budget", plot_budgets, "budgets", budgets_height),
    "averaging": ("averaging_curve", plot_averaging_curves, "averaging_curves", 2.8),
    "profiles": ("profile_bias", plot_profiles_of_methods, "profiles_of_methods", 3.6),
}


def drawn_across(
    comparisons: Sequence[Comparison], name: str, asked: Sequence[str] = ()
) -> list[Picture]:
    """Return a section's figure of all methods, one a mode; of pairs, of those `asked`."""
    if name == "differences":
        some = [one for one in comparisons if one.results.method in asked] or list(comparisons)
        shown = [one for one in some if one.people is not None and len(one.pairs)]
        return [_differences(shown)] if 1 < len(shown) <= MOST_PANELS else []
    if name not in FIGURE_OF:
        return []
    found: dict[str, list[Comparison]] = {one.results.mode: [] for one in comparisons}
    for one in comparisons:  # with a number beside that of everybody
        rows = one.of(FIGURE_OF[name][0], None)
        several = rows["value"].notna().sum() > 1 and not of_one_profile(rows)
        if several and (name != "budget" or splits(one.of("budget"))):
            found[one.results.mode].append(one)
    (_, plot, figure, height), drawn = FIGURE_OF[name], []
    for mode, some in found.items():
        if len(some) < 2:
            continue
        frame, methods = some[0].numbers.frame, [each.results.method for each in some]
        labels = {method: some[0].numbers.name(method, mode) for method in methods}
        told: dict[str, Any] = {"mode": mode, "labels": labels}
        draw = drawing(plot, frame, methods, **told)
        words = across_caption(figure, frame, methods, **told)
        if not words.values["methods"]:  # noqa: PD011 - no frame; every profile is too small
            continue
        high = height(frame, methods, mode) if callable(height) else height
        drawn.append(picture(f"{name}-{mode}", draw, words, height=high))
    return drawn


def of_one_profile(rows: pd.DataFrame) -> bool:
    """Whether everybody has one training profile, so that there is nothing to compare."""
    if not rows["analysis"].eq("profile_bias").all():
        return False
    sizes = rows.groupby("group")["n"].max()
    return "all" in sizes.index and len(sizes) == 2 and sizes.min() == sizes.max()


def splits(budget: pd.DataFrame) -> bool:
    """Return whether an error budget tells any source apart from the rest."""
    known = budget.loc[budget["value"].notna(), "statistic"]
    return int(known.isin(list(SOURCE_WORDS)).sum()) > 1


def _differences(shown: list[Comparison]) -> Picture:
    """Return the difference plots of some methods on the same axes."""
    panels = [
        PairsPanel(one.name, one.pairs, one.of("limits_of_agreement"), one.words, *_noise(one))
        for one in shown
    ]
    captions = [
        differences_caption(one.pairs, one.limits, panels=len(panels)).of(one.title)
        for one in panels
    ]
    return picture(
        "differences",
        drawing(plot_difference_panels, panels, panel=None, margin=shown[0].margin.limit),
        captions,
        panels=len(panels),
    )


def _noise(one: Comparison) -> tuple[float | None, bool]:
    """Return how far the laboratory's own error alone would spread differences; if declared."""
    return (None, False) if one.noise is None else (one.noise.noise_floor, one.noise.declared)


def methods_chart(
    numbers: Numbers, options: StudyOptions, comparisons: Iterable[Comparison] = ()
) -> tuple[Picture, ...]:
    """Return the one chart of all methods but withheld ones; nothing where none has a bias."""
    frame = numbers.frame
    places = pd.MultiIndex.from_frame(frame[["method", "mode"]])
    hidden = (
        frame["analysis"].eq("limits_of_agreement") & frame["group"].eq("all") & frame["n"].isna()
    )
    frame = frame[~places.isin(places[hidden])]
    rows = method_rows(frame)
    if not any(isfinite(one.of("limits_of_agreement", "bias").value) for one in rows):
        return ()
    labels = {one.method: numbers.name.method(one.method) for one in rows}
    margin = options.margin.limit
    floors = {_noise(one) for one in comparisons}
    # a band through all rows holds for all
    noise, declared = floors.pop() if len(floors) == 1 else (None, False)
    drawn = picture(
        "methods",
        drawing(plot_methods, frame, labels=labels, margin=margin, noise=noise, declared=declared),
        methods_caption(frame, labels=labels, margin=margin),
        height=methods_height(len(rows)),
    )
    return (drawn,)


def structural_lines(comparisons: Sequence[Comparison]) -> list[Picture]:
    """Return the field value of every method against true fitness, a panel for each; one figure."""
    known = [one for one in comparisons if one.cell("structural", "slope").known]
    if not known:
        return []
    lines = [one.of("structural") for one in known]

    drawn = [
        drawing(plot_structural, one.pairs, line, told=one.words, panel=place)
        for place, (one, line) in enumerate(zip(known, lines, strict=True))
    ]
    drawn.append(drawing(facet, titles=[one.name for one in known], panel=None))
    told = [structural_caption(line).of(one.name) for one, line in zip(known, lines, strict=True)]
    return [picture("structural", drawn, told, height=2.7, panels=len(known))]


def across(comparisons: Sequence[Comparison], name: str) -> Block:
    """Return the table of one section across all methods; nothing for one method alone."""
    return _table(comparisons, name) if len(comparisons) > 1 else Block("")


def beside(comparisons: Sequence[Comparison], name: str) -> Block:
    """Return the second table of a section, also of one method; nothing without a number."""
    if name not in BESIDE:
        return Block("")
    _, columns = across_table(BESIDE[name])
    shown = any(says(one.cell(*place)) for one in comparisons for place in columns)
    return _table(comparisons, BESIDE[name]) if shown else Block("")


def _table(comparisons: Sequence[Comparison], name: str) -> Block:
    """Return a line for each method; one without any number is left out, so is a column."""
    caption, columns = across_table(name)
    if not columns:
        return Block("")
    told = {one.name: [one.cell(*place) for place in columns] for one in comparisons}
    lines = {name: cells for name, cells in told.items() if any(map(says, cells))}
    caption += DECLARED if any(cell.assumed for cells in lines.values() for cell in cells) else ""
    filled = [any(map(says, column)) for column in zip(*lines.values(), strict=True)]
    by_group = any(group != "all" for *_, group in columns)
    named = (
        part_name(group) if by_group else statistic_of(analysis, statistic).head
        for analysis, statistic, group in columns
    )
    heads = ("method", "athletes", *compress(named, filled))
    rows = [
        (
            each,
            str(next((one.n for one in cells if one.known), 0) or ""),
            *map(shown_cell, compress(cells, filled)),
        )
        for each, cells in lines.items()
    ]
    shown = table(caption, heads, rows, numeric=heads[1:]) if rows else Block("")
    bare: dict[str, list[str]] = {}
    for one in (name for name in told if name not in lines):
        bare.setdefault(told[one][0].reason.rstrip("."), []).append(one)
    return shown + Block(said("together", "bare", bare=bare, caption="" if rows else caption))


def says(cell: Cell) -> bool:
    """Return whether a cell has a number, or one that is withheld."""
    return cell.known or cell.withheld


def shown_cell(cell: Cell) -> Markup:
    """Return a number with its interval, or why there is none."""
    return cell.stacked() if cell.known else WITHHELD_CELL if cell.withheld else NONE


def folded(one: Comparison, inside: Block) -> Block:
    """Return what there is of one method, folded under its name."""
    return fold(f"{one.name}: details", inside, kind="method")
