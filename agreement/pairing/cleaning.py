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
    if not kept.size:
        return
    starts = starts_of(readings.series_day[kept], readings.moment[kept])
    size = np.diff(starts, append=len(kept))
    if (size == 1).all():
        return
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
    rows_of_day = np.diff(starts, append=len(kept))
    low, high = (of.reduceat(value[kept], starts) for of in (np.minimum, np.maximum))
    one_value, goes_on = high - low <= SAME_VALUE, np.zeros(len(starts), np.bool_)
    goes_on[1:] = (np.diff(readings.series_day[kept[starts]]) == 1) & one_value[1:] & one_value[:-1]
    goes_on[1:] &= np.abs(np.diff(low)) <= SAME_VALUE
    length = np.diff(np.flatnonzero(~goes_on), append=len(starts))
    if length.max() <= stale_after_days:
        return
    days = np.repeat(np.repeat(length, length), rows_of_day)
    opens_run = np.repeat(~goes_on, rows_of_day)
    row = readings.row[kept]
    first_row = np.repeat(np.minimum.reduceat(row, starts), rows_of_day)
    stale = (days > stale_after_days) & ~(opens_run & (row == first_row))
    fate.leave_out(kept[stale], "stale", days[stale])
