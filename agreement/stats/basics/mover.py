"""
MOVER: intervals of a sum of variances, and of limits, recovered from those of the parts.

References
----------
.. [1] Zou GY. Confidence interval estimation for the Bland-Altman limits of agreement with multiple
   observations per individual. Stat Methods Med Res 2013;22:630-642.
"""

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from scipy import special

from agreement.stats.basics.intervals import Interval, checked_share, z_of


class Component(NamedTuple):
    """One variance as it enters the sum, with its degrees of freedom."""

    variance: float
    df: int


# Ours: no library here has MOVER.
def variance_interval(components: Sequence[Component], confidence_level: float = 0.95) -> Interval:
    """Interval of the sum of independent variance components; the lower end may be below 0."""
    return _variance_interval(
        tuple(components), checked_share("confidence_level", confidence_level)
    )


@lru_cache(maxsize=256)
def _variance_interval(components: tuple[Component, ...], confidence_level: float) -> Interval:
    tail = (1.0 - confidence_level) / 2.0
    v = np.array([c.variance for c in components])
    df = np.array([c.df for c in components], dtype=np.float64)
    below = v * (1.0 - df / special.chdtri(df, tail))
    above = v * (df / special.chdtri(df, 1.0 - tail) - 1.0)
    total = float(v.sum())
    return Interval(total - float(np.hypot.reduce(below)), total + float(np.hypot.reduce(above)))


def interval_of_difference(
    first: float, of_first: Interval, second: float, of_second: Interval
) -> Interval:
    """Interval of first minus second, two independent estimates with intervals of their own."""
    difference = first - second
    below = np.hypot(first - of_first.low, of_second.high - second)
    above = np.hypot(of_first.high - first, second - of_second.low)
    return Interval(difference - float(below), difference + float(above))


def mover_half_widths(
    components: Sequence[Component],
    variance_of_bias: float,
    coverage: float,
    confidence_level: float = 0.95,
) -> tuple[float, float]:
    """Distance from a limit to the inner and to the outer end of its interval."""
    total = float(np.sqrt(sum(c.variance for c in components)))
    low, high = variance_interval(components, confidence_level)
    of_bias = z_of(confidence_level) * float(np.sqrt(variance_of_bias))
    z = z_of(coverage)
    inner = float(np.hypot(of_bias, z * (total - np.sqrt(max(low, 0.0)))))
    return inner, float(np.hypot(of_bias, z * (np.sqrt(high) - total)))
