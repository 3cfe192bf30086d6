"""How much the field follows the athlete's true value: the slope net of the laboratory's noise."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isinf, nan, sqrt
from typing import Final, NamedTuple

import numpy as np
from scipy import special

from agreement.arrays import ArrayLike, Floats, Ints
from agreement.stats.basics.clusters import clusters
from agreement.stats.basics.intervals import Interval, interval_of_difference, t_interval, t_p_value
from agreement.stats.basics.least_squares import moments, products
from agreement.stats.basics.replicates import jackknife_error
from agreement.stats.limits.limits import checked_pairs
from agreement.stats.method_data import (
    NOT_ESTIMABLE,
    MethodData,
    NotEstimable,
    once,
    require_enough,
)
from agreement.stats.record import recorded
from agreement.stats.repeats.laboratory_variance import (
    LaboratoryVariance,
    lab_tests_behind,
    laboratory_or_unknown,
)
from agreement.stats.result import Result, Row, TableRows
from agreement.terms import UNBOUNDED

OF_SLOPE: Final = ("slope", "reliability", "p_slope_one", "p_slope_zero")
OF_NOISE: Final = ("lean_from_noise", "error_ratio", "sem_for_slope_one")
_TAIL: Final = 0.025


class Variances(NamedTuple):
    """Variances of laboratory and field, their covariance, and the laboratory's noise in the first."""

    lab: float
    field: float
    both: float
    noise: float


@dataclass(frozen=True, slots=True)
class StructuralSlope(Result):
    """Slope of the field value on the athlete's true value."""

    n: int
    n_pairs: int
    slope: float  # NaN where the laboratory's noise is unknown or explains all of its spread
    interval: Interval  # an end is NaN where the data set no bound
    intercept: float  # [mL/kg/min]
    intercept_interval: Interval  # from the slope's and that of the mean (MOVER)
    standard_error: float  # of the slope, the reliability taken as known
    reliability: float  # share of the laboratory's variance that is the athletes'
    reliability_interval: Interval
    # p_one, p_zero: of a slope of 1 and of 0; both need no bound
    p_one: float
    p_zero: float
    laboratory: LaboratoryVariance
    moments: Variances
    lean_from_noise: (
        float  # slope of differences on the mean of both that unequal noise alone makes
    )
    error_ratio: float  # of error variances, at which a Deming line is this one
    sem_for_slope_one: float  # laboratory error that would by itself make the slope 1. [mL/kg/min]
    unknown: str = ""  # why the laboratory's noise is not known; empty where it is

    @property
    def bounded(self) -> bool:
        """Whether both ends of the interval exist."""
        return not any(np.isnan(self.interval))

    @property
    def excludes_one(self) -> bool:
        """Whether the interval is known to lie on one side of 1: proportional bias."""
        return bool(self.interval.low > 1.0 or self.interval.high < 1.0)

    @property
    def excludes_zero(self) -> bool:
        """Whether the field was shown to follow the laboratory at all."""
        return bool(self.moments.both > 0.0 and self.p_zero < 2 * _TAIL)

    def slope_rows(self, names: Sequence[str] = OF_SLOPE) -> list[Row]:
        """Return slope, reliability and the p values of a slope of 1 and 0 under these names."""
        known = self.unknown or self.laboratory.note
        slope = "; ".join(([] if self.bounded else [UNBOUNDED]) + [known] * bool(known))
        if np.isnan(self.slope):
            all_noise = f"{NOT_ESTIMABLE}: the laboratory's noise explains all of its spread"
            slope = self.unknown or all_noise
        rows = self.told(
            (names[0], self.slope, self.interval, slope),
            (names[1], self.reliability, self.reliability_interval, known),
            (names[2], self.p_one, None, known),
            (names[3], self.p_zero),
        )
        return list(rows)

    def _rows(self) -> TableRows:
        *noise, sem = ((name, getattr(self, name), None) for name in OF_NOISE)
        of_noise = self.told(*((*one, self.unknown) for one in noise), sem)
        return [*self.slope_rows(), *of_noise]

    def _finding(self) -> str:
        low, high = self.interval
        if self.bounded:
            return (
                f"Per 10 mL/kg/min of true fitness the field value rises by {10 * self.slope:.1f} "
                f"({10 * low:.1f} to {10 * high:.1f})."
            )
        if np.isnan(low):
            return "The data do not say how much the field value follows true fitness."
        return (
            f"Per 10 mL/kg/min of true fitness the field value rises by at least {10 * low:.1f}; "
            "the data set no upper bound."
        )


def structural_slope(
    field: ArrayLike,
    lab: ArrayLike,
    laboratory: LaboratoryVariance,
    *,
    athlete: ArrayLike | None = None,
    noise_shares: ArrayLike | None = None,
) -> StructuralSlope:
    r"""
    Slope of the field on the true value, the laboratory's noise taken out.

    field, lab: shape (N,). Values, or changes between two visits. [mL/kg/min]
    laboratory: of one test; `UNKNOWN`: only the test of a slope of 0 and the error that would make
        it 1 are given.
    athlete: shape (N,). Default: one row each.
    noise_shares: shape (N,). How many times the laboratory's variance is in each laboratory value:
        1/(tests averaged), the sum of both visits' for a change. Default: 1.
    Raises ValueError if shapes differ, a value is missing, there are fewer than 3 athletes, or all
        laboratory values are equal.

    :math:`b = b_{ols} / \lambda`, :math:`\lambda = 1 - c v / S_L^2` the reliability [1]_; the
    interval is recovered from those of both (MOVER-R [2]_). Where the reliability may be 0 it has
    no upper end: a large number in its place would promise what nobody knows. The test of a slope
    of 1 compares moments and is always there.

    .. [1] Fuller WA. Measurement error models. Wiley 1987 (memory).
    .. [2] Donner A, Zou GY. Closed-form confidence intervals for functions of the normal mean and
       standard deviation. Stat Methods Med Res 2012;21:347-359 (memory).

    >>> lab = [40.0, 44.0, 47.0, 50.0, 53.0, 55.0, 60.0]
    >>> found = structural_slope([0.9 * x + 5.0 for x in lab], lab, LaboratoryVariance(4.0, 30))
    >>> round(found.reliability, 3), round(found.slope, 3)
    (0.914, 0.985)
    """
    y, x = checked_pairs(field, lab)
    grouped = clusters(x, np.arange(x.size) if athlete is None else athlete)
    n, codes, df = grouped.n, grouped.codes, x.size - 1
    shares = np.ones(x.size) if noise_shares is None else np.asarray(noise_shares, np.float64)
    dx, dy = x - x.mean(), y - y.mean()
    sxx = float(dx @ dx)
    if n < 3 or sxx <= 0.0:
        raise ValueError(f"a slope needs laboratory values that differ and 3 athletes; got {n}")
    ols = float(dx @ dy) / sxx
    error = _error(dx, dy, ols, codes, n)
    share = float(shares.mean())
    noise = share * laboratory.variance * df / sxx
    tails = (_TAIL, 1.0 - _TAIL)
    if isinf(laboratory.df):
        quantiles = [(n - 1) / float(special.chdtri(n - 1, tail)) for tail in tails]
    else:
        quantiles = [float(special.fdtri(laboratory.df, n - 1, tail)) for tail in tails]
    ends = Interval(*(1.0 - noise / quantile for quantile in quantiles))
    v = Variances(sxx / df, float(dy @ dy) / df, float(dx @ dy) / df, share * laboratory.variance)
    reliability, of_ols = 1.0 - noise, t_interval(ols, error, n - 2)
    slope = ols / reliability if reliability > 0.0 else nan
    interval, middle = _ratio_interval(ols, of_ols, reliability, ends), float(x.mean())
    at_mean = np.bincount(codes, dy - slope * dx) / grouped.sizes
    level = t_interval(float(y.mean()), float(at_mean.std(ddof=1)) / sqrt(n), n - 1)
    rise = Interval(*sorted(middle * end for end in interval)) if middle else Interval(0.0, 0.0)
    own = max(v.field - slope * v.both, 0.0)  # variance of the field's own error about the line
    spread = v.lab - v.noise + (own + v.noise) / 4.0
    return StructuralSlope(
        n,
        x.size,
        slope,
        interval,
        float(y.mean()) - slope * middle,
        interval_of_difference(float(y.mean()), level, slope * middle, rise),
        error / reliability if reliability > 0.0 else nan,
        reliability,
        ends,
        _p_of_one(dx, dy, codes, shares, laboratory),
        t_p_value(ols / error, n - 2) if error > 0.0 else 0.0,
        laboratory,
        v,
        (own - v.noise) / (2.0 * spread) if spread > 0.0 else nan,
        own / v.noise if v.noise > 0.0 else nan,
        sqrt(max(v.lab - v.both, 0.0) / share),
    )


@once
def structural_of(data: MethodData) -> StructuralSlope:
    """Structural slope of one method and mode, for the results table."""
    require_enough(data.n)
    laboratory, unknown = laboratory_or_unknown(data)
    told = {"athlete": data.athlete, "noise_shares": 1.0 / lab_tests_behind(data)}
    try:
        found = structural_slope(data.field, data.lab, laboratory, **told)
    except ValueError as error:
        raise NotEstimable(f"{error}.") from error
    return replace(found, unknown=unknown)


def _error(dx: Floats, dy: Floats, ols: float, codes: Ints, n: int) -> float:
    """Return the error of the least-squares slope; by the jackknife where pairs repeat."""
    if n == dx.size:
        residual = dy - ols * dx
        return sqrt(float(residual @ residual) / (n - 2) / float(dx @ dx))
    sums = np.stack([np.bincount(codes, column) for column in products(dx, dy).T], axis=1)
    left_out = moments(sums.sum(axis=0) - sums)
    with np.errstate(divide="ignore", invalid="ignore"):
        return float(jackknife_error(left_out.xy / left_out.xx))


def _p_of_one(
    dx: Floats, dy: Floats, codes: Ints, shares: Floats, laboratory: LaboratoryVariance
) -> float:
    """P value of a slope of 1: the moments of field and true value compared, by athlete."""
    n = int(codes.max()) + 1
    noise = laboratory.variance * (1.0 - 1.0 / dx.size) * shares
    differs = np.bincount(codes, dx * dy - (dx * dx - noise))
    variance = float(differs.var(ddof=1)) / n + 2.0 * (float(noise.sum()) / n) ** 2 / laboratory.df
    if variance <= 0.0:
        return float(differs.mean() == 0.0)
    return t_p_value(float(differs.mean()) / sqrt(variance), n - 2)


def _ratio_interval(top: float, of_top: Interval, bottom: float, of_bottom: Interval) -> Interval:
    """Interval of top / bottom recovered from theirs; an end that does not exist is NaN."""
    if top < 0.0:
        high, low = _ratio_interval(-top, Interval(-of_top.high, -of_top.low), bottom, of_bottom)
        return Interval(-low, -high)
    (l1, u1), (l2, u2) = of_top, of_bottom
    product, low, high = top * bottom, nan, nan
    if bottom <= 0.0:
        return Interval(nan, nan)
    if l1 >= 0.0:
        root = sqrt(max(product**2 - l1 * u2 * (2 * top - l1) * (2 * bottom - u2), 0.0))
        low = l1 * (2 * top - l1) / (product + root)
    if l2 > 0.0:
        below = l2 * (2 * bottom - l2)
        high = (product + sqrt(max(product**2 - u1 * (2 * top - u1) * below, 0.0))) / below
        if l1 < 0.0:
            low = (product - sqrt(max(product**2 - l1 * (2 * top - l1) * below, 0.0))) / below
    return Interval(low, high)


RECORD: Final = recorded("""
    structural, place 405, whole: the field value against true fitness
    slope [1]: field value per unit of true fitness
      How much the field value rises when true fitness rises by one, the laboratory's noise taken
      out.
      = least-squares slope over the laboratory's reliability; interval by MOVER-R | Fuller 1987;
      Donner & Zou 2012
    reliability [1]: reliability of the laboratory
      Share of the spread of laboratory values that is the athletes', not noise.
      = 1 less the laboratory's variance over that of its values; F interval | Fuller 1987
    p_slope_one [p]: p of a slope of 1
      How often chance alone would take the slope this far from 1.
      = moments of field and true value compared, athlete by athlete | Fuller 1987
    p_slope_zero [p]: p of a slope of 0
      How often chance alone would take the slope this far from 0.
      = t test of the least-squares slope | textbook
    lean_from_noise [p]: lean of the differences from noise alone
      Slope of the differences on fitness that unequal noise of both makes by itself.
      = field's own error variance less the laboratory's, over twice the variance of the mean of both
    error_ratio [1]: ratio of error variances
      Field's own error variance over the laboratory's, lasting errors included.
      = what the structural slope leaves unexplained, over the laboratory's noise | Fuller 1987
    sem_for_slope_one: laboratory error that would make the slope 1
      A laboratory error of this size would by itself make the slope 1.
      = root of the variance of laboratory values less their covariance with the field, for one test
    """).by(structural_of)
