"""Tables of bias and limits of parts of the pairs: by choice, or by kinds of people."""

from collections.abc import Iterable
from html import escape
from typing import Final

from agreement.report.page.markup import Block, table
from agreement.report.sections.comparison import Comparison

_STATISTICS: Final = ("bias", "lower_limit", "upper_limit")
_COLUMNS: Final = ("athletes", "bias", "lower limit", "upper limit")

Part = tuple[str, str, str]  # words, analysis and group of the results table


def parts_block(
    one: Comparison, caption: str, parts: Iterable[Part], *, by: str = "pairs chosen"
) -> Block:
    """
    Return a table with bias and limits of each part.

    Parameters
    ----------
    one : Comparison
    caption : str
        Plain text.
    parts : iterable of (words, analysis, group)
        Lines of the results table; a part with nobody in it is left out.
    by : str
        Head of the first column.
    """
    rows = [_row(one, *part) for part in parts]
    return table(caption, (by, *_COLUMNS), filter(None, rows), numeric=_COLUMNS)


def _row(one: Comparison, words: str, analysis: str, group: str) -> tuple[str, ...]:
    """Return one part's line, empty when it has nobody."""
    cells = [one.cell(analysis, statistic, group) for statistic in _STATISTICS]
    if not cells[0].n and not cells[0].withheld:
        return ()
    count = "withheld" if cells[0].withheld else str(cells[0].n)
    return (escape(words), count, *(cell.stacked() for cell in cells))
