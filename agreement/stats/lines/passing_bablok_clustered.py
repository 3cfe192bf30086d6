"""Intervals of a Passing-Bablok line when athletes have several pairs."""

from typing import Final

import numpy as np
import numpy.typing as npt

from agreement.stats.basics.arrays import Floats, Integers
from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.basics.intervals import Interval, checked_share, z_of
from agreement.stats.basics.replicates import FEW_ATHLETES, ResampledInterval
from agreement.stats.basics.rotated_slopes import as_whole_numbers, kept_slopes, slopes_at_ranks
from agreement.stats.method_data import TOO_FEW

N_RESAMPLES: Final = 1999
MOST_ROWS_RESAMPLED: Final = 300  # 45 000 slopes, weighed again in every resample
PARTNERS: Final = 500  # of each point, to estimate how often its slopes are above the line's
_CHUNK: Final = 1 << 19
_BLOCK: Final = 32  # rows counted at once


def clustered_intervals(
    y: Floats,
    x: Floats,
    athlete: Integers,
    *,
    slope: float,
    confidence_level: float = 0.95,
    rng: int | np.random.Generator | None = None,
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
    checked_share("confidence_level", confidence_level)
    tails = np.array([1 - confidence_level, 1 + confidence_level]) / 2
    if int(athlete.max()) + 1 < FEW_ATHLETES:
        return ResampledInterval.saying(TOO_FEW), ResampledInterval.saying(TOO_FEW)
    if len(x) > MOST_ROWS_RESAMPLED:
        return _projected(x, y, athlete, slope, z_of(confidence_level), np.random.default_rng(rng))
    drawn = cluster_resampling(athlete, n_resamples=N_RESAMPLES, rng=rng)
    slopes, intercepts = weighted_lines(x, y, drawn.counts[:, athlete])
    fine = np.isfinite(slopes) & np.isfinite(intercepts)
    failed = int((~fine).sum())
    of_slope, of_intercept = (
        ResampledInterval.of(
            *np.quantile(values[fine], tails), failed=failed, n_resamples=N_RESAMPLES
        )
        for values in (slopes, intercepts)
    )
    return of_slope, of_intercept


def weighted_lines(x: Floats, y: Floats, weights: npt.NDArray[np.integer]) -> tuple[Floats, Floats]:
    """
    Slope and intercept when each point stands as often as its weight says.

    x, y: shape (n,).
    weights: shape (R, n).
    Returns slopes, intercepts: shape (R,)
    """
    i, j, slopes = _slopes_in_order(x, y)
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


def _slopes_in_order(x: Floats, y: Floats) -> tuple[Integers, Integers, Floats]:
    """List the pairs of points and their slopes: from -1 up, then those below -1."""
    whole_x, whole_y, _ = as_whole_numbers(x, y)
    i, j = np.triu_indices(len(x), 1)
    dx, dy = whole_x[j] - whole_x[i], whole_y[j] - whole_y[i]
    kept = dx + dy != 0
    i, j, dx, dy = i[kept], j[kept], dx[kept], dy[kept]
    with np.errstate(divide="ignore"):
        slopes = np.where(dx == 0, np.inf, dy / dx)
    order = np.lexsort((slopes, slopes < -1))
    return i[order], j[order], slopes[order]


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
    x: Floats, y: Floats, athlete: Integers, slope: float, z: float, rng: np.random.Generator
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
