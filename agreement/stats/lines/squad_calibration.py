"""Which calibration a squad's cards use: none, an offset or a line; and spread that changes."""

from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

import numpy as np
from scipy import special

from agreement.arrays import ArrayLike, Floats, Ints
from agreement.stats.basics.intervals import t_interval

Model = Literal["none", "offset", "line"]

MODELS: Final[tuple[Model, ...]] = ("none", "offset", "line")
ESTIMATED: Final[dict[Model, int]] = {"none": 0, "offset": 1, "line": 2}  # parameters
FEWEST_CALIBRATED: Final = 5  # a line through all athletes but one, with an error left over
FEWEST_FOR_A_LINE: Final = 20
FEWEST_FOR_LOCAL: Final = 20
P_UNEVEN: Final = 0.10


@dataclass(frozen=True, slots=True)
class Fits:
    """One fitted line, or the lines without each athlete, ``lab = intercept + slope field``."""

    # slope, intercept: ordinary least squares over all pairs
    slope: Floats
    intercept: Floats
    # of the residual of a single pair: between athletes on G - p degrees of freedom, and within
    variance: Floats


# Ours: statsmodels' influence leaves out a row; an athlete goes with all of his pairs.
class AthleteSums:
    """Sums of pairs by athlete, from which every fit follows."""

    def __init__(self, field: Floats, lab: Floats, codes: Ints) -> None:
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

    def fits(self, model: Model, *, without_each: bool = False) -> Fits:
        """Fit to everybody, each array of shape (1,); or without each athlete in turn, of (G,)."""
        rows, means, within = (
            part.sum(axis=1, keepdims=True) - (part if without_each else 0.0)
            for part in (self.rows, self.means, self.within)
        )
        n, sx, sy, sxx, _, sxy = rows
        sxx, sxy = sxx - sx * sx / n, sxy - sx * sy / n
        if model == "line":
            with np.errstate(divide="ignore", invalid="ignore"):
                slope = np.where(sxx > 1e-12, sxy / sxx, np.nan)
        else:
            slope = np.ones_like(n)
        level = np.zeros_like(n) if model == "none" else (sy - slope * sx) / n
        # variance of one pair's residual by unweighted means, with G - estimated athletes free
        g, mx, my, mxx, myy, mxy, inverse = means
        moved = my - slope * mx  # sum of the athletes' mean residuals, before the level
        squares = myy - 2 * slope * mxy + slope**2 * mxx
        about = level if model == "none" else moved / g
        between = squares - 2 * about * moved + g * about**2
        df, wxx, wyy, wxy = within
        inside = wyy - 2 * slope * wxy + slope**2 * wxx
        mean_square = np.where(df > 0, inside / np.maximum(df, 1), 0.0)
        total = between / (g - ESTIMATED[model]) + (1 - inverse / g) * mean_square
        return Fits(slope, level + self.centre * (1 - slope), np.maximum(total, 0.0))


class Choice(NamedTuple):
    """The calibration chosen, and what decided."""

    model: Model  # {"none", "offset", "line"}
    rmse_cv: dict[Model, float]  # error of each when every athlete is left out in turn. [mL/kg/min]
    bias: float  # mean of field minus laboratory. [mL/kg/min]
    # slope, intercept: of laboratory on field
    slope: float
    intercept: float
    # bias_shown, slope_shown: whether the interval of the bias excludes 0; of the slope, 1
    bias_shown: bool
    slope_shown: bool


def chosen_calibration(field: ArrayLike, lab: ArrayLike) -> Choice:
    """
    Choose between no calibration, an offset and a line.

    field, lab: shape (n,). Means of each athlete's pairs. [mL/kg/min]
    Raises ValueError with fewer than 5 athletes, or field values that do not vary.

    An offset where the bias is shown or where it lowers the error of an athlete left out; a line
    from 20 athletes on, where its slope is shown to differ from 1 and no other errs less. A bias
    that a report calls shown so always reaches the card.

    >>> chosen_calibration([44, 47, 50, 52, 57, 60], [46, 49, 52, 55, 58, 63]).model
    'offset'
    """
    f, x = np.asarray(field, dtype=np.float64), np.asarray(lab, dtype=np.float64)
    n, d = len(f), f - x
    if n < FEWEST_CALIBRATED:
        raise ValueError(f"calibration needs at least {FEWEST_CALIBRATED} athletes; got {n}")
    around = f - f.mean()
    sxx = float(around @ around)
    if sxx <= 0.0:
        raise ValueError("the field values do not vary.")
    slope = float(around @ x) / sxx
    residual = x - x.mean() - slope * around
    leverage = 1.0 / n + around**2 / sxx
    with np.errstate(divide="ignore", invalid="ignore"):
        errors = (-d, (d.mean() - d) * n / (n - 1), residual / (1.0 - leverage))
        sizes = [float(np.sqrt(np.mean(error**2))) for error in errors]
    rmse = dict(zip(MODELS, sizes, strict=True))
    of_bias = t_interval(float(d.mean()), float(d.std(ddof=1)) / np.sqrt(n), n - 1)
    of_slope = t_interval(slope, float(np.sqrt(residual @ residual / (n - 2) / sxx)), n - 2)
    bias_shown, slope_shown = not of_bias.contains(0.0), not of_slope.contains(1.0)
    model: Model = "none"
    if bias_shown or rmse["offset"] < rmse["none"]:
        model = "offset"
    if n >= FEWEST_FOR_A_LINE and slope_shown and rmse["line"] == min(sizes):
        model = "line"
    intercept = float(x.mean() - slope * f.mean())
    return Choice(model, rmse, float(d.mean()), slope, intercept, bias_shown, slope_shown)


class LocalOffset(NamedTuple):
    """An offset whose prediction interval widens or narrows along the field value."""

    n: int
    offset: float  # weighted mean of field minus laboratory. [mL/kg/min]
    # level, growth, floor: spread at a field value: level + growth x field, not below the floor.
    # [mL/kg/min]
    level: float
    growth: float
    floor: float
    # variance, error: of a difference and of the offset, in units of squared spread
    variance: float
    error: float

    def interval(self, field: float) -> tuple[float, float, float]:
        """Return the laboratory's value that a field value stands for, and the interval's ends."""
        spread = max(self.level + self.growth * field, self.floor)
        t = float(special.stdtrit(self.n - 2, (1.0 + 0.95) / 2.0))
        half = t * np.sqrt(self.variance * (spread**2 + self.error))
        value = field - self.offset
        return value, float(value - half), float(value + half)


def local_offset(field: ArrayLike, lab: ArrayLike) -> LocalOffset:
    """
    Fit an offset whose spread changes along the field value.

    field, lab: shape (n,). One row per athlete, field values that vary, differences that vary.
        [mL/kg/min]

    >>> f = [40.0, 45.0, 50.0, 55.0, 60.0]
    >>> found = local_offset(f, [39.5, 45.5, 51.0, 53.5, 62.0])
    >>> found.growth > 0
    True
    """
    f, d = np.asarray(field, dtype=np.float64), np.subtract(field, lab)
    n, around = len(f), f - f.mean()
    size = np.abs(d - d.mean()) * np.sqrt(n / (n - 1))
    growth = float(around @ size / (around @ around))
    level, floor = float(size.mean() - growth * f.mean()), float(size.mean()) / 4.0
    weight = np.maximum(level + growth * f, floor) ** -2.0
    offset = float(weight @ d / weight.sum())
    variance = float(weight @ (d - offset) ** 2) / (n - 2)
    return LocalOffset(n, offset, level, growth, floor, variance, float(1.0 / weight.sum()))


def uneven_along(field: ArrayLike, lab: ArrayLike) -> bool:
    """
    Return whether the differences are likely to spread unevenly along the field value.

    Koenker's test at p < 0.10, from 20 athletes on.
    """
    f, d = np.asarray(field, dtype=np.float64), np.subtract(field, lab)
    squares = (d - d.mean()) ** 2
    if len(f) < FEWEST_FOR_LOCAL or float(squares.std()) <= 0.0 or float(f.std()) <= 0.0:
        return False
    r = float(np.corrcoef(f, squares)[0, 1])
    return bool(special.chdtrc(1, len(f) * r * r) < P_UNEVEN)
