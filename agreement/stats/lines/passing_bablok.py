"""Passing-Bablok regression: the structural line between two methods, by ranks of slopes."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from agreement.stats.basics.arrays import ArrayLike
from agreement.stats.basics.intervals import Interval, checked_share, z_of
from agreement.stats.basics.rotated_slopes import (
    LARGEST_SPREAD,
    Whole,
    alike_pairs,
    as_whole_numbers,
    count_inversions,
    kept_slopes,
    slopes_at_ranks,
)
from agreement.stats.limits.limits import checked_pairs
from agreement.stats.lines.passing_bablok_clustered import clustered_intervals
from agreement.stats.method_data import MethodData, NotEstimable
from agreement.stats.record import Analysis, Privacy, declared
from agreement.stats.result import Result, TableRows


@dataclass(frozen=True, slots=True)
class PassingBablok(Result):
    """The line ``y = intercept + slope x`` and its intervals."""

    # n, n_pairs: athletes and pairs
    n: int
    n_pairs: int
    # slope, intercept: [1] and [mL/kg/min]
    slope: float
    intercept: float
    # slope_interval, intercept_interval: by ranks of the slopes, or by cluster bootstrap when
    # `clustered`
    slope_interval: Interval
    intercept_interval: Interval
    n_slopes: int  # slopes behind the median
    confidence_level: float = 0.95
    clustered: bool = False  # whether athletes were resampled because some have several pairs

    def _rows(self) -> TableRows:
        return self.told(
            ("slope", self.slope, self.slope_interval),
            ("intercept", self.intercept, self.intercept_interval),
            note="clustered" if self.clustered else "",
        )

    def _finding(self) -> str:
        low, high = self.slope_interval
        return (
            f"Passing-Bablok: field = {self.intercept:.1f} + {self.slope:.2f} laboratory "
            f"({self.confidence_level:.0%} interval of the slope {low:.2f} to {high:.2f})."
        )


# Ours: no library here has it; n log n in time.
def passing_bablok(
    field: ArrayLike, lab: ArrayLike, *, confidence_level: float = 0.95
) -> PassingBablok:
    r"""
    Passing-Bablok line of field on laboratory: exact with ties, in O(n log n).

    Parameters
    ----------
    field, lab : array_like, shape (n,)
        y and x of the line, one pair per athlete. [mL/kg/min]

    Raises
    ------
    ValueError
        If the shapes differ, a value is missing or infinite, or the two do not rise together
        clearly enough for the method: Kendall's numbers of rising and falling pairs must differ
        by more than C below, as the interval of the slope has no end otherwise.

    Notes
    -----
    The slope is the median of all slopes between two points, shifted by K, the number of slopes
    below -1 [1]_; slopes of -1 are left out, vertical ones count as infinite. Its interval lies
    between ranks (N - C)/2 and N + 1 minus that, C = :math:`z\sqrt{n(n-1)(2n+5)/18}`. The
    intercept is the median of y - slope x, its ends come from the ends of the slope.

    Values are taken as whole multiples of the coarsest power of ten that represents them, at most
    6 decimals (fewer above a spread of 536), so that ties are ties. The variance in C knows
    nothing of ties: with values rounded to whole numbers and few of them, intervals are a little
    wide. See `linearity` for the test of a straight line.

    References
    ----------
    .. [1] Passing H, Bablok W. A new biometrical procedure for testing the equality of measurements
       from two different analytical methods. J Clin Chem Clin Biochem 1983;21:709-720.
    .. [2] Raymaekers J, Dufey F. Equivariant Passing-Bablok regression in quasilinear time.
       arXiv 2202.08060, 2022.

    Examples
    --------
    >>> fit = passing_bablok([42, 45, 51, 54, 57, 64], [40, 44, 48, 52, 56, 60])
    >>> fit.slope
    1.0833333333333333
    """
    y, x = checked_pairs(field, lab)
    wide = z_of(checked_share("confidence_level", confidence_level))
    whole_x, whole_y, _ = as_whole_numbers(x, y)
    n = len(x)
    spread = wide * np.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    _check_that_both_rise(whole_x, whole_y, spread)
    n_slopes = kept_slopes(whole_x, whole_y)
    first = round((n_slopes - spread) / 2)  # halves to even
    if first < 1:
        raise ValueError(
            f"{n} pairs with {n_slopes} slopes are too few for an interval of the slope."
        )
    ranks = [first, (n_slopes + 1) // 2, n_slopes // 2 + 1, n_slopes - first + 1]
    low, middle, next_middle, high = slopes_at_ranks(whole_x, whole_y, ranks).tolist()
    if not np.isfinite(high):
        raise ValueError("too many pairs share one laboratory value: the slope has no upper bound.")
    slope = middle if middle == next_middle else (middle + next_middle) / 2
    return PassingBablok(
        n,
        n,
        slope,
        float(np.median(y - slope * x)),
        Interval(low, high),
        Interval(float(np.median(y - high * x)), float(np.median(y - low * x))),
        n_slopes,
        confidence_level,
    )


def passing_bablok_of(data: MethodData) -> PassingBablok:
    """
    Passing-Bablok line of field on laboratory.

    With several pairs of an athlete the intervals are percentiles of a bootstrap over athletes.

    Raises NotEstimable when the pairs do not give a line.
    """
    try:
        fit = passing_bablok(data.field, data.lab)
    except ValueError as error:
        raise NotEstimable(str(error)) from error
    if not data.clustered:
        return fit
    slope, intercept = clustered_intervals(
        data.field, data.lab, data.athlete, slope=fit.slope, rng=data.seed
    )
    return PassingBablok(
        data.n, fit.n_pairs, fit.slope, fit.intercept, slope, intercept, fit.n_slopes, 0.95, True
    )


def _check_that_both_rise(x: Whole, y: Whole, least: float) -> None:
    """Kendall's test at the level of the interval."""
    both = (x - x.min()) * 2 * LARGEST_SPREAD + (y - y.min())
    order = np.argsort(both)
    falling = count_inversions(np.argsort(y[order], kind="stable"))
    n = len(x)
    rising = n * (n - 1) // 2 - alike_pairs(x) - alike_pairs(y) + alike_pairs(both) - falling
    if rising - falling <= least:
        raise ValueError(
            f"the field does not clearly rise with the laboratory: of the pairs of points {_of(rising, 'rise')} "
            f"and {_of(falling, 'fall')}, and the difference must pass {least:.0f}."
        )


def _of(number: int, verb: str) -> str:
    return f"{number} {verb}s" if number == 1 else f"{number} {verb}"


RECORD: Final = Analysis(
    name="passing_bablok",
    place=70,
    label="line by ranks of pairwise slopes",
    statistics=declared("""
        slope [1]: Passing-Bablok slope, field on laboratory
          Change of the field value for each mL/kg/min of the laboratory's, outliers harmless.
          = shifted median of all pairwise slopes | Passing & Bablok 1983
        intercept: Passing-Bablok intercept, field on laboratory
          Field value that the line gives for a laboratory value of zero.
        """),
    privacy=Privacy.WHOLE,
    compute=passing_bablok_of,
    own_section=True,
)
