"""What each reason says to a coach. Without ids and dates: these stay in their own columns."""

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd

from agreement.pairing.cleaning import Fate
from agreement.pairing.laboratory_units import ALL_MODES, Ints
from agreement.tables.options import PairingOptions
from agreement.terms import RANGES, REASONS, UNIT

NAMED = 5  # rows named in one note; the rest is counted
NO_TEST = "The athlete has no usable laboratory test; add one, or correct the id."
WORDS: Mapping[str, Callable[[float, PairingOptions], str]] = {
    "copy": lambda n, _: f"{n:.0f} identical rows for one athlete and time; kept one, the first.",
    "conflicting_copy": lambda n, _: (
        f"{n:.0f} rows for one athlete and time with different values; none is used."
    ),
    "stale": lambda n, rules: (
        f"Same value {n:.0f} days running (more than {rules.stale_after_days}, "
        "`stale_after_days`); the run counts as one, on its first day."
    ),
    "missing_value": lambda _, __: "No value; fill the cell.",
    "no_mass": lambda _, __: (
        "Value in L/min without a body mass, in this row or in a laboratory test that it serves."
    ),
    "out_of_range": lambda value, _: (
        f"{value:.1f} {UNIT} with the body mass of the laboratory test; outside "
        f"{RANGES['vo2max_ml_kg_min'].reject_low:g} to {RANGES['vo2max_ml_kg_min'].reject_high:g}."
    ),
    "athlete_without_laboratory_test": lambda _, __: NO_TEST,
    "mode_mismatch": lambda both, _: (
        f"Laboratory on {ALL_MODES[int(both) // len(ALL_MODES)]}, estimate from "
        f"{ALL_MODES[int(both) % len(ALL_MODES)]}; they pair only where `mode_match` says so."
    ),
    "outside_window": lambda gap, rules: (
        "No laboratory test of the same mode, and none of another mode near it; test in this mode."
        if np.isnan(gap)
        else f"Nearest laboratory test is {distance(gap, 'later', 'earlier')}; {window(rules)}"
    ),
    "same_day": lambda _, __: (
        "On the day of a laboratory test; not admitted (`same_day` in study.toml)."
    ),
    "after_test": lambda days, _: (
        f"Dated {days_in_words(days)} after the laboratory test; may have been tuned by it (`days_after`)."
    ),
    "too_few_readings": lambda n, rules: (
        f"{days_in_words(n)} with a reading within {days_in_words(rules.summary_days)} of the "
        f"test; {rules.minimum_days} are needed (`minimum_days`)."
    ),
    "not_summarised": lambda days, rules: (
        f"Another day stands for this test (summary `{rules.summary}`)."
        if np.isnan(days)
        else f"{days_in_words(days)} from the test; the summary takes up to {rules.summary_days} "
        "(`summary_days`)."
    ),
}


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


def distance(gap: float, later: str, earlier: str) -> str:
    """Return a signed number of days as text."""
    return f"{days_in_words(abs(gap))} {later if gap >= 0 else earlier}"


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
        for code in np.unique(fate.reason[fate.reason >= 0]).tolist():
            rows = np.flatnonzero(fate.reason == code)
            words = WORDS[list(REASONS)[code]]
            numbers, found = pd.factorize(fate.detail[rows], use_na_sentinel=False)
            each = [self.place(words(float(number), rules)) for number in found]
            places[rows] = np.array(each)[numbers]
        return places
