"""Lines and spreads with each athlete left out in turn, in closed form from sums."""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from agreement.stats.basics.arrays import Floats, Integers

Model = Literal["none", "offset", "line"]

MODELS: Final[tuple[Model, ...]] = ("none", "offset", "line")
ESTIMATED: Final[dict[Model, int]] = {"none": 0, "offset": 1, "line": 2}  # parameters


@dataclass(frozen=True, slots=True)
class Fits:
    """One fitted line, or the lines without each athlete, ``lab = intercept + slope field``."""

    athletes: Floats  # athletes behind each fit
    # slope, intercept: ordinary least squares over all pairs
    slope: Floats
    intercept: Floats
    # of the residual of a single pair: between athletes on G - p degrees of freedom, and within
    variance: Floats
    # pairs, mean, sxx: pairs, mean field value, centred sum of squares of the field values
    pairs: Floats
    mean: Floats
    sxx: Floats


# Ours: statsmodels' influence leaves out a row; an athlete goes with all of his pairs.
class AthleteSums:
    """Sums of pairs by athlete, from which every fit follows."""

    def __init__(self, field: Floats, lab: Floats, codes: Integers) -> None:
        self.centre = float(field.mean())  # keeps sums of squares small
        x, y = field - self.centre, lab - self.centre
        n = np.bincount(codes).astype(np.float64)
        sx, sy = np.bincount(codes, x), np.bincount(codes, y)
        products = [np.bincount(codes, a * b) for a, b in ((x, x), (y, y), (x, y))]
        self.rows = np.stack([n, sx, sy, *products])
        mx, my = sx / n, sy / n
        self.means = np.stack([np.ones_like(n), mx, my, mx * mx, my * my, mx * my, 1 / n])
        self.within = np.stack(
            [n - 1, *(total - n * m for total, m in zip(products, self.means[3:6], strict=True))]
        )

    def all(self, model: Model) -> Fits:
        """Fit to everybody; every array has shape (1,)."""
        parts = [part.sum(axis=1, keepdims=True) for part in (self.rows, self.means, self.within)]
        return self._fits(model, *parts)

    def without_each(self, model: Model) -> Fits:
        """Fits without each athlete in turn; every array has shape (G,)."""
        parts = [
            part.sum(axis=1, keepdims=True) - part for part in (self.rows, self.means, self.within)
        ]
        return self._fits(model, *parts)

    def _fits(self, model: Model, rows: Floats, means: Floats, within: Floats) -> Fits:
        n, sx, sy, sxx, _, sxy = rows
        sxx, sxy = sxx - sx * sx / n, sxy - sx * sy / n
        if model == "line":
            with np.errstate(divide="ignore", invalid="ignore"):
                slope = np.where(sxx > 1e-12, sxy / sxx, np.nan)
        else:
            slope = np.ones_like(n)
        level = np.zeros_like(n) if model == "none" else (sy - slope * sx) / n
        variance = _variance(slope, level, means, within, ESTIMATED[model])
        intercept = level + self.centre * (1 - slope)
        return Fits(means[0], slope, intercept, variance, n, sx / n + self.centre, sxx)


def _variance(
    slope: Floats, level: Floats, means: Floats, within: Floats, estimated: int
) -> Floats:
    """Variance of one pair's residual by unweighted means, with G - estimated athletes free."""
    g, mx, my, mxx, myy, mxy, inverse = means
    moved = my - slope * mx  # sum of the athletes' mean residuals, before the level
    squares = myy - 2 * slope * mxy + slope**2 * mxx
    about = level if estimated == 0 else moved / g
    between = squares - 2 * about * moved + g * about**2
    df, wxx, wyy, wxy = within
    inside = wyy - 2 * slope * wxy + slope**2 * wxx
    mean_square = np.where(df > 0, inside / np.maximum(df, 1), 0.0)
    total = between / (g - estimated) + (1 - inverse / g) * mean_square
    return np.asarray(np.maximum(total, 0.0))
