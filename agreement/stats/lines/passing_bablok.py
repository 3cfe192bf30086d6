"""Passing-Bablok regression: the structural line between two methods, by ranks of slopes."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from agreement.arrays import ArrayLike, Floats, Ints, Seed
from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.basics.intervals import Interval, checked_share, z_of
from agreement.stats.basics.replicates import FEW_ATHLETES, ResampledInterval, failed_in_words
from agreement.stats.basics.rotated_slopes import (
    LARGEST_SPREAD,
    alike_pairs,
    as_whole_numbers,
    count_inversions,
    kept_slopes,
    rotated_slopes,
    slopes_at_ranks,
)
from agreement.stats.limits.limits import checked_pairs
from agreement.stats.method_data import TOO_FEW, MethodData
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows

LINE_RESAMPLES: Final = 1999
MOST_ROWS_RESAMPLED: Final = 300  # 45 000 slopes, weighed again in every resample
PARTNERS: Final = 500  # of each point, to estimate how often its slopes are above the line's
_CHUNK: Final = 1 << 19
_BLOCK: Final = 32  # rows counted at once


def clustered_intervals(
    y: Floats, x: Floats, athlete: Ints, *, slope: float, rng: Seed = None
) -> tuple[Interval, Interval]:
    """
    Intervals of slope and intercept that respect which pairs belong to one athlete.

    y, x: shape (n_pairs,). Field and laboratory.
    athlete: shape (n_pairs,). Integers 0 ... G - 1.
    slope: of the line.
    Returns none below 15 athletes. Up to 300 pairs percentiles of a bootstrap over athletes.
        Above, where that is slow and normal theory good, the ranks of the slopes as in the plain
        interval, with the variance of the count of rising over falling pairs taken between athletes
        (a U statistic's projection).
    """
    if int(athlete.max()) + 1 < FEW_ATHLETES:
        return ResampledInterval.saying(TOO_FEW), ResampledInterval.saying(TOO_FEW)
    if len(x) > MOST_ROWS_RESAMPLED:
        return _projected(x, y, athlete, slope, z_of(0.95), np.random.default_rng(rng))
    drawn = cluster_resampling(athlete, n_resamples=LINE_RESAMPLES, rng=rng)
    tails = np.array([1 - 0.95, 1 + 0.95]) / 2
    slopes, intercepts = weighted_lines(x, y, drawn.counts[:, athlete])
    fine = np.isfinite(slopes) & np.isfinite(intercepts)
    said = failed_in_words(int((~fine).sum()), LINE_RESAMPLES)
    of_slope, of_intercept = (
        ResampledInterval.saying(said, *np.quantile(values[fine], tails))
        for values in (slopes, intercepts)
    )
    return of_slope, of_intercept


def weighted_lines(x: Floats, y: Floats, weights: Ints) -> tuple[Floats, Floats]:
    """
    Slope and intercept when each point stands as often as its weight says.

    x, y: shape (n,).
    weights: shape (R, n).
    Returns slopes, intercepts: shape (R,)
    """
    whole_x, whole_y, _ = as_whole_numbers(x, y)
    i, j = np.triu_indices(len(x), 1)
    at, slopes = rotated_slopes(whole_x[j] - whole_x[i], whole_y[j] - whole_y[i])
    i, j = i[at], j[at]
    size = max(16, _CHUNK // len(slopes))
    line = np.empty(len(weights))
    for start in range(0, len(weights), size):
        part = np.ascontiguousarray(weights[start : start + size].T, dtype=np.int32)
        often = part[i]
        often *= part[j]
        line[start : start + size] = _weighted_median(slopes[:, None], often)
    with np.errstate(invalid="ignore"):  # a resample of few points may have no finite slope
        residual = (y - line[:, None] * x).T
    order = np.argsort(residual, axis=0)
    often = np.take_along_axis(weights.T.astype(np.int32), order, axis=0)
    return line, _weighted_median(np.take_along_axis(residual, order, axis=0), often)


def _weighted_median(values: Floats, often: npt.NDArray[np.int32]) -> Floats:
    """
    Median of each column of `values`, sorted, each standing so often; both of shape (n, R).

    Whole blocks of rows are counted first: only the block that holds the middle is looked into.
    """
    n, columns = len(often), np.arange(often.shape[1])
    edges = np.arange(0, n, _BLOCK)
    blocks = np.stack([often[k : k + _BLOCK].sum(axis=0, dtype=np.int32) for k in edges])
    below = np.cumsum(blocks, axis=0)
    total, found = below[-1], []
    for rank in ((total + 1) // 2, total // 2 + 1):
        block = np.minimum((below < rank).sum(axis=0), len(edges) - 1)
        rows = np.minimum(block * _BLOCK + np.arange(_BLOCK)[:, None], n - 1)
        inside = np.cumsum(often[rows, columns], axis=0) + (below - blocks)[block, columns]
        row = np.minimum(block * _BLOCK + (inside < rank).sum(axis=0), n - 1)
        found.append(values[row, columns if values.shape[1] > 1 else 0])
    low, high = found
    with np.errstate(invalid="ignore"):
        middle = np.where(low == high, low, (low + high) / 2)
    return np.where(total > 0, middle, np.nan)


def _projected(
    x: Floats, y: Floats, athlete: Ints, slope: float, z: float, rng: np.random.Generator
) -> tuple[Interval, Interval]:
    n = len(x)
    surplus = np.zeros(n)
    along = x + y
    for _ in range(PARTNERS):
        partner = rng.integers(0, n, size=n)
        crossed = (y - y[partner]) - slope * (x - x[partner])
        surplus += np.sign(crossed) * np.sign(along - along[partner])
    per_athlete = np.bincount(athlete, surplus / PARTNERS)
    per_athlete -= per_athlete.mean()
    whole_x, whole_y, _ = as_whole_numbers(x, y)
    n_slopes = kept_slopes(whole_x, whole_y)
    spread = z * 2 * np.sqrt(float((per_athlete**2).sum())) / n * n_slopes
    first = max(1, round((n_slopes - spread) / 2))
    low, high = slopes_at_ranks(whole_x, whole_y, [first, n_slopes - first + 1]).tolist()
    ends = float(np.median(y - high * x)), float(np.median(y - low * x))
    return Interval(low, high), Interval(*ends)


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
            f"({100 * self.confidence_level:.0f} % interval of the slope {low:.2f} to {high:.2f})."
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
    confidence_level : float, default 0.95
        Of the intervals, in (0, 1).

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
    level, *ends = (float(np.median(y - one * x)) for one in (slope, high, low))
    found = (slope, level, Interval(low, high), Interval(*ends))
    return PassingBablok(n, n, *found, n_slopes, confidence_level)


def passing_bablok_of(data: MethodData) -> PassingBablok:
    """Passing-Bablok line of field on laboratory; with several pairs of an athlete over athletes."""
    fit = passing_bablok(data.field, data.lab)
    if not data.clustered:
        return fit
    slope, intercept = clustered_intervals(
        data.field, data.lab, data.athlete, slope=fit.slope, rng=data.seed
    )
    fit = replace(fit, slope_interval=slope, intercept_interval=intercept)
    return replace(fit, n=data.n, clustered=True)


def _check_that_both_rise(x: Ints, y: Ints, least: float) -> None:
    """Kendall's test at the level of the interval."""
    both = (x - x.min()) * 2 * LARGEST_SPREAD + (y - y.min())
    order = np.argsort(both)
    falling = count_inversions(np.argsort(y[order], kind="stable"))
    n = len(x)
    rising = n * (n - 1) // 2 - alike_pairs(x) - alike_pairs(y) + alike_pairs(both) - falling
    if rising - falling <= least:
        up, down = (
            f"{number} {verb}{'s' if number == 1 else ''}"
            for number, verb in ((rising, "rise"), (falling, "fall"))
        )
        raise ValueError(
            f"the field does not clearly rise with the laboratory: of the pairs of points {up} and "
            f"{down}, and the difference must pass {least:.0f}."
        )


RECORD: Final = recorded("""
    passing_bablok, place 70, whole, own section: line by ranks of pairwise slopes
    slope [1]: Passing-Bablok slope, field on laboratory
      Change of the field value for each mL/kg/min of the laboratory's, outliers harmless.
      = shifted median of all pairwise slopes | Passing & Bablok 1983
    intercept from 50: Passing-Bablok intercept, field on laboratory
      Field value that the line gives for a laboratory value of zero.
      = median of field less slope times laboratory | Passing & Bablok 1983
    """).by(passing_bablok_of)
