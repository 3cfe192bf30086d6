"""Tables of bias and limits of parts of the pairs: by choice, or by kinds of people."""

from collections.abc import Iterable
from typing import Final

from agreement.report.page.machine import said
from agreement.report.page.markup import Block, table
from agreement.report.sections.comparison import Comparison
from agreement.stats.catalogue import head_of

BIAS_AND_LIMITS: Final = ("bias", "lower_limit", "upper_limit")
Part = tuple[str, str, str]  # words, analysis and group of the results table


def parts_block(
    one: Comparison,
    caption: str,
    parts: Iterable[Part],
    *,
    by: str = "pairs chosen",
    shown: Iterable[str] = BIAS_AND_LIMITS,
) -> Block:
    """
    Return a table with a line for each part.

    caption: plain text.
    parts: lines of the results table; a part with nobody in it is left out.
    by: head of the first column.
    shown: statistics.
    """
    rows, withheld = [], []
    for words, analysis, group in parts:
        cells = [one.cell(analysis, statistic, group) for statistic in shown]
        if cells[0].withheld:
            withheld.append(words)
        elif cells[0].n or group == "all":
            rows.append((words, str(cells[0].n), *(cell.stacked() for cell in cells)))
    heads = ("athletes", *(head_of("limits_of_agreement", name) for name in shown))
    told = table(caption, (by, *heads), rows, numeric=heads) if rows else Block("")
    return told + withheld_note(withheld)


def withheld_note(names: list[str]) -> Block:
    """Name the groups that are withheld, in one line; nothing without any."""
    return Block(said("sentences", "withheld", names=names)) if names else Block("")
