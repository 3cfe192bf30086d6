"""
How likely a study shows that both limits lie inside a margin, and how many athletes that takes.

The published form of the power is a lower bound where the bias is near 0 (at bias 0 and a margin of
3 SD it asks for 43 athletes where 40 would do). It is kept: it reproduces the printed sample sizes
and errs on the safe side.
"""

from collections.abc import Callable
from functools import lru_cache
from typing import Any, Final, Literal

import numpy as np
from scipy import special

from agreement.stats.basics.arrays import Floats
from agreement.stats.basics.intervals import checked_share, z_of
from agreement.stats.basics.tolerance import LARGE, approximate_factors, limit_factors

Bound = Literal["exact", "approximate"]

MOST_PLANNED = LARGE  # athletes; no study of this kind is larger

_SURE: Final = -10.0  # a noncentral t of this centre lies below any bound above 0: 1 - 1e-23


def power_of_verdict(
    n: int,
    bias: float,
    sd: float,
    margin: float,
    *,
    coverage: float = 0.95,
    confidence_level: float = 0.95,
    bound: Bound = "exact",
) -> float:
    r"""
    Probability that the outer ends of both limits' intervals lie inside -/+ margin.

    n: athletes, 3 or more.
    bias, sd: True mean and standard deviation of the differences. [mL/kg/min]
    margin: agreed beforehand, above 0. [mL/kg/min]
    bound: {"exact", "approximate"}. Whether the intervals are exact or those of 1999; the second
        reproduces printed sizes.
    Raises ValueError with fewer than 3 athletes or a spread or margin that is not above 0.

    With c the factor of the outer end, :math:`P = Q(c\sqrt n; \sqrt n (D-\mu)/\sigma) +
    Q(c\sqrt n; \sqrt n (D+\mu)/\sigma) - 1`, Q the upper tail of noncentral t on n - 1 degrees of
    freedom; below 0 it is given as 0. A lower bound: the two limits hold with probabilities Q, and
    the sum less 1 is the probability of both only where in every study at least one holds. That is
    so for a bias of half the spread or more; at a bias of 0 the bound is 0.05 below the power
    where that is 0.8, and falls to 0.05 where it is 0.4 (`simulated_power` has no such slack). It
    reproduces the printed n = 83 [1]_; the paper's own equations coded literally give 79.

    .. [1] Lu MJ et al. Sample size for assessing agreement between two methods of measurement by
       Bland-Altman method. Int J Biostat 2016;12(2).
    """
    if n < 3 or sd <= 0.0 or margin <= 0.0:
        raise ValueError(
            f"power needs n >= 3, sd > 0 and margin > 0; got {n}, {sd:g} and {margin:g}"
        )
    settings = {"coverage": coverage, "confidence_level": confidence_level}
    return float(powers(n, np.float64(bias), np.float64(sd), margin, **settings, bound=bound))


def powers(
    n: int,
    bias: Floats | np.float64,
    sd: Floats | np.float64,
    margin: float,
    *,
    coverage: float = 0.95,
    confidence_level: float = 0.95,
    bound: Bound = "exact",
) -> Floats:
    """Return the power of `power_of_verdict` for many a bias and SD at once; nothing is checked."""
    factors = limit_factors if bound == "exact" else approximate_factors
    root = float(np.sqrt(n))
    cut = factors(n, coverage, confidence_level)[1] * root
    off = root * (margin + np.multiply.outer((-1.0, 1.0), bias)) / sd
    below = special.nctdtr(n - 1, off, cut)
    below = np.where(np.isnan(below) & (off < _SURE), 1.0, below)  # lost there by some versions
    return np.asarray(np.maximum(0.0, 1.0 - below.sum(axis=0)))


@lru_cache(maxsize=1024)
def athletes_needed(
    bias: float,
    sd: float,
    margin: float,
    *,
    power: float = 0.80,
    coverage: float = 0.95,
    confidence_level: float = 0.95,
    bound: Bound = "exact",
) -> int | None:
    """
    Smallest number of athletes that reaches the power; None when no number would do.

    bias, sd, margin, coverage, confidence_level, bound: as in `power_of_verdict`.

    No number would do when |bias| + z sd reaches the margin; above 100 000 athletes the answer is
    given as none, too.
    """
    checked_share("power", power)
    if abs(bias) + z_of(coverage) * sd >= margin:
        return None
    settings: dict[str, Any] = {"coverage": coverage, "confidence_level": confidence_level}

    def enough(n: int) -> bool:
        return power_of_verdict(n, bias, sd, margin, **settings, bound=bound) >= power

    return smallest_number(enough)


def smallest_number(
    enough: Callable[[int], bool], *, above: int = 2, most: int = LARGE
) -> int | None:
    """Return the smallest number above one that is enough, up to `most`; None beyond."""
    low, high = above, min(2 * above, most)
    while not enough(high):
        if high == most:
            return None
        low, high = high, min(2 * high, most)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high
