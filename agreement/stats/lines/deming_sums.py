"""Deming lines from sums: for the whole study, for resamples, and with each athlete left out."""

from collections.abc import Iterable, Iterator
from typing import Final, NamedTuple

import numpy as np

from agreement.stats.basics.arrays import Floats, Integers

_NOISE: Final = 1e-13  # a correlation below this is rounding
_CHUNK: Final = 1 << 13  # rows worked on at once; they stay in the processor's cache


class Line(NamedTuple):
    """The line for one assumed ratio of error variances."""

    error_ratio: float
    slope: float
    intercept: float


class Centre(NamedTuple):
    """Means about which sums are taken, to keep them small."""

    x: float
    y: float

    def moved(self, slope: Floats, intercept: Floats) -> Floats:
        """Return the intercept of a line through centred values, for the values themselves."""
        return intercept + self.y - slope * self.x

    def line(self, slope: Floats, intercept: Floats, error_ratio: float) -> Line:
        """Return the line for the values themselves."""
        return Line(float(error_ratio), float(slope), float(self.moved(slope, intercept)))


def lines_from_sums(sums: Floats, error_ratio: float) -> tuple[Floats, Floats]:
    """Return slope and intercept from sums of 1, x, y, xx, yy, xy (first axis); nan without a line."""
    n, sx, sy, sxx, syy, sxy = sums
    with np.errstate(divide="ignore", invalid="ignore"):
        sxx, syy, sxy = sxx - sx * sx / n, syy - sy * sy / n, sxy - sx * sy / n
        u = syy - error_ratio * sxx
        root = np.sqrt(u * u + 4 * error_ratio * sxy * sxy)
        # the second form loses no digits where u is far below zero
        slope = np.where(u >= 0, (u + root) / (2 * sxy), 2 * error_ratio * sxy / (root - u))
        slope = np.where(np.abs(sxy) > _NOISE * np.sqrt(np.abs(sxx * syy)), slope, np.nan)
        return slope, (sy - slope * sx) / n


def sums_about(x: Floats, y: Floats, centre: Centre) -> Floats:
    """Return sums of 1, x, y, xx, yy, xy over rows, about the means."""
    sums = np.zeros(6)
    for start in range(0, len(x), _CHUNK):
        dx, dy = x[start : start + _CHUNK] - centre.x, y[start : start + _CHUNK] - centre.y
        sums += [len(dx), dx.sum(), dy.sum(), dx @ dx, dy @ dy, dx @ dy]
    return sums


def without_each_athlete(
    x: Floats, y: Floats, codes: Integers, centre: Centre, total: Floats, error_ratio: float
) -> Iterator[tuple[Floats, Floats]]:
    """Yield slopes and intercepts, each athlete left out in turn."""
    dx, dy = x - centre.x, y - centre.y
    columns = (np.ones_like(dx), dx, dy, dx * dx, dy * dy, dx * dy)
    sums = np.stack([np.bincount(codes, column) for column in columns])
    slope, intercept = lines_from_sums(total[:, None] - sums, error_ratio)
    yield slope, centre.moved(slope, intercept)


def without_each_pair(
    x: Floats, y: Floats, centre: Centre, total: Floats, error_ratio: float
) -> Iterator[tuple[Floats, Floats]]:
    """
    As `without_each_athlete`, written out for one pair each.

    Leaving out one point takes ``n / (n - 1)`` times its product of deviations from a sum of
    products, and ``1 / (n - 1)`` times its deviation from a mean.
    """
    n = len(x)
    part = 1.0 / (n - 1)
    sxx, syy, sxy = total[3:]
    noise = _NOISE * np.sqrt(sxx * syy)
    for start in range(0, n, _CHUNK):
        dx, dy = x[start : start + _CHUNK] - centre.x, y[start : start + _CHUNK] - centre.y
        u = dy * dy
        u -= error_ratio * (dx * dx)
        u *= -n * part
        u += syy - error_ratio * sxx
        both = dx * dy
        both *= -2 * n * part
        both += 2 * sxy  # twice the sum of products
        both[np.abs(both) <= noise] = np.nan
        root = np.sqrt(u * u + error_ratio * (both * both))
        steep = syy >= error_ratio * sxx
        slope = (u + root) / both if steep else error_ratio * both / (root - u)
        dx *= part
        dx -= centre.x
        dy *= -part
        dy += centre.y
        yield slope, dy + slope * dx


def jackknife_errors(
    left_out: Iterable[tuple[Floats, Floats]], line: Line, n: int
) -> tuple[float, float]:
    """Return standard errors of slope and intercept, from the lines with each athlete left out."""
    sums = np.zeros((2, 2))  # of the moves and of their squares, for slope and intercept
    for slope, intercept in left_out:
        moves = slope - line.slope, intercept - line.intercept
        sums += [[move.sum(), move @ move] for move in moves]
    squares = sums[:, 1] - sums[:, 0] ** 2 / n
    errors = np.sqrt(np.maximum(squares, 0.0) * (n - 1) / n)
    return float(errors[0]), float(errors[1])
