"""Times of day in a recording's column of seconds: 12:41:34 becomes seconds from the first row."""

import re
from typing import Final

import numpy as np
import numpy.typing as npt

from agreement.tables.columns import MISSING_ANY_CASE
from agreement.tables.text_cells import Distinct

SECONDS_COLUMN: Final = "t_s"
CLOCK_COLUMN: Final = "clock_s"  # beside it, where it was times of day: seconds after midnight
CLOCK_OF: Final = {  # columns of seconds of a recording -> where they stand as times of day
    name: f"{name.removesuffix('_s')}_clock_s" for name in ("exercise_start_s", "exercise_end_s")
}
_CLOCK: Final = re.compile(r"(?:(\d{1,2}):)?(\d{1,3}):(\d{2}(?:[.,]\d+)?)")
TIME_OF_DAY: Final = re.compile(r"\d{1,2}:\d{2}:\d{2}([.,]\d+)?")
_DAY_S: Final = 86_400.0


def clock_seconds(found: Distinct) -> npt.NDArray[np.float64] | None:
    """
    Return seconds after midnight of the first row; None where any cell is no time of day.

    Two parts are minutes and seconds, three have hours before them. A time that falls by more than
    half a day lies after midnight.
    """
    seconds = np.full(len(found.labels) + 1, np.nan)
    for i, label in enumerate(found.labels):
        if label.strip().casefold() in MISSING_ANY_CASE:
            continue
        if (read := _seconds_of(label)) is None:
            return None
        seconds[i] = read
    times = seconds[found.codes]
    known = np.flatnonzero(np.isfinite(times))
    if not known.size:
        return None
    days = np.cumsum(np.diff(times[known], prepend=times[known[0]]) < -_DAY_S / 2)
    times[known] += days * _DAY_S
    return np.asarray(times)


def times_of_day(found: Distinct) -> npt.NDArray[np.float64]:
    """Return seconds after midnight of each cell that is a time with hours, 12:41:34; else NaN."""
    whole = [TIME_OF_DAY.fullmatch(label.strip()) for label in found.labels]
    read = [
        _seconds_of(label) if one else None for label, one in zip(found.labels, whole, strict=True)
    ]
    seconds = [np.nan if one is None else one for one in read]
    return np.array([*seconds, np.nan])[found.codes]


def _seconds_of(label: str) -> float | None:
    parts = _CLOCK.fullmatch(label.strip())
    if parts is None:
        return None
    hours, minutes, rest = parts.groups()
    return int(hours or 0) * 3600 + int(minutes) * 60 + float(rest.replace(",", "."))
