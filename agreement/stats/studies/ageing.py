"""The age of a reading: what weeks between a reading and the test add to the error."""

from dataclasses import dataclass
from math import sqrt
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from agreement.stats.basics.intervals import Interval, t_interval

Floats = npt.NDArray[np.float64]
WEEKS: Final = 28.0  # days that the numbers are for
FEWEST: Final = 10  # athletes
READINGS: Final = 3  # of each of them
SPAN: Final = 21  # days between the first and the last


@dataclass(frozen=True, slots=True)
class Ageing:
    """
    Growth of the error with the days between a reading and the laboratory test, within athletes.

    Attributes
    ----------
    n, n_readings : int
    square : float
        Growth of the squared difference in 28 days. [(mL/kg/min)^2]
    square_interval : Interval
        Indicative: short where the true value wanders.
    drift : float
        Change of the difference in 28 days. [mL/kg/min]
    drift_interval : Interval
    at_once, after : float
        Root mean squared difference on day 0 and day 28. [mL/kg/min]
    """

    n: int
    n_readings: int
    square: float
    square_interval: Interval
    drift: float
    drift_interval: Interval
    at_once: float
    after: float

    def summary(self) -> str:
        """Say it in one sentence."""
        low, high = self.square_interval
        shown = "" if low > 0 or high < 0 else ": not shown"
        return (
            f"Four weeks between reading and test: typical difference {self.after:.1f} instead of "
            f"{self.at_once:.1f} mL/kg/min (added square {self.square:.1f}, {low:.1f} to "
            f"{high:.1f}{shown}). Season, training and firmware move with the gap."
        )


def ageing(difference: npt.ArrayLike, gap_days: npt.ArrayLike, athlete: npt.ArrayLike) -> Ageing:
    """
    Growth of the error with the age of a reading.

    Parameters
    ----------
    difference : array_like, shape (n,)
        Of daily readings before any summary, field minus laboratory. [mL/kg/min]
    gap_days : array_like, shape (n,)
        Laboratory date minus the reading's.
    athlete : array_like, shape (n,)

    Returns
    -------
    Ageing

    Raises
    ------
    ValueError
        When shapes differ, or no gap differs within an athlete.

    Notes
    -----
    Within athletes, each weighing the same: slopes of d and d^2 on the gap about the athlete's mean;
    jackknife by athlete, Student's t on athletes - 1.
    """
    d, gap = (np.asarray(one, dtype=np.float64) for one in (difference, gap_days))
    names = np.asarray(athlete)
    if d.ndim != 1 or d.shape != gap.shape or names.shape != d.shape:
        msg = "`difference`, `gap_days` and `athlete` must be equally long rows"
        raise ValueError(msg)
    codes = np.unique(names, return_inverse=True)[1]
    readings = np.bincount(codes)
    share = 1.0 / readings[codes]
    t = gap - (np.bincount(codes, gap) / readings)[codes]
    squares = np.bincount(codes, share * t**2)
    if not squares.sum() > 0:
        msg = "no gap differs within an athlete"
        raise ValueError(msg)
    (square, square_ends), (drift, drift_ends) = (
        _slope(np.bincount(codes, share * t * y), squares) for y in (d**2, d)
    )
    means = np.bincount(codes, d**2) / readings, np.bincount(codes, gap) / readings
    start = float(means[0].mean()) - square / WEEKS * float(means[1].mean())
    return Ageing(
        readings.size,
        d.size,
        square,
        square_ends,
        drift,
        drift_ends,
        sqrt(max(start, 0.0)),
        sqrt(max(start + square, 0.0)),
    )


def _slope(products: npt.NDArray[Any], squares: npt.NDArray[Any]) -> tuple[float, Interval]:
    """Return the slope in 28 days with its jackknife interval."""
    n = products.size
    value = WEEKS * float(products.sum() / squares.sum())
    left = WEEKS * (products.sum() - products) / (squares.sum() - squares)
    error = sqrt((n - 1) / n * float(((left - left.mean()) ** 2).sum()))
    return value, t_interval(value, error, n - 1)


def admitted(gap_days: npt.ArrayLike, athlete: npt.ArrayLike) -> npt.NDArray[np.bool_]:
    """Return the readings of athletes with enough of them, far enough apart."""
    gap = np.asarray(gap_days, dtype=np.float64)
    codes = np.unique(np.asarray(athlete), return_inverse=True)[1]
    count = np.bincount(codes)
    highest, lowest = np.full(count.size, -np.inf), np.full(count.size, np.inf)
    np.maximum.at(highest, codes, gap)
    np.minimum.at(lowest, codes, gap)
    return np.asarray(((count >= READINGS) & (highest - lowest >= SPAN))[codes])
