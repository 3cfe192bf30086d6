"""Limits of agreement without a normal distribution: quantiles of the differences themselves."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy

from agreement.arrays import DECIMALS, ArrayLike, Floats
from agreement.stats.basics.intervals import Interval
from agreement.stats.limits.limits_of_agreement import LOWER, UPPER
from agreement.stats.record import computed_as, declared, recorded
from agreement.stats.result import Result, TableRows

_SHARES: Final = ((1.0 - 0.95) / 2.0, 0.5, (1.0 + 0.95) / 2.0)
_FEWEST: Final = 39  # of fewer athletes the outer quantiles would lie outside the data


@dataclass(frozen=True, slots=True)
class QuantileLimits(Result):
    """Quantiles (type 6) of the differences, field minus laboratory. [mL/kg/min]."""

    # n, n_pairs: athletes and pairs
    n: int
    n_pairs: int
    # lower, median, upper: limits that hold 95 % of differences, and the median difference
    lower: float
    median: float
    upper: float
    # of these three, distribution-free, 95 %; None where there is none
    intervals: tuple[Interval | None, ...]

    def _rows(self) -> TableRows:
        names, values = (
            ("lower_limit", "median", "upper_limit"),
            (self.lower, self.median, self.upper),
        )
        for name, value, ends in zip(names, values, self.intervals, strict=True):
            note = "" if ends else f"no 95 % interval exists for {self.n} athletes"
            if self.n_pairs > self.n:
                note = "clustered; no interval where pairs repeat"
            yield self.row(name, value, ends, note)

    def _finding(self) -> str:
        return (
            f"95 % of {self.n_pairs} differences lie between {self.lower:.1f} and {self.upper:.1f} "
            "mL/kg/min, whatever their distribution."
        )


def quantile_limits(difference: ArrayLike, n: int | None = None) -> QuantileLimits:
    """
    Limits of agreement as quantiles of the differences.

    difference: shape (n_pairs,). [mL/kg/min]
    n: athletes; where they have several pairs there is no interval. None: one pair each.
    Raises ValueError for missing values, or for fewer than 39, of which the quantiles would not lie
        inside the data.

    A distribution-free 95 % interval needs 146 athletes (binomial ranks); below, there is none. Whole
    ranks make it wide: of 200 athletes it holds the truth in 98 % of studies (measured).
    """
    ordered: Floats = np.sort(np.round(np.asarray(difference, dtype=np.float64), DECIMALS))
    if not np.isfinite(ordered).all():
        raise ValueError("differences hold missing or infinite values; leave them out")
    if ordered.size < _FEWEST:
        raise ValueError(
            f"quantile limits need {_FEWEST} athletes; got {ordered.size}, and the quantiles would "
            "lie outside the data"
        )
    lower, median, upper = np.quantile(ordered, _SHARES, method="weibull").tolist()
    ends = tuple(_interval(ordered, p) if n in (None, ordered.size) else None for p in _SHARES)
    return QuantileLimits(n or ordered.size, ordered.size, lower, median, upper, ends)


def _interval(ordered: Floats, p: float) -> Interval | None:
    """Return the values between which a quantile lies, by the ranks; None where they are missing."""
    n, tail = ordered.size, _SHARES[0]
    rank = int(scipy.stats.binom.ppf(tail, n, p))  # the first at which the tail is reached
    below = rank + int(scipy.stats.binom.cdf(rank, n, p) <= tail)
    above = int(scipy.stats.binom.ppf(1.0 - tail, n, p)) + 1
    if below < 1 or above > n:
        return None
    return Interval(float(ordered[below - 1]), float(ordered[above - 1]))


_MEDIAN: Final = declared("""
    median from 50: median difference
      Half of the differences lie below it.
      = quantiles of d; intervals from the ranks | Bland & Altman 1999
    """)[0]
# of 500 five lie beyond either end of the interval (binomial ranks)
_LOWER, _UPPER = computed_as((LOWER, UPPER), _MEDIAN.formula, _MEDIAN.source, shown_from=500)
RECORD: Final = recorded(
    "quantile_limits, place 300, whole, own section: limits without a normal distribution",
    *(_LOWER, _MEDIAN, _UPPER),
).by(
    lambda data: quantile_limits(data.difference, data.n),
    of_registry=("lower_limit", "median", "upper_limit"),
)
