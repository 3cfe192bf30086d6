"""Which steady points stand behind which day: the rolling window of the session estimate."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from agreement.physiology.arrays import IntArray


class Windows(NamedTuple):
    """
    Days with a usable session, and the points in the window of each.

    `session` is each day's last session (position in the sessions table); `day` and `point` are
    parallel: point number `point` lies in the window of day number `day`. There are many times as
    many as points, so they are small integers.
    """

    session: IntArray
    day: IntArray
    point: IntArray


def windows(points: pd.DataFrame, sessions: pd.DataFrame, window_days: int) -> Windows:
    """
    Find the days and their points.

    Parameters
    ----------
    points : DataFrame
        With session: position in `sessions`.
    sessions : DataFrame
        athlete_id, mode, date, instant.
    window_days : int
        A day's window is itself and the days before it, so many in all.

    Returns
    -------
    Windows
        Days in order of athlete, mode and date.
    """
    with_points = sessions.loc[points["session"], ["athlete_id", "mode", "date", "instant"]]
    group = with_points.groupby(["athlete_id", "mode"], sort=True).ngroup().to_numpy()
    number = with_points["date"].to_numpy().astype("datetime64[D]").astype(np.int64)
    instant = with_points["instant"].to_numpy().astype("datetime64[us]").astype(np.int64)
    order = np.lexsort((points["session"].to_numpy(), instant, number, group))
    group, number = group[order], number[order]
    if not order.size:
        none = np.empty(0, dtype=np.int32)
        return Windows(none, none, none)
    # one axis for everybody: groups lie further apart than any window reaches
    place = group * (np.ptp(number) + window_days + 1) + number
    last = np.flatnonzero(np.r_[place[1:] != place[:-1], True])
    first = np.searchsorted(place, place[last] - window_days, side="right")
    size = last - first + 1
    day = np.repeat(np.arange(last.size, dtype=np.int32), size)
    skipped = (np.cumsum(size) - size - first).astype(np.int32)
    place = np.arange(size.sum(), dtype=np.int32) - np.repeat(skipped, size)
    point = order.astype(np.int32)[place]
    return Windows(points["session"].to_numpy()[order][last], day, point)
