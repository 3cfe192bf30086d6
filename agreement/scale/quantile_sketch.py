"""Quantiles of more values than memory holds: counts on a fixed fine grid."""

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
STEP: Final = 0.01  # mL/kg/min
MOST_CELLS: Final = 1_000_000


def _none() -> Ints:
    return np.zeros(0, np.int64)


@dataclass(frozen=True, slots=True)
class QuantileSketch:
    """
    Counts of values on a grid of equal steps. [mL/kg/min].

    Differences of VO2max live in a short range, so a plain grid beats a general sketch: ranks are
    exact, a quantile is off by half a `STEP` at most, and merging is addition.

    Attributes
    ----------
    first : int
        Cell of the first count; cell k holds the values that round to k `STEP`.
    counts : ndarray of int64
    """

    first: int = 0
    counts: Ints = field(default_factory=_none)

    @classmethod
    def of(cls, values: Floats) -> "QuantileSketch":
        """
        Count one chunk.

        Raises
        ------
        ValueError
            If a value is missing or infinite, or they lie too far apart for a grid: one would be
            lost silently.
        """
        if not values.size:
            return cls()
        ends = float(values.min()) / STEP, float(values.max()) / STEP
        if not abs(ends[1] - ends[0]) < MOST_CELLS:
            message = f"values must lie within {MOST_CELLS * STEP:g} of each other, none missing"
            raise ValueError(message)
        cell = np.rint(values / STEP).astype(np.int64)
        first = int(cell.min())
        return cls(first, np.bincount(cell - first).astype(np.int64))

    @property
    def n(self) -> int:
        """Values counted."""
        return int(self.counts.sum())

    @property
    def error_bound(self) -> float:
        """Largest distance of a reported quantile from the true one."""
        return STEP / 2.0

    @property
    def ordered(self) -> Floats:
        """Every value in rising order, each at the middle of its cell; shape (n,)."""
        middles = (self.first + np.arange(self.counts.size)) * STEP
        return np.repeat(middles, self.counts)

    def __add__(self, other: "QuantileSketch") -> "QuantileSketch":
        """Merge with the counts of other values."""
        if not self.counts.size or not other.counts.size:
            return self if self.counts.size else other
        first = min(self.first, other.first)
        end = max(one.first + one.counts.size for one in (self, other))
        counts = np.zeros(end - first, np.int64)
        for one in (self, other):
            start = one.first - first
            counts[start : start + one.counts.size] += one.counts
        return QuantileSketch(first, counts)
