"""Times of day in a recording's column of seconds: 12:41:34 becomes seconds from the first row."""

import re
from typing import Final

import numpy as np
import numpy.typing as npt

from agreement.tables.columns import MISSING_ANY_CASE
from agreement.tables.text_cells import Distinct

SECONDS_COLUMN: Final = "t_s"
_CLOCK: Final = re.compile(r"(?:(\d{1,2}):)?(\d{1,3}):(\d{2}(?:[.,]\d+)?)")
_DAY_S: Final = 86_400.0


def clock_seconds(found: Distinct) -> npt.NDArray[np.float64] | None:
    """
    Return seconds from the first row on; None where any cell is no time of day.

    Two parts are minutes and seconds, three have hours before them. A time that falls by more than
    half a day lies after midnight.
    """
    seconds = np.full(len(found.labels) + 1, np.nan)
    for i, label in enumerate(found.labels):
        plain = label.strip()
        if plain.casefold() in MISSING_ANY_CASE:
            continue
        parts = _CLOCK.fullmatch(plain)
        if parts is None:
            return None
        hours, minutes, rest = parts.groups()
        seconds[i] = int(hours or 0) * 3600 + int(minutes) * 60 + float(rest.replace(",", "."))
    times = seconds[found.codes]
    known = np.flatnonzero(np.isfinite(times))
    if not known.size:
        return None
    days = np.cumsum(np.diff(times[known], prepend=times[known[0]]) < -_DAY_S / 2)
    times[known] += days * _DAY_S
    return np.asarray(times - times[known[0]])
