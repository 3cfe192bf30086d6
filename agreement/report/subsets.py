"""Bias and limits of parts of the pairs, for tables that compare choices or kinds of people."""

from html import escape
from typing import Final

import pandas as pd

from agreement.report.markup import Block, table
from agreement.report.numbers import plain
from agreement.report.privacy import FEWEST, hidden_parts
from agreement.stats.limits import FEW_FOR_REPORTS
from agreement.stats.repeated import limits_by_athlete

_COLUMNS: Final = ("pairs chosen", "athletes", "bias", "lower limit", "upper limit")


def subsets_block(
    caption: str, parts: dict[str, pd.DataFrame], *, withheld_from: int | None = None
) -> Block:
    """
    Return a table with bias and limits of each part.

    Parameters
    ----------
    caption : str
        Plain text.
    parts : dict of str to DataFrame
        Words for the part -> its pairs, of one method and mode.
    withheld_from : int, optional
        Athletes in all; given, small parts are withheld from the reader, with those from which
        they could be worked out.
    """
    sizes = {word: own["athlete_id"].nunique() for word, own in parts.items()}
    filled = {word: n for word, n in sizes.items() if n}
    hidden = set() if withheld_from is None else hidden_parts(filled, withheld_from)
    rows = [
        (escape(word), "withheld", "", "", "")
        if word in hidden
        else (escape(word), str(sizes[word]), *_limits(own))
        for word, own in parts.items()
        if sizes[word]
    ]
    return table(caption, _COLUMNS, rows, numeric=_COLUMNS[1:])


def _limits(own: pd.DataFrame) -> tuple[str, str, str]:
    """Return bias from 5 athletes, limits from 10, each with its interval below."""
    few = '<span class="absent">too few</span>'
    n = own["athlete_id"].nunique()
    if n < FEWEST:
        return few, few, few
    found = limits_by_athlete(own["difference"], pd.factorize(own["athlete_id"])[0])
    bias = _stacked(found.bias, *found.bias_interval())
    if n < FEW_FOR_REPORTS:
        return bias, few, few
    lower = _stacked(found.lower, *found.lower_interval())
    return bias, lower, _stacked(found.upper, *found.upper_interval())


def _stacked(value: float, low: float, high: float) -> str:
    interval = f"{plain(low)} to {plain(high)}"
    return f'{plain(value)}<br><span class="interval">{interval}</span>'
