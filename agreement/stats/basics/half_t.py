"""An unknown spread between groups: a grid of equal prior weight, and quantiles of what follows."""

from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

Floats = npt.NDArray[np.float64]

GRID: Final = 200  # points of the grid
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
    unit = float(special.stdtrit(df, share)) if np.isfinite(df) else float(special.ndtri(share))
    ends = centre + unit * scale
    low, high = float(ends.min()) - 1e-9, float(ends.max()) + 1e-9

    def above(x: float) -> float:
        z = (x - centre) / scale
        below = special.stdtr(df, z) if np.isfinite(df) else special.ndtr(z)
        return float(weight @ below) - share

    return float(optimize.brentq(above, low, high, xtol=1e-12))
