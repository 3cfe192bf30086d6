"""Readings beside a laboratory test of another mode: set apart, with the size of the mode effect."""

from markupsafe import Markup

from agreement.report.page.markup import Block, absent, paragraph, table
from agreement.report.page.numbers import Cell, Numbers
from agreement.report.sections.subsets import BIAS_AND_LIMITS, withheld_note
from agreement.stats.catalogue import head_of
from agreement.stats.limits.across_modes import AcrossModes

_COLUMNS = (
    "method, mode",
    "mode of the laboratory test",
    "athletes",
    *(head_of("across_modes", name) for name in BIAS_AND_LIMITS),
    "expected of the modes alone",
)


def modes_block(found: tuple[AcrossModes, ...], numbers: Numbers) -> Block:
    """Show what was measured in one mode and tested in another, and what the modes alone would make."""
    if not found:
        return Block("")
    hidden = [one for one in found if _bias(one, numbers).withheld]
    told = withheld_note([numbers.name.with_mode(one.method, one.mode) for one in hidden])
    if len(hidden) == len(found):
        return told
    words = paragraph(
        "Modes of exercise are never pooled: these values are in no other number of this report. In "
        "the same people the treadmill gives a higher VO2max than the cycle, in cyclists least and in "
        "runners most (Basset and Boulay 2000); the last column says what that alone would make, from "
        "cyclists to runners."
    )
    rows = [_row(one, numbers) for one in found if one not in hidden]
    caption = "Tested in another mode (mL/kg/min), 95 % intervals below"
    return words + table(caption, _COLUMNS, rows, numeric=_COLUMNS[2:]) + told


def _bias(one: AcrossModes, numbers: Numbers) -> Cell:
    return numbers.get("across_modes", "bias", one.method, one.mode, one.pairs.name)


def _row(one: AcrossModes, numbers: Numbers) -> tuple[str, ...]:
    cells = {
        name: numbers.get("across_modes", name, one.method, one.mode, one.pairs.name)
        for name in (
            "bias",
            "lower_limit",
            "upper_limit",
            *(f"expected_in_{w}" for w in one.expected),
        )
    }
    bias, lower, upper = (cells[name] for name in ("bias", "lower_limit", "upper_limit"))
    expected = [cells[f"expected_in_{who}"] for who in one.expected]
    return (
        numbers.name.with_mode(one.method, one.mode),
        one.laboratory_mode,
        str(one.pairs.n),
        bias.stacked(sign=True),
        lower.stacked(),
        upper.stacked(),
        _span(expected) if expected else absent("not published"),
    )


def _span(expected: list[Cell]) -> Markup:
    """Return the expected difference from cyclists to runners."""
    if not all(cell.known for cell in expected):
        return expected[0].stacked()
    runners, cyclists = expected[0], expected[-1]
    return Markup(" to ").join([cyclists.shown(sign=True), runners.shown(sign=True)])
