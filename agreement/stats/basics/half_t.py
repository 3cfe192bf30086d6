"""An unknown spread between groups: a grid of equal prior weight, and quantiles of what follows."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from agreement.arrays import Floats

GRID: Final = 200  # points of the grid
_NOTHING: Final = 1e-18  # weight of a part that no digit shows
_ROWS: Final = 1000  # mixtures solved together
_STEPS: Final = 200
_CLOSE: Final = 1e-7  # of a step: it leaves about its square
_MIDDLE_AND_ENDS: Final = (0.5, 0.025, 0.975)
FREE: Final = 3.0  # degrees of freedom of the half-t prior


# Ours: no sampler among our libraries; a grid is exact to print and gives the same bytes twice.
def half_t_grid(scale: float, size: int = GRID) -> Floats:
    """
    Return standard deviations that carry the same prior weight each.

    scale: of the half-t distribution with 3 degrees of freedom: an assumption, to be told.

    .. [1] Gelman A. Prior distributions for variance parameters in hierarchical models. Bayesian
       Anal 2006;1:515-534 (memory).

    >>> half_t_grid(3.0, 4).round(2).tolist()
    [0.51, 1.63, 3.12, 6.34]
    """
    shares = (np.arange(1, size + 1) - 0.5) / size
    return np.asarray(scale * special.stdtrit(FREE, 0.5 + shares / 2.0))


def grid_weights(log_likelihood: Floats) -> Floats:
    """Return weights of the points of a grid that sum to one."""
    weight = np.exp(log_likelihood - log_likelihood.max())
    return np.asarray(weight / weight.sum())


def grid_quantile(share: float, weight: Floats, grid: Floats) -> float:
    """Return a quantile of a quantity that is known on a rising grid."""
    return float(np.interp(share, np.cumsum(weight) - weight / 2.0, grid))


@dataclass(frozen=True, slots=True, eq=False)
class OnGrid:
    """What several estimates say of their mean, at each spread between what they estimate."""

    tau: Floats  # the grid of spreads
    weight: Floats  # of each; they sum to one
    # mean, variance: of all at that spread, and of that mean
    mean: Floats
    variance: Floats

    def between(self) -> list[float]:
        """Return the median of the spread, and the ends of its 95 % interval."""
        return [grid_quantile(p, self.weight, self.tau) for p in _MIDDLE_AND_ENDS]

    def scale(self, *, new: bool) -> Floats:
        """SD of the mean at each point; `new`: of what one that was not estimated would be."""
        return np.asarray(np.sqrt(self.variance + self.tau**2 * new))

    def estimate(self, *, new: bool) -> list[float]:
        """Return median and ends of the mean, or of a new one."""
        return [
            mixture_quantile(p, self.weight, self.mean, self.scale(new=new))
            for p in _MIDDLE_AND_ENDS
        ]

    def quantiles(self, *, new: bool) -> Floats:
        """Return as many quantiles of equal weight as the grid has points."""
        scale, shares = self.scale(new=new), (np.arange(1, GRID + 1) - 0.5) / GRID
        return np.array([mixture_quantile(p, self.weight, self.mean, scale) for p in shares])


def on_grid(y: Floats, variance: Floats, scale: float) -> OnGrid:
    """
    Pool estimates with a half-t prior on the spread of what they estimate.

    y, variance: shape (k,). Estimates and their variances.
    scale: see `half_t_grid`.
    """
    tau = half_t_grid(scale)
    spread = tau[:, None] ** 2 + variance
    total = (1.0 / spread).sum(axis=1)
    mean = (y / spread).sum(axis=1) / total
    misfit = ((y - mean[:, None]) ** 2 / spread).sum(axis=1)
    log_likelihood = -0.5 * (np.log(spread).sum(axis=1) + np.log(total) + misfit)
    return OnGrid(tau, grid_weights(log_likelihood), mean, 1.0 / total)


def mixture_quantile(
    share: float, weight: Floats, centre: Floats, scale: Floats, df: float = np.inf
) -> float:
    """
    Return a quantile of a mixture of normal or Student distributions.

    weight, centre, scale: shape (H,). Of the parts; scales above 0.
    df: of every part.

    >>> one = np.ones(1)
    >>> round(mixture_quantile(0.975, one, 2.0 * one, 3.0 * one), 2)
    7.88
    """
    return float(mixture_quantiles(share, weight, centre[None, :], scale[None, :], df)[0])


def mixture_quantiles(
    share: float, weight: Floats, centre: Floats, scale: Floats, df: float = np.inf
) -> Floats:
    """Return that of many mixtures of the same weights: `centre` and `scale` of shape (n, H)."""
    kept = weight > _NOTHING
    weight, centre, scale = weight[kept], centre[:, kept], scale[:, kept]
    unit = float(special.stdtrit(df, share)) if np.isfinite(df) else float(special.ndtri(share))
    return np.concatenate(
        [
            _roots(share, weight, centre[i : i + _ROWS], scale[i : i + _ROWS], df, unit)
            for i in range(0, len(centre), _ROWS)
        ]
        or [np.empty(0)]
    )


def _roots(
    share: float, weight: Floats, centre: Floats, scale: Floats, df: float, unit: float
) -> Floats:
    """Newton's steps, halving where one would leave the bracket."""
    ends = centre + unit * scale
    low, high, x = ends.min(axis=1), ends.max(axis=1), ends @ weight
    for _ in range(_STEPS):
        z = (x[:, None] - centre) / scale
        if np.isfinite(df):
            constant = special.gammaln((df + 1.0) / 2.0) - special.gammaln(df / 2.0)
            density = np.exp(constant - (df + 1.0) / 2.0 * np.log1p(z**2 / df)) / np.sqrt(
                df * np.pi
            )
            below = special.stdtr(df, z)
        else:
            below, density = special.ndtr(z), np.exp(-(z**2) / 2.0) / np.sqrt(2.0 * np.pi)
        surplus = below @ weight - share
        low, high = np.where(surplus < 0, x, low), np.where(surplus > 0, x, high)
        with np.errstate(divide="ignore", invalid="ignore"):
            new = x - surplus / ((density / scale) @ weight)
        new = np.where((new >= low) & (new <= high), new, (low + high) / 2.0)
        moved, x = float(np.abs(new - x).max()), new
        if moved <= _CLOSE:
            break
    return x
