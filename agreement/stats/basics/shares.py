"""The share of athletes within a margin, and the margin that a share stays within."""

from dataclasses import dataclass

import numpy as np
import scipy
from scipy import special

from agreement.arrays import ArrayLike
from agreement.stats.basics.intervals import Interval, checked_share, z_of


@dataclass(frozen=True, slots=True)
class TotalDeviationIndex:
    """The difference that a given share of athletes stays within. [mL/kg/min]."""

    share: float
    value: float  # normal approximation from the mean squared difference
    upper_bound: float  # of `value`, one-sided 95 %
    # bias larger than the spread, or a share above 0.95 with fewer than 30 athletes: the
    # approximation does not hold well
    doubtful: bool


def wilson_interval(k: int, n: int, confidence_level: float = 0.95) -> Interval:
    """
    Wilson's interval of a proportion k / n.

    .. [1] Newcombe RG. Two-sided confidence intervals for the single proportion. Stat Med
       1998;17:857-872.
    """
    if not 0 <= k <= n or n < 1:
        raise ValueError(f"a share needs 0 <= k <= n and n of 1 or more; got k = {k}, n = {n}")
    level = checked_share("confidence_level", confidence_level)
    found = scipy.stats.binomtest(int(k), int(n)).proportion_ci(level, method="wilson")
    return Interval(float(found.low), float(found.high))


def total_deviation_index(difference: ArrayLike, share: float = 0.90) -> TotalDeviationIndex:
    """
    Margin that `share` of athletes stays within.

    difference: shape (n,). Field minus laboratory. [mL/kg/min]
    Raises ValueError with fewer than 3 differences or missing values.

    .. [1] Lin LI. Total deviation index for measuring individual agreement. Stat Med
       2000;19:255-270.
    """
    checked_share("share", share)
    d = np.asarray(difference, dtype=np.float64)
    if d.size < 3 or not np.isfinite(d).all():
        raise ValueError(f"the index needs 3 or more finite differences; got {d.size}")
    n, bias, sd = d.size, float(d.mean()), float(d.std(ddof=1))
    msd = float(d @ d) / (n - 1)
    value = z_of(share) * float(np.sqrt(msd))
    if sd == 0.0:
        return TotalDeviationIndex(share, value, value, doubtful=bias != 0.0)
    log_se = np.sqrt(2.0 / (n - 2.0) * max(0.0, 1.0 - bias**4 / msd**2))
    bound = value * float(np.exp(special.ndtri(0.95) * log_se / 2.0))
    doubtful = abs(bias) > sd or (share > 0.95 and n < 30)
    return TotalDeviationIndex(share, value, bound, doubtful)
