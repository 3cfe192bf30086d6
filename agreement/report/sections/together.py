"""One table of each analysis across all methods; what there is of one method alone is folded."""

from collections.abc import Callable, Sequence
from itertools import compress
from typing import Any, Final, NamedTuple

import pandas as pd
from markupsafe import Markup

from agreement.figures.across_methods import (
    averaging_curves_caption,
    budgets_caption,
    budgets_height,
    plot_averaging_curves,
    plot_budgets,
    plot_profiles_of_methods,
    profiles_of_methods_caption,
)
from agreement.figures.budget import COMPONENTS
from agreement.figures.caption import Caption
from agreement.figures.differences import Panel, differences_caption, plot_difference_panels
from agreement.figures.facets import facet
from agreement.figures.structural import plot_structural, structural_caption
from agreement.report.page.machine import said
from agreement.report.page.markup import NONE, WITHHELD, Block, fold, table
from agreement.report.page.names import part_name
from agreement.report.page.numbers import Cell
from agreement.report.page.pictures import Picture, drawing, picture
from agreement.report.sections.comparison import Comparison
from agreement.stats.catalogue import head_of

Column = tuple[str, str, str]  # analysis, statistic, group


def _of(analysis: str, names: str) -> tuple[Column, ...]:
    """Return columns of one analysis."""
    return tuple((analysis, name, "all") for name in names.split())


def _by(statistic: str, places: str) -> tuple[Column, ...]:
    """Return columns of one statistic by group; `places`: analysis/group."""
    found = (place.split("/") for place in places.split())
    return tuple((analysis, statistic, group) for analysis, group in found)


OTHERS: Final = "people"  # the table of which each column is of other athletes
_LIMITS: Final = "bias lower_limit upper_limit"
TABLES: Final[dict[str, tuple[str, tuple[Column, ...]]]] = {
    "differences": (
        "Bias and limits of agreement of every method (mL/kg/min), 95 % intervals below",
        _of("limits_of_agreement", _LIMITS)
        + _of("net_of_laboratory", "own_lower_limit own_upper_limit"),
    ),
    "regression": (
        "Calibration line and size of the error of every method (mL/kg/min)",
        _of("regression", "slope standard_error_of_estimate r")
        + _of("error", "mae share_within_margin")
        + _of("no_number", "share_without"),
    ),
    "structural": (
        "Field value against true fitness, with the laboratory's own error counted",
        _of("structural", "slope reliability p_slope_one sem_for_slope_one"),
    ),
    "own_correction": (
        "What an athlete's own difference tells of the next visit (spread as SD, mL/kg/min)",
        _of("own_correction", "lasting_sd share"),
    ),
    "why": (
        "What sessions or stages covered, and the error of every method (mL/kg/min)",
        _of("intensity_coverage", "extrapolation_se expected_bias observed_error")
        + _of("intensity_coverage", "observed_sd unexplained_sd share_explained"),
    ),
    "averaging": (
        "Half width of the limits by days averaged (mL/kg/min)",
        _by("half_width_fitted", "averaging_curve/1 averaging_curve/7 averaging_curve/14"),
    ),
    "change": (
        "Change between two visits, field minus laboratory (mL/kg/min)",
        _of("change", f"{_LIMITS} responsiveness r same_direction"),
    ),
    "structure": (
        "Structure of the difference of every method",
        _of("deming", "slope")
        + _of("passing_bablok", "slope")
        + _of("trend", "slope_on_mean")
        + _of("concordance", "ccc icc_a1"),
    ),
    "tests": (
        "Every method's tests",
        _of("trend", "p_slope p_spread p_joint")
        + _of("shape", "p_normal")
        + _of("linearity", "p_linearity")
        + _of("profile_bias", "p_welch"),
    ),
    "sensitivity": (
        "Bias of every method by choice of pairs (mL/kg/min), 95 % intervals below",
        _by("bias", "limits_of_agreement/all limits_of_agreement/confirmed")
        + _by("bias", "choice_of_pairs/first_pair_of_each")
        + _by("bias", "pairing_rule/half_window pairing_rule/double_window"),
    ),
    OTHERS: (
        "Bias of every method by sex (mL/kg/min), 95 % intervals below",
        _by("bias", "by_sex/female by_sex/male"),
    ),
    "drift": (
        "Drift of every method (mL/kg/min), 95 % interval below",
        _of("drift", "change_in_30_days"),
    ),
}


MOST_PANELS: Final = 4  # difference plots on one page's width; of more each has its own
BESIDE: Final = {
    "regression": "structural",
    "change": "own_correction",
}  # section -> its second table


class _Drawn(NamedTuple):
    """A figure of all methods of one mode."""

    analysis: str
    plot: Callable[..., Any]
    caption: Callable[..., Caption]
    height: float | Callable[..., float]


FIGURES: Final = {
    "budget": _Drawn(
        "budget",
        plot_budgets,
        budgets_caption,
        budgets_height,
    ),
    "averaging": _Drawn(
        "averaging_curve",
        plot_averaging_curves,
        averaging_curves_caption,
        2.8,
    ),
    "profiles": _Drawn(
        "profile_bias",
        plot_profiles_of_methods,
        profiles_of_methods_caption,
        3.6,
    ),
}


def drawn_across(
    comparisons: Sequence[Comparison], name: str, asked: Sequence[str] = ()
) -> list[Picture]:
    """
    Return the figure of one section across all methods, one for each mode with several.

    `asked`: the methods that the question is about; their pairs are drawn one by one.
    """
    if name == "differences":
        some = [one for one in comparisons if one.results.method in asked] or list(comparisons)
        shown = [one for one in some if one.people is not None and len(one.pairs)]
        return [_differences(shown)] if 1 < len(shown) <= MOST_PANELS else []
    if name not in FIGURES:
        return []
    modes = dict.fromkeys(one.results.mode for one in comparisons)
    own = {mode: [one for one in comparisons if one.results.mode == mode] for mode in modes}
    found = {mode: _with_numbers(some, FIGURES[name].analysis) for mode, some in own.items()}
    if name == "budget":
        found = {k: [one for one in some if splits(one.of("budget"))] for k, some in found.items()}
    return [_drawn(some, name, mode) for mode, some in found.items() if len(some) > 1]


def splits(budget: pd.DataFrame) -> bool:
    """Return whether an error budget tells any source apart from the rest."""
    known = budget.loc[budget["value"].notna(), "statistic"]
    return int(known.isin(list(COMPONENTS)).sum()) > 1


def _differences(shown: list[Comparison]) -> Picture:
    """Return the difference plots of some methods on the same axes."""
    panels = [Panel(one.name, one.pairs, one.of("limits_of_agreement"), one.words) for one in shown]
    floors = [one.noise.noise_floor for one in shown if one.noise is not None]
    told = {"margin": shown[0].margin.limit, "noise_floor": floors[0] if floors else None}
    captions = [
        differences_caption(one.pairs, one.limits, panels=len(panels)).of(one.title)
        for one in panels
    ]
    return picture(
        "differences",
        drawing(plot_difference_panels, panels, panel=None, **told),
        captions,
        panels=len(panels),
    )


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


def _with_numbers(comparisons: Sequence[Comparison], analysis: str) -> list[Comparison]:
    """Return the methods of which the analysis has a number beside that of everybody."""
    return [one for one in comparisons if one.of(analysis, None)["value"].notna().sum() > 1]


def _drawn(some: list[Comparison], name: str, mode: str) -> Picture:
    """Return one figure of several methods."""
    one, frame = FIGURES[name], some[0].numbers.frame
    methods = [each.results.method for each in some]
    labels = {method: some[0].numbers.name.method(method) for method in methods}
    told: dict[str, Any] = {"mode": mode, "labels": labels}
    return picture(
        f"{name}-{mode}",
        drawing(one.plot, frame, methods, **told),
        one.caption(frame, methods, **told),
        height=one.height(frame, methods, mode) if callable(one.height) else one.height,
    )


def across(comparisons: Sequence[Comparison], name: str) -> Block:
    """Return the table of one section across all methods; nothing for one method alone."""
    return Block("") if len(comparisons) < 2 or name not in TABLES else _table(comparisons, name)


def beside(comparisons: Sequence[Comparison], name: str) -> Block:
    """Return the second table of a section, also of one method; nothing without a number."""
    if name not in BESIDE:
        return Block("")
    columns = TABLES[BESIDE[name]][1]
    shown = any(says(cell) for one in comparisons for cell in _cells(one, columns))
    return _table(comparisons, BESIDE[name]) if shown else Block("")


def _table(comparisons: Sequence[Comparison], name: str) -> Block:
    """Return a line for each method; a column, or a method, without any number is left out."""
    caption, columns = TABLES[name]
    told = {one.name: _cells(one, columns) for one in comparisons}
    lines = {name: cells for name, cells in told.items() if any(map(says, cells))}
    filled = [any(map(says, column)) for column in zip(*lines.values(), strict=True)]
    by_group = any(group != "all" for *_, group in columns)
    named = (
        part_name(group) if by_group else head_of(analysis, statistic)
        for analysis, statistic, group in columns
    )
    of_all = () if name == OTHERS else ("athletes",)
    heads = ("method", *of_all, *compress(named, filled))
    rows = [
        (each, *(_people(cells) for _ in of_all), *map(_shown, compress(cells, filled)))
        for each, cells in lines.items()
    ]
    shown = table(caption, heads, rows, numeric=heads[1:]) if rows else Block("")
    bare: dict[str, list[str]] = {}
    for one in (name for name in told if name not in lines):
        bare.setdefault(told[one][0].reason.rstrip("."), []).append(one)
    return shown + Block(said("together", "bare", bare=bare, caption="" if rows else caption))


def _cells(one: Comparison, columns: Sequence[Column]) -> list[Cell]:
    return [one.cell(*place) for place in columns]


def says(cell: Cell) -> bool:
    """Return whether a cell has a number, or one that is withheld."""
    return cell.known or cell.withheld


def _people(cells: Sequence[Cell]) -> str:
    """Return the athletes behind the first number."""
    return str(next((cell.n for cell in cells if cell.known), 0) or "")


def _shown(cell: Cell) -> Markup:
    return cell.stacked() if cell.known else WITHHELD if cell.withheld else NONE


def folded(one: Comparison, inside: Block) -> Block:
    """Return what there is of one method, folded under its name."""
    return fold(f"{one.name}: details", inside, kind="method")
