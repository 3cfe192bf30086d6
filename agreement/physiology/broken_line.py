"""
Where a straight line bends: two lines that meet, tried against one, with an interval for the corner.

Refused, never guessed: a bend that one straight line could show by chance, a corner that cannot be told
from an end of the record, and a curve without a corner.

References
----------
.. [1] Hansen, B. E. Regression kink with an unknown threshold. Journal of Business and Economic
       Statistics 35:228-240, 2017 (abstract read; test and interval by inversion from memory).
.. [2] MacKinnon, J. G., White, H. Some heteroskedasticity-consistent covariance matrix estimators with
       improved finite sample properties. Journal of Econometrics 29:305-325, 1985 (memory): errors over
       1 - leverage.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from agreement.arrays import Floats

FEWEST_EACH_SIDE: Final = 4  # points on each side of the corner; the authors' choice, no source
FEWEST_POINTS: Final = 14
CORNER_ALPHA: Final = 0.05
_STEPS: Final = 201  # corners that are tried
_EVERY: Final = 5  # of them for the test, observed and drawn alike
_DRAWS: Final = 999
_SEED: Final = 19860


class BrokenLine(NamedTuple):
    """Two lines that meet."""

    # at, low, high: the corner and its 95 % interval, in the unit of x; NaN where `refused`
    at: float
    low: float
    high: float
    # before, after: slopes
    before: float
    after: float
    # of so much less residual spread than one straight line leaves, were the line straight
    p: float
    refused: str = ""  # why there is no corner; empty where there is one


def broken_line(x: ArrayLike, y: ArrayLike) -> BrokenLine:
    """
    Fit two lines that meet, and say whether they are better than one.

    x, y: shape (n,). In any order; errors of y are taken as independent and alike.
    Returns: least squares over the place of the corner. The straight line is tried by the F ratio
        of the best corner, whose distribution under a straight line is drawn 999 times for these x
        (it depends on nothing else); the interval holds every corner that an F test at 5 % does not
        reject [1]_.

    >>> x = np.arange(40.0)
    >>> rng = np.random.default_rng(0)
    >>> found = broken_line(x, x + 2 * np.maximum(x - 22, 0) + rng.normal(0, 0.5, 40))
    >>> round(found.at, 1), round(found.after - found.before, 1), found.p
    (22.0, 2.0, 0.001)
    >>> broken_line(x, x + rng.normal(0, 0.5, 40)).refused
    'one straight line fits as well (p = 0.32)'
    """
    from scipy import special  # slow to load, and needed only where there are breaths

    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    order = np.argsort(x, kind="stable")
    x, y = x[order], y[order]
    if x.size < FEWEST_POINTS or x[FEWEST_EACH_SIDE - 1] >= x[-FEWEST_EACH_SIDE]:
        return no_corner(f"{x.size} points, {FEWEST_POINTS} of different uptake are needed")
    corners = np.linspace(x[FEWEST_EACH_SIDE - 1], x[-FEWEST_EACH_SIDE], _STEPS)
    base, _ = np.linalg.qr(np.column_stack([np.ones_like(x), x]))
    bends = _rest(np.maximum(x[:, None] - corners, 0.0), base)
    bends /= np.linalg.norm(bends, axis=0)
    left = _rest(y, base)
    whole = float(left @ left)
    gains = (bends.T @ left) ** 2
    if whole <= 1e-12 * float(y @ y):
        return no_corner("the points lie on one straight line")
    best = int(gains.argmax())
    smallest = whole - float(gains[best])
    df = x.size - 4
    coarse = float(gains[::_EVERY].max())
    p = _by_chance(bends[:, ::_EVERY], base, coarse / (whole - coarse))
    at = float(corners[best])
    joint = np.column_stack([np.ones_like(x), x, np.maximum(x - at, 0.0)])
    _, slope, bend = fitted = np.linalg.lstsq(joint, y, rcond=None)[0]
    uneven = _unevenness(np.column_stack([joint, -bend * (x > at)]), y - joint @ fitted)
    bound = smallest * (1 + uneven * special.fdtri(1, df, 1 - CORNER_ALPHA) / df)
    kept = corners[whole - gains <= bound]
    found = BrokenLine(at, float(kept[0]), float(kept[-1]), float(slope), float(slope + bend), p)
    if p > CORNER_ALPHA:
        return found._replace(refused=f"one straight line fits as well (p = {p:.2f})")
    if kept[0] == corners[0] or kept[-1] == corners[-1]:
        return found._replace(refused="the corner cannot be told from an end of the record")
    centred = x - x.mean()
    curve, _ = np.linalg.qr(np.column_stack([np.ones_like(x), centred, centred**2]))
    if float(np.sum(_rest(y, curve) ** 2)) <= smallest:
        return found._replace(refused="a curve without a corner fits better")
    return found


def no_corner(why: str) -> BrokenLine:
    """Return that there is no corner, and why."""
    return BrokenLine(np.nan, np.nan, np.nan, np.nan, np.nan, np.nan, why)


def _rest(values: Floats, base: Floats) -> Floats:
    """Return what orthonormal columns leave of some values."""
    return np.asarray(values - base @ (base.T @ values))


def _unevenness(slopes: Floats, errors: Floats) -> float:
    """Return by how much errors of unlike size widen the variance of the corner, at least 1 [2]_."""
    inverse = np.linalg.inv(slopes.T @ slopes)
    leverage = np.einsum("ij,jk,ik->i", slopes, inverse, slopes)
    weighted = (slopes @ inverse)[:, 3]
    robust = float(np.sum((weighted * errors / (1 - leverage)) ** 2))
    even = float(errors @ errors) / (errors.size - slopes.shape[1]) * float(inverse[3, 3])
    return float(max(1.0, robust / even))


def _by_chance(bends: Floats, base: Floats, ratio: float) -> float:
    """Return how often a straight line with normal errors gains at least as much by a corner."""
    errors = np.random.default_rng(_SEED).standard_normal((base.shape[0], _DRAWS))
    errors = _rest(errors, base)
    gains = ((bends.T @ errors) ** 2).max(axis=0)
    drawn = gains / (np.sum(errors**2, axis=0) - gains)
    return float((1 + np.count_nonzero(drawn >= ratio)) / (_DRAWS + 1))
