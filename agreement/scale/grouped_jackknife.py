"""Intervals of statistics from sums when athletes have several pairs: leave out groups of athletes."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from agreement.stats.basics.intervals import Interval
from agreement.stats.basics.replicates import Replicates, Scale

Floats = npt.NDArray[np.float64]
S = TypeVar("S")

FOLDS = 64  # groups of athletes, formed by a hash of the id


@dataclass(frozen=True)
class GroupedJackknife(Replicates):
    """
    Stands in for the bootstrap where its resamples would not fit into memory.

    `jackknife` holds the statistics with each group of athletes left out, shape (J, k);
    `replicates` is empty. Intervals are Student's on J - 1 degrees of freedom [1]_.

    References
    ----------
    .. [1] Kott PS. The delete-a-group jackknife. J Off Stat 2001;17:521-526.
    """

    def interval(self, which: int = 0, confidence_level: float = 0.95) -> Interval:
        """Student's interval of one statistic: the groups stand for the athletes."""
        return Interval(*self.jackknife_interval(which, confidence_level))

    def _note(self, which: int) -> str:
        return "" if np.isfinite(self.jackknife[:, which]).all() else "interval not known"


def grouped_jackknife(
    folds: Sequence[S],
    merge: Callable[[Sequence[S]], S],
    statistics: Callable[[S], Floats],
    *,
    scales: tuple[Scale, ...] = (),
) -> GroupedJackknife:
    """
    Compute statistics of all sums, and with each fold left out.

    Parameters
    ----------
    folds : sequence
        Sums of each group of athletes.
    merge : callable
        Adds sums.
    statistics : callable
        From sums to an array of shape (k,).
    scales : tuple of str, optional
        On which each is taken for normal.
    """
    before: list[S] = []
    after: list[S] = []  # running totals from both ends, so that each fold is left out cheaply
    for fold in folds[:-1]:
        before.append(merge([before[-1], fold]) if before else fold)
    for fold in folds[:0:-1]:
        after.append(merge([after[-1], fold]) if after else fold)
    after.reverse()
    left_out = [after[0]]
    left_out += [merge([low, high]) for low, high in zip(before[:-1], after[1:], strict=True)]
    left_out.append(before[-1])
    whole = statistics(merge([before[-1], folds[-1]]))
    rows = np.array([statistics(rest) for rest in left_out])
    return GroupedJackknife(whole, np.empty((0, whole.size)), rows, scales=scales)


def folds_of(hashes: npt.NDArray[np.uint64]) -> npt.NDArray[np.int64]:
    """Return the group of each athlete from a hash of the id."""
    return (hashes % np.uint64(FOLDS)).astype(np.int64)
