"""How far the numbers of a method can be relied on: widths, cautions, repeats, limits by fitness."""

from collections.abc import Sequence
from typing import Final

from agreement.cohort import Cohort
from agreement.report.page.machine import said, stated
from agreement.report.page.markup import Block, joined, paragraph
from agreement.report.page.numbers import ASSUMED, Cell, with_minus
from agreement.report.sections.comparison import BIAS_AND_LIMITS, Comparison, lines_table
from agreement.report.shown.told import Methods, of_field_values, told_of
from agreement.stats.catalogue import statistic_of
from agreement.stats.laboratory_results import LABORATORY
from agreement.stats.limits.limits_by_level import LEVELS
from agreement.stats.limits.ratio_limits import ratio_words
from agreement.stats.verdict.cautions import Caution
from agreement.terms import mode_word

_BY_LEVEL: Final = "limits_by_level"
_RATIO: Final = ("lower_limit_of_ratio", "ratio", "upper_limit_of_ratio")


def by_level(one: Comparison) -> Block:
    """Return limits that follow fitness, and of the ratio: an audit withholds the former alone."""
    middle, block = one.cell(_BY_LEVEL, "bias", "middle"), Block("")
    if not (middle.known or middle.withheld):
        return block
    if middle.known:
        at = [(one.cell(_BY_LEVEL, "mean_of_both", end).shown(), _BY_LEVEL, end) for end in LEVELS]
        mean, shown = statistic_of(_BY_LEVEL, "mean_of_both").head, "; ".join(BIAS_AND_LIMITS)
        block = one.lines("limits that follow fitness (mL/kg/min)", mean, at, shown)
    ratio = [one.cell("ratio_limits", name) for name in _RATIO]
    if not all(cell.known for cell in ratio):
        return block
    words = [cell.mark_note(ratio_words(cell.value)) for cell in (ratio[0], ratio[2])]
    return block + paragraph(
        said("sentences", "ratio", middle=ratio[1], low=ratio[0], high=ratio[2], words=words)
    )


def firmness(one: Comparison) -> Block:
    """Say how wide the intervals of the limits are, and how many athletes would halve them."""
    low, high = (one.cell("interval_width", f"width_of_{end}_limit") for end in ("lower", "upper"))
    if not low.known:
        return Block("")
    halved = one.cell("interval_width", "athletes_to_halve")
    return paragraph(said("sentences", "firmness", low=low, high=high, halved=halved))


def cautions(one: Comparison) -> dict[str, Caution]:
    """Return what a reader should know before believing the numbers of this method, in words."""
    errors = [
        one.numbers.get("repeatability", "typical_error", LABORATORY, mode)
        for mode in one.results.data.repeats["mode"].unique()
    ]
    told: dict[str, Caution] = {}
    for caution in one.results.cautions:
        cells = {name: one.at(place) for name, place in caution.numbers.items()}
        of_laboratory = errors if caution.code == "laboratory_noise" else []
        if any(cell.withheld for cell in (*cells.values(), *of_laboratory)):
            continue
        if of_laboratory:
            known = [cell for cell in errors if cell.known]
            words: str = said("sentences", caution.code, errors=known)
        elif cells and next(iter(cells.values())).known:
            cells |= {name: one.at(place) for name, place in caution.recommended.items()}
            words = said("sentences", caution.code, **cells)
        else:  # its numbers are counts, which no line of the results table says
            words = with_minus(caution.sentence)
        told[words] = caution
    return told


def of_the_laboratory(comparisons: Sequence[Comparison]) -> dict[str, list[str]]:
    """Return cautions on the laboratory that several methods share; of which, if not of all."""
    names: dict[str, list[str]] = {}
    for one in comparisons:
        for words, caution in cautions(one).items():
            if caution.of_laboratory:
                names.setdefault(words, []).append(one.name)
    every = len(comparisons)
    return {
        words: told if len(told) < every else [] for words, told in names.items() if len(told) > 1
    }


@of_field_values
def repeatability(cohort: Cohort, *, methods: Methods = None) -> Block:
    """Show how far repeats of one athlete lie apart, in the laboratory and in the field."""
    comparisons = told_of(cohort).some(methods)
    if not comparisons:
        return paragraph("There is nothing to compare: no pair was found.")
    modes = sorted({mode for one in comparisons for mode in one.results.data.repeats["mode"]})
    places = {f"{LABORATORY}, {mode_word(mode)}": (LABORATORY, mode) for mode in modes}
    places |= {one.name: (one.results.method, one.results.mode) for one in comparisons}
    rows: list[tuple[str, str, str]] = []
    without: dict[str, list[str]] = {}  # why -> names

    def cell(analysis: str, statistic: str, name: str) -> Cell:
        if statistic == "smallest_real_change" and places[name][0] != LABORATORY:
            statistic = "day_to_day_spread"
        return comparisons[0].numbers.get(analysis, statistic, *places[name])

    for name in places:
        if (error := cell("repeatability", "typical_error", name)).known:
            words = name + (ASSUMED if error.assumed else "")
            rows.append((words, "repeatability", name))
        else:
            without.setdefault(error.reason, []).append(name)
    caption = "How far repeats of one athlete lie apart (mL/kg/min), 95 % intervals below"
    bare = (
        Block(said("sentences", "no_typical_error", names=names, why=why))
        for why, names in without.items()
    )
    return joined(
        [lines_table(cell, caption, "method, mode", rows, stated("tables", "repeats")), *bare]
    )
