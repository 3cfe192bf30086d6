"""Bias and limits of parts of the pairs, for tables that compare choices or kinds of people."""

from html import escape
from typing import Final

import pandas as pd

from agreement.report.markup import Block, table
from agreement.report.numbers import plain
from agreement.stats.limits import FEW_FOR_REPORTS
from agreement.stats.repeated import limits_by_athlete

FEWEST: Final = 5  # athletes, for a bias
_COLUMNS: Final = ("pairs chosen", "athletes", "bias", "lower limit", "upper limit")


def subsets_block(caption: str, parts: dict[str, pd.DataFrame], *, hide_small: bool) -> Block:
    """
    Return a table with bias and limits of each part.

    Parameters
    ----------
    caption : str
        Plain text.
    parts : dict of str to DataFrame
        Words for the part -> its pairs, of one method and mode.
    hide_small : bool
        Give no number of athletes below 5 (and of a single small part's neighbour none either).
    """
    sizes = {word: own["athlete_id"].nunique() for word, own in parts.items()}
    hidden = _hidden(sizes) if hide_small else set()
    rows = [
        (escape(word), "withheld", "", "", "")
        if word in hidden
        else (escape(word), str(sizes[word]), *_limits(own))
        for word, own in parts.items()
        if sizes[word]
    ]
    return table(caption, _COLUMNS, rows, numeric=_COLUMNS[1:])


def _hidden(sizes: dict[str, int]) -> set[str]:
    """Return the parts that must not be shown: small ones, and one more if a single one is."""
    small = {word for word, n in sizes.items() if 0 < n < FEWEST}
    rest = {word: n for word, n in sizes.items() if n >= FEWEST}
    if len(small) == 1 and rest:
        small.add(min(rest, key=lambda word: rest[word]))
    return small


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
