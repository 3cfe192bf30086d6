"""The interval as a thing of its own, and the closed forms that several analyses share."""

from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
from scipy import special

SIGNIFICANT: Final = 0.05  # p below which a difference counts as shown


class Interval(NamedTuple):
    """Lower and upper end; infinite ends mean that the data give no bound."""

    low: float
    high: float

    def contains(self, value: float) -> bool:
        """Return whether `value` lies inside, ends included."""
        return self.low <= value <= self.high


def checked_share(name: str, value: float) -> float:
    """Return `value` if it is a share strictly between 0 and 1, else say which argument is wrong."""
    if not 0.0 < value < 1.0:
        raise ValueError(f"`{name}` must be in (0, 1); got {value:g}")
    return float(value)


def z_of(coverage: float) -> float:
    """Two-sided normal quantile of `coverage`: 1.96 for 0.95, to full precision."""
    return float(special.ndtri((1.0 + checked_share("coverage", coverage)) / 2.0))


def t_interval(
    estimate: float, standard_error: float, df: float, confidence_level: float = 0.95
) -> Interval:
    """Two-sided Student interval of an estimate with its standard error."""
    share = (1.0 + checked_share("confidence_level", confidence_level)) / 2.0
    half = float(special.stdtrit(df, share)) * standard_error
    return Interval(estimate - half, estimate + half)


def t_p_value(t: float, df: float) -> float:
    """Two-sided p value of Student's t."""
    return float(2.0 * special.stdtr(df, -abs(t)))


def sd_interval(sd: float, df: float, confidence_level: float = 0.95) -> Interval:
    """Chi-square interval of a standard deviation on `df` degrees of freedom."""
    tail = (1.0 - checked_share("confidence_level", confidence_level)) / 2.0
    upper, lower = special.chdtri(df, tail), special.chdtri(df, 1.0 - tail)
    return Interval(sd * float(np.sqrt(df / upper)), sd * float(np.sqrt(df / lower)))


def correlation_interval(r: float, n: int, confidence_level: float = 0.95) -> Interval:
    """Fisher's z interval of a correlation; (-1, 1) below 4 athletes, where it has none."""
    checked_share("confidence_level", confidence_level)
    if n < 4:
        return Interval(-1.0, 1.0)
    if abs(r) >= 1.0:
        return Interval(r, r)
    half = z_of(confidence_level) / np.sqrt(n - 3.0)
    z = np.arctanh(r)
    return Interval(float(np.tanh(z - half)), float(np.tanh(z + half)))


def squared_correlation_interval(r: float, n: int) -> Interval:
    """Interval of the share of a spread that goes with something, from that of the correlation."""
    low, high = correlation_interval(r, n)
    least = 0.0 if low <= 0 <= high else min(low**2, high**2)
    return Interval(least, max(low**2, high**2))


def said_p(p: float) -> str:
    """Say a p value: "p = 0.046", or "p < 0.001"; one that is not a number is not known."""
    if np.isnan(p):
        return "p not known"
    return "p < 0.001" if p < 0.001 else f"p = {p:.3f}"


class VariancePart(NamedTuple):
    """One variance as it enters the sum, with its degrees of freedom."""

    variance: float
    df: int


# Ours: no library here has MOVER.
@lru_cache(maxsize=256)
def variance_interval(
    components: tuple[VariancePart, ...], confidence_level: float = 0.95
) -> Interval:
    """
    MOVER interval of the sum of independent variances; the lower end may be below 0.

    .. [1] Zou GY. Confidence interval estimation for the Bland-Altman limits of agreement with
       multiple observations per individual. Stat Methods Med Res 2013;22:630-642.
    """
    tail = (1.0 - checked_share("confidence_level", confidence_level)) / 2.0
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
    components: tuple[VariancePart, ...],
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
