"""Readings beside a laboratory test of another mode: set apart, with the size of the mode effect."""

from markupsafe import Markup

from agreement.report.page.machine import said
from agreement.report.page.markup import Block, absent, table
from agreement.report.page.numbers import Numbers
from agreement.report.sections.comparison import BIAS_AND_LIMITS, withheld_note
from agreement.stats.catalogue import head_of
from agreement.stats.limits.across_modes import AcrossModes

_COLUMNS = (
    *("method, mode", "mode of the laboratory test", "athletes"),
    *(head_of("across_modes", name) for name in BIAS_AND_LIMITS),
    "expected of the modes alone",
)


def modes_block(found: tuple[AcrossModes, ...], numbers: Numbers) -> Block:
    """Show what was measured in one mode and tested in another, and what the modes alone would make."""
    hidden, rows = list[str](), []
    for one in found:
        expected = [f"expected_in_{who}" for who in one.expected]
        cells = {
            name: numbers.get("across_modes", name, one.method, one.mode, one.pairs.name)
            for name in (*BIAS_AND_LIMITS, *expected)
        }
        name = numbers.name.with_mode(one.method, one.mode)
        if cells["bias"].withheld:
            hidden.append(name)
            continue
        span = absent("not published")
        if expected:  # from cyclists to runners
            runners, cyclists = cells[expected[0]], cells[expected[-1]]
            span = runners.stacked()
            if all(cells[who].known for who in expected):
                span = Markup(" to ").join([cyclists.shown(sign=True), runners.shown(sign=True)])
        limits = (cells[end].stacked(sign=end == "bias") for end in BIAS_AND_LIMITS)
        rows.append((name, one.laboratory_mode, str(one.pairs.n), *limits, span))
    if not rows:
        return withheld_note(hidden)
    caption = "Tested in another mode (mL/kg/min), 95 % intervals below"
    shown = table(caption, _COLUMNS, rows, numeric=_COLUMNS[2:])
    return Block(said("sentences", "modes")) + shown + withheld_note(hidden)
