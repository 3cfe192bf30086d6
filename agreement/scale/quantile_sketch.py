"""Quantiles of more values than memory holds: counts on a fixed fine grid."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class QuantileSketch:
    """
    Counts of values on a grid of equal steps.

    VO2max and its differences live on a short, known range, so a plain grid beats a general sketch:
    ranks are exact, a quantile is off by half a `step` at most, and merging is addition.

    Attributes
    ----------
    low, step : float
        Cell k holds the values that round to low + k step. [mL/kg/min]
    counts : ndarray of int64
    """

    low: float
    step: float
    counts: npt.NDArray[np.int64]

    @classmethod
    def of(
        cls, values: Floats, *, low: float = -100.0, high: float = 100.0, step: float = 0.01
    ) -> "QuantileSketch":
        """
        Count one chunk.

        Raises
        ------
        ValueError
            If a value lies outside the grid or is missing: it would be lost silently.
        """
        cells = round((high - low) / step) + 1
        if values.size and not (values.min() >= low and values.max() <= high):
            message = f"values must lie between {low} and {high}, none missing"
            raise ValueError(message)
        index = np.rint((values - low) / step).astype(np.int64)
        return cls(low, step, np.bincount(index, minlength=cells).astype(np.int64))

    @property
    def n(self) -> int:
        """Values counted."""
        return int(self.counts.sum())

    @property
    def error_bound(self) -> float:
        """Largest distance of a reported quantile from the true one."""
        return self.step / 2.0

    def __add__(self, other: "QuantileSketch") -> "QuantileSketch":
        """
        Merge with the counts of other values.

        Raises
        ------
        ValueError
            If the grids differ.
        """
        if (self.low, self.step, self.counts.size) != (other.low, other.step, other.counts.size):
            message = "only sketches on the same grid can be merged"
            raise ValueError(message)
        return QuantileSketch(self.low, self.step, self.counts + other.counts)

    def quantile(self, share: npt.ArrayLike) -> Floats:
        """
        Quantiles of Hyndman and Fan's type 6, as the limits without a normal assumption use them.

        Raises
        ------
        ValueError
            If there is no value, or a share lies outside [0, 1].
        """
        p = np.atleast_1d(np.asarray(share, dtype=np.float64))
        if self.n == 0 or np.any((p < 0.0) | (p > 1.0)):
            message = "quantiles need values, and shares in [0, 1]"
            raise ValueError(message)
        position = np.clip(p * (self.n + 1), 1, self.n)
        below = np.floor(position)
        ranks = np.cumsum(self.counts)
        at, after = (
            self.low + self.step * np.searchsorted(ranks, rank)
            for rank in (below, np.minimum(below + 1, self.n))
        )
        return at + (position - below) * (after - at)
