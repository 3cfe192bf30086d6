"""What each reason says to a coach. Without ids and dates: these stay in their own columns."""

from collections.abc import Mapping
from functools import lru_cache

import numpy as np
import pandas as pd

from agreement.arrays import Ints
from agreement.pairing.cleaning import Fate
from agreement.tables.options import PairingOptions
from agreement.terms import ALL_MODES, RANGES, REASONS, declared

NAMED = 5  # rows named in one note; the rest is counted
_WORDS: Mapping[str, str] = declared("words.toml", "pairing")
NO_TEST = _WORDS["athlete_without_laboratory_test"]


@lru_cache(maxsize=10_000)
def words(reason: str, number: float, rules: PairingOptions) -> str:
    """Return what `words.toml` says of a reason; `number` goes with it, NaN without one."""
    told = {
        "n": number,
        "days": days_in_words(abs(number)),
        "near": days_in_words(rules.summary_days),
    }
    if np.isnan(number):
        return _WORDS.get(f"{reason}_unknown", _WORDS[reason]).format(rules=rules, **told)
    if reason == "mode_mismatch":  # both modes in one number
        modes = divmod(int(number), len(ALL_MODES))
        told |= zip(("laboratory", "own"), map(ALL_MODES.__getitem__, modes), strict=True)
    told |= {"side": "later" if number >= 0 else "earlier", "window": window(rules)}
    return _WORDS[reason].format(rules=rules, usual=RANGES["vo2max_ml_kg_min"], **told)


def days_in_words(days: float) -> str:
    """Return a number of days as text."""
    return "1 day" if days == 1 else f"{days:.0f} days"


def rows_in_words(rows: Ints) -> str:
    """
    Return row numbers, sorted, as text: a span where none is missing, else the first few.

    >>> rows_in_words(np.arange(2, 27)), rows_in_words(np.array([2, 26, 27]))
    ('rows 2 to 26', 'rows 2, 26, 27')
    """
    if len(rows) > NAMED and rows[-1] - rows[0] + 1 == len(rows):
        return f"rows {rows[0]} to {rows[-1]}"
    text = ("row " if len(rows) == 1 else "rows ") + ", ".join(map(str, rows[:NAMED].tolist()))
    return text if len(rows) <= NAMED else f"{text} and {len(rows) - NAMED} more"


def window(rules: PairingOptions) -> str:
    """Return the window of a set of rules as a sentence."""
    return (
        f"the window is {rules.days_before} before to {rules.days_after} after the test "
        "(`days_before`, `days_after`)."
    )


class Texts:
    """A list of messages without repeats, and for each row its place in it."""

    def __init__(self) -> None:
        self._places: dict[str, int] = {}

    def place(self, text: str) -> int:
        """Return the place of a message, adding it when it is new."""
        return self._places.setdefault(text, len(self._places))

    def known(self) -> list[str]:
        """Return every message, each at its place."""
        return list(self._places)

    def places_of(self, fate: Fate, rules: PairingOptions) -> Ints:
        """Return the place of each reading's message; 0 where nothing was left out."""
        places = np.zeros(len(fate.reason), np.int64)
        for code in np.flatnonzero(np.bincount(fate.reason[fate.reason >= 0])).tolist():
            rows = np.flatnonzero(fate.reason == code)
            reason = list(REASONS)[code]
            numbers, found = pd.factorize(fate.detail[rows], use_na_sentinel=False)
            each = [self.place(words(reason, float(number), rules)) for number in found]
            places[rows] = np.array(each)[numbers]
        return places
