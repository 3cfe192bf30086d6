"""Intervals of statistics from sums when athletes have several pairs: leave out groups of athletes."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from agreement.stats.basics.bootstrap import Replicates
from agreement.stats.basics.intervals import Interval, t_interval, t_p_value

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

    def standard_error(self, which: int) -> float:
        """Return the standard error of one statistic."""
        left_out = self.jackknife[:, which]
        j = len(left_out)
        return float(np.sqrt((j - 1) / j * ((left_out - left_out.mean()) ** 2).sum()))

    def bca_interval(self, which: int = 0, confidence_level: float = 0.95) -> Interval:
        """Student interval of one statistic, in the place where the bootstrap's is asked for."""
        error, df = self.standard_error(which), len(self.jackknife) - 1
        return t_interval(float(self.estimate[which]), error, df, confidence_level)

    def p_value(self, which: int = 0, null: float = 0.0) -> float:
        """Two-sided p value of a statistic being `null`."""
        distance = float(self.estimate[which]) - null
        error = self.standard_error(which)
        if error == 0.0:
            return 1.0 if distance == 0.0 else 0.0
        return t_p_value(distance / error, len(self.jackknife) - 1)

    def _note(self, which: int) -> str:
        return "" if np.isfinite(self.jackknife[:, which]).all() else "interval not known"


def grouped_jackknife(
    folds: Sequence[S], merge: Callable[[Sequence[S]], S], statistics: Callable[[S], Floats]
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
    return GroupedJackknife(whole, np.empty((0, whole.size)), rows)


def folds_of(hashes: npt.NDArray[np.uint64]) -> npt.NDArray[np.int64]:
    """Return the group of each athlete from a hash of the id."""
    return (hashes % np.uint64(FOLDS)).astype(np.int64)
