"""Which steady points stand behind which day: the rolling window of the session estimate."""

from collections.abc import Iterator
from typing import Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.physiology.arrays import IntArray

AT_ONCE: Final = 250_000  # points of windows looked at together


class Block(NamedTuple):
    """Some days: point number `point` lies in the window of day number `day` of these `days`."""

    days: slice
    day: IntArray
    point: IntArray


class Windows(NamedTuple):
    """
    Days with a usable session, in order of athlete, mode and date, and the window of each.

    `session` is each day's last session (position in the sessions table); the points of its window
    are those in `order` from `first` to before `stop`. A point lies in the windows of many days, so
    points are told a block of days at a time.
    """

    session: IntArray
    order: IntArray
    first: IntArray
    stop: IntArray

    def blocks(self) -> Iterator[Block]:
        """Yield all days with their points, at most `AT_ONCE` points unless one day has more."""
        size = self.stop - self.first
        ends = np.cumsum(size)
        begin = 0
        while begin < size.size:
            before = ends[begin] - size[begin]
            end = max(begin + 1, int(np.searchsorted(ends, before + AT_ONCE, side="right")))
            own = size[begin:end]
            day = np.repeat(np.arange(own.size), own)
            skipped = np.cumsum(own) - own - self.first[begin:end]
            point = self.order[np.arange(day.size) - skipped[day]]
            yield Block(slice(begin, end), day, point)
            begin = end


def windows(points: pd.DataFrame, sessions: pd.DataFrame, window_days: int) -> Windows:
    """
    Find the days and their points.

    points: with session: position in `sessions`.
    sessions: athlete_id, mode, date, instant.
    window_days: a day's window is itself and the days before it, so many in all.
    Returns: days in order of athlete, mode and date.
    """
    with_points = sessions.loc[points["session"], ["athlete_id", "mode", "date", "instant"]]
    group = with_points.groupby(["athlete_id", "mode"], sort=True).ngroup().to_numpy()
    number = with_points["date"].to_numpy().astype("datetime64[D]").astype(np.int64)
    instant = with_points["instant"].to_numpy().astype("datetime64[us]").astype(np.int64)
    order = np.lexsort((points["session"].to_numpy(), instant, number, group))
    group, number = group[order], number[order]
    if not order.size:
        return Windows(*np.empty((4, 0), dtype=np.int64))
    # one axis for everybody: groups lie further apart than any window reaches
    place = group * (np.ptp(number) + window_days + 1) + number
    last = np.flatnonzero(np.r_[place[1:] != place[:-1], True])
    first = np.searchsorted(place, place[last] - window_days, side="right")
    return Windows(points["session"].to_numpy()[order][last], order, first, last + 1)
