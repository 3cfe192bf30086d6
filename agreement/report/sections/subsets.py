"""Tables of bias and limits of parts of the pairs: by choice, or by kinds of people."""

from collections.abc import Iterable
from typing import Final

from agreement.report.page.machine import said
from agreement.report.page.markup import Block
from agreement.report.sections.comparison import Comparison

BIAS_AND_LIMITS: Final = ("bias", "lower_limit", "upper_limit")
Part = tuple[str, str, str]  # words, analysis and group of the results table


def parts_block(
    one: Comparison,
    caption: str,
    parts: Iterable[Part],
    *,
    by: str = "pairs chosen",
    shown: str = "athletes, bias |, lower_limit |, upper_limit |",
) -> Block:
    """
    Return a table with a line for each part that has somebody in it, and what is withheld.

    `shown` is `columns` of `lines_table`.
    """
    first = [(part, one.cell(part[1], "bias", part[2])) for part in parts]
    kept = [part for part, bias in first if not bias.withheld and (bias.n or part[2] == "all")]
    told = one.lines(f"{caption} (mL/kg/min), 95 % intervals below", by, kept, shown)
    return told + withheld_note([str(part[0]) for part, bias in first if bias.withheld])


def withheld_note(names: list[str]) -> Block:
    """Name the groups that are withheld, in one line; nothing without any."""
    return Block(said("sentences", "withheld", names=names)) if names else Block("")
