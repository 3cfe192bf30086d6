"""The time of many sessions at each heart rate, without the heart rates that none of it is at."""

from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from agreement.physiology.arrays import IntArray

HIGHEST_BPM: Final = 240
AT_ONCE: Final = 2048  # sessions looked at together


class BeatTimes(NamedTuple):
    """Time at each heart rate: a session stays within few, so the full table would be mostly zeros."""

    size: NDArray[np.uint8]  # shape (n_sessions,). How many heart rates each session has time at.
    # bpm, seconds: shape (n_times,). These heart rates, whole beats, and the time at each [s]:
    # those of the first session, then those of the second, and so on.
    bpm: NDArray[np.uint8]
    seconds: NDArray[np.float32]

    def blocks(self) -> Iterator[tuple[slice, NDArray[np.float32]]]:
        """Yield which sessions, and their full table, shape (at most `AT_ONCE`, 241). [s]."""
        ends = np.append(0, np.cumsum(self.size, dtype=np.int64))
        for first in range(0, self.size.size, AT_ONCE):
            some = slice(first, min(first + AT_ONCE, self.size.size))
            own = slice(ends[some.start], ends[some.stop])
            size = self.size[some]
            table = np.zeros((size.size, HIGHEST_BPM + 1), dtype=np.float32)
            table[np.repeat(np.arange(size.size), size), self.bpm[own]] = self.seconds[own]
            yield some, table


def beat_times(seconds_at: NDArray[np.float32]) -> BeatTimes:
    """Return the full table of some sessions, shape (n_sessions, 241), without its zeros."""
    session, bpm = np.nonzero(seconds_at)
    size = np.bincount(session, minlength=len(seconds_at))
    return BeatTimes(size.astype(np.uint8), bpm.astype(np.uint8), seconds_at[session, bpm])


def times_in_order(parts: Sequence[tuple[IntArray, BeatTimes]], sessions: int) -> BeatTimes:
    """
    Put sessions together that were read in any order.

    parts: the places of some sessions among all, each once, and their times.
    sessions: how many there are in all; those in no part have no time.
    """
    size = np.zeros(sessions, dtype=np.uint8)
    for at, times in parts:
        size[at] = times.size
    start = np.cumsum(size, dtype=np.int64) - size
    whole = int(size.sum(dtype=np.int64))
    bpm, seconds = np.empty(whole, dtype=np.uint8), np.empty(whole, dtype=np.float32)
    for at, times in parts:
        before = np.cumsum(times.size, dtype=np.int64) - times.size
        place = np.repeat(start[at] - before, times.size) + np.arange(times.bpm.size)
        bpm[place], seconds[place] = times.bpm, times.seconds
    return BeatTimes(size, bpm, seconds)
