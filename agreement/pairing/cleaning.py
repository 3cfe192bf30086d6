"""Readings that are no readings of their own: copies, conflicting copies, and stale runs."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from agreement.arrays import Flags, Floats, Ints
from agreement.pairing.ordering import Ordered, starts_of
from agreement.terms import REASONS

Codes = NDArray[np.int8]

CODE = {reason: code for code, reason in enumerate(REASONS)}
KEPT = -1  # the code of a reading that no reason has left out
SAME_VALUE = 1e-9  # mL/kg/min; converting units leaves less than this as rounding noise


@dataclass(frozen=True, slots=True)
class Fate:
    """What became of each of the sorted readings; the arrays are filled in step by step."""

    reason: Codes  # position in `agreement.terms.REASONS`; `KEPT` for a reading that is still in
    # the number that the message of the reason needs: a count, days, a value; NaN without one
    detail: Floats

    @classmethod
    def all_kept(cls, size: int) -> "Fate":
        """Return the state before any reason was looked for."""
        return cls(np.full(size, KEPT, np.int8), np.full(size, np.nan))

    def kept(self) -> Ints:
        """Return the positions of the readings that are still in."""
        return np.flatnonzero(self.reason == KEPT)

    def leave_out(self, where: Flags | Ints, reason: str, detail: Floats | Ints | float) -> None:
        """Name the reason of the readings at `where`; `detail` is one number or one for each."""
        self.reason[where] = CODE[reason]
        self.detail[where] = detail


def leave_out_copies(fate: Fate, readings: Ordered, value: Floats) -> None:
    """Leave out the same reading again, and all of one moment that contradict each other."""
    kept = fate.kept()
    starts = starts_of(readings.series_day[kept], readings.moment[kept])
    size = np.diff(starts, append=len(kept))
    several = size > 1
    if not several.any():
        return
    kept, size = kept[np.repeat(several, size)], size[several]
    starts = np.cumsum(size) - size
    spread = np.maximum.reduceat(value[kept], starts) - np.minimum.reduceat(value[kept], starts)
    conflict = np.repeat(spread > SAME_VALUE, size)
    copy = ~conflict
    copy[starts] = False  # the first row stays
    count = np.repeat(size, size)
    fate.leave_out(kept[conflict], "conflicting_copy", count[conflict])
    fate.leave_out(kept[copy], "copy", count[copy])


def leave_out_stale(fate: Fate, readings: Ordered, value: Floats, *, stale_after_days: int) -> None:
    """
    Count a field estimate once that was repeated day after day.

    A run is consecutive dates of one series, each with one and the same value; a day without a
    reading or with two values ends it. Of a run of more than `stale_after_days` days the first row
    of the first day stays: the smallest row number of the file.
    """
    kept = np.flatnonzero((fate.reason == KEPT) & readings.estimate)
    if not kept.size:
        return
    starts = starts_of(readings.series_day[kept])
    rows_of_day, first = np.diff(starts, append=len(kept)), kept[starts]
    # most days are settled by their first values, give or take what rounding adds up to
    day, value_of_day = readings.series_day[first], value[first]
    some = _goes_on(day, value_of_day, value_of_day, 4 * SAME_VALUE)
    some = _lengths(some) > stale_after_days
    if not some.any():
        return
    kept, rows_of_day = kept[np.repeat(some, rows_of_day)], rows_of_day[some]
    starts = np.cumsum(rows_of_day) - rows_of_day
    low, high = (of.reduceat(value[kept], starts) for of in (np.minimum, np.maximum))
    goes_on = _goes_on(day[some], low, high, SAME_VALUE)
    days = np.repeat(_lengths(goes_on), rows_of_day)
    opens_run = np.repeat(~goes_on, rows_of_day)
    row = readings.row[kept]
    first_row = np.repeat(np.minimum.reduceat(row, starts), rows_of_day)
    stale = (days > stale_after_days) & ~(opens_run & (row == first_row))
    fate.leave_out(kept[stale], "stale", days[stale])


def _goes_on(series_day: Ints, low: Floats, high: Floats, within: float) -> Flags:
    """Return which days carry on the run of the day before; `low` and `high` are of each day."""
    one_value = high - low <= within
    goes_on = np.zeros(len(series_day), np.bool_)
    goes_on[1:] = (np.diff(series_day) == 1) & (np.abs(np.diff(low)) <= within)
    goes_on[1:] &= one_value[1:] & one_value[:-1]
    return goes_on


def _lengths(goes_on: Flags) -> Ints:
    """Return for each day how many days its run has."""
    length = np.diff(np.flatnonzero(~goes_on), append=len(goes_on))
    return np.repeat(length, length)
