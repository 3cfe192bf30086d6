"""Bias by training profile with the other profiles taken into account."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from scipy import special

from agreement.arrays import ArrayLike, Floats
from agreement.stats.basics.half_t import OnGrid, mixture_quantile, on_grid
from agreement.stats.basics.intervals import Interval, z_of
from agreement.terms import NOT_ENOUGH_DATA

SCALE: Final = 3.0  # of the half-t prior on the spread of biases between profiles [mL/kg/min]
PRIOR_DF: Final = 2.0  # by which a profile's spread leans on the others'
NO_SPREAD: Final = 1e-12  # a variance as float noise leaves it [(mL/kg/min)^2]
FEW_LEVELS: Final = 5  # below, the prior matters: results at half and twice the scale stand beside


@dataclass(frozen=True, slots=True, eq=False)
class PooledProfiles:
    """Biases of profiles, each drawn towards the others as far as its own athletes leave it open."""

    grid: OnGrid  # spreads between profiles, each with its weight. [mL/kg/min]
    # centre, scale: shape (200, k). Of each profile's bias at each point of the grid. [mL/kg/min]
    centre: Floats
    scale: Floats
    pull: Floats  # shape (200, k). Weight of a profile's own mean at each point.

    def bias(self, g: int) -> float:
        """Return a profile's bias. [mL/kg/min]."""
        return float(self.grid.weight @ self.centre[:, g])

    def interval(self, g: int) -> Interval:
        """Return the 95 % interval of a profile's bias."""
        parts = self.grid.weight, self.centre[:, g], self.scale[:, g]
        return Interval(*(mixture_quantile(p, *parts) for p in (0.025, 0.975)))

    def weight_own(self, g: int) -> float:
        """Return how much a profile's own athletes count for its bias."""
        return float(self.grid.weight @ self.pull[:, g])

    def beyond(self, g: int, limit: float) -> float:
        """Return how likely a profile's bias is larger than a limit, in either direction."""
        above, below = ((end - self.centre[:, g]) / self.scale[:, g] for end in (limit, -limit))
        return float(self.grid.weight @ (special.ndtr(-above) + special.ndtr(below)))

    def sd_between(self) -> tuple[float, Interval]:
        """Return the spread of biases between profiles, and its 95 % interval."""
        middle, low, high = self.grid.between()
        return middle, Interval(low, high)


@dataclass(frozen=True, slots=True)
class PooledBias:
    """A profile's bias with the other profiles taken into account."""

    n: int  # athletes whose profile it is, each counted once
    bias: float
    interval: Interval
    weight_own: float  # how much its own athletes count
    beyond: float  # how likely the bias is larger than the limit for means; NaN without a limit
    # half, twice: the bias, had the prior half or twice the scale
    half: float
    twice: float


# Ours: no library here integrates over the unknown spread between a few profiles.
def pooled_profiles(
    mean: ArrayLike, sd: ArrayLike, n: ArrayLike, *, scale: float = SCALE
) -> PooledProfiles:
    r"""
    Pool the biases of profiles partially.

    mean, sd: shape (k,). Of the athletes' mean differences in each profile; the sd of one athlete
        is not used. [mL/kg/min]
    n: shape (k,). Athletes.
    scale: of the half-t prior with 3 degrees of freedom on the spread between profiles: an
        assumption.
    Raises ValueError with one profile, or too few athletes beside each other to know any spread.

    A profile's variance leans on that of all with 2 degrees of freedom [1]_ and is widened for its
    own uncertainty; the spread between profiles is averaged over a grid [2]_. One profile far from
    many others is drawn in too far: show its own mean beside.

    .. [1] Smyth GK. Linear models and empirical Bayes methods for assessing differential
       expression. Stat Appl Genet Mol Biol 2004;3:3 (memory).
    .. [2] Gelman A. Prior distributions for variance parameters in hierarchical models. Bayesian
       Anal 2006;1:515-534 (memory).

    >>> found = pooled_profiles([-1.8, 0.5, -0.8, 3.0], [3.1, 3.8, 3.1, 3.3], [9, 9, 9, 9])
    >>> round(found.bias(0), 2), round(found.weight_own(0), 2)
    (-1.07, 0.63)
    """
    m, s = np.asarray(mean, dtype=np.float64), np.asarray(sd, dtype=np.float64)
    count = np.asarray(n, dtype=np.float64)
    free = count - 1.0
    if m.size < 2:
        raise ValueError("one profile has no others to take into account.")
    squares = np.where(free > 0, free * s**2, 0.0)
    if free.sum() < 3 or squares.sum() <= NO_SPREAD * free.sum():
        raise ValueError("too few athletes share a profile to know how far they scatter.")
    common = squares.sum() / free.sum()
    df = PRIOR_DF + free
    moderated = (PRIOR_DF * common + squares) / df
    error = moderated / count * (special.stdtrit(df, 0.975) / z_of(0.95)) ** 2
    grid = on_grid(m, error, scale)
    tau, mu = grid.tau[:, None], grid.mean[:, None]
    pull = tau**2 / (tau**2 + error)
    spread = tau**2 * (1.0 - pull) + (1.0 - pull) ** 2 * grid.variance[:, None]
    return PooledProfiles(grid, mu + pull * (m - mu), np.sqrt(spread), pull)


def athletes_by_profile(pairs: pd.DataFrame) -> tuple[pd.DataFrame, int]:
    """
    Put each athlete into the profile of most of his pairs.

    pairs: columns athlete_id, training_profile, field, lab, and lab_date where ties are to be
        broken by the later test.
    Returns athletes: columns training_profile and difference, the mean of the pairs in it; by
        athlete_id.
    Returns left_out: pairs of these athletes in another profile.
    """
    labels = pairs["training_profile"].to_numpy(dtype=object)
    told = np.flatnonzero((labels != NOT_ENOUGH_DATA) & ~pd.isna(labels))
    names, profile = np.unique(labels[told], return_inverse=True)
    ids, athlete = np.unique(pairs["athlete_id"].to_numpy(dtype=object)[told], return_inverse=True)
    both, place = np.unique(athlete * len(names) + profile, return_inverse=True)
    difference = (pairs["field"].to_numpy(np.float64) - pairs["lab"].to_numpy(np.float64))[told]
    count = np.bincount(place, minlength=both.size)
    last = np.zeros(both.size, dtype=np.int64)
    if "lab_date" in pairs:
        np.maximum.at(
            last, place, pairs["lab_date"].to_numpy(dtype="datetime64[s]").astype(np.int64)[told]
        )
    owner = both // max(len(names), 1)
    order = np.lexsort((last, count, owner))
    kept = order[np.append(owner[order][1:] != owner[order][:-1], True)] if both.size else order
    athletes = {
        "training_profile": names[both[kept] % max(len(names), 1)],
        "difference": np.bincount(place, difference, minlength=both.size)[kept] / count[kept],
    }
    index = pd.Index(ids[owner[kept]], name="athlete_id")
    return pd.DataFrame(athletes, index), int(told.size - count[kept].sum())


def pooled_biases(
    athletes: pd.DataFrame, margin: float | None
) -> tuple[dict[str, PooledBias], tuple[float, Interval] | None]:
    """Return each profile's pooled bias, and the spread between profiles."""
    names, codes = np.unique(athletes["training_profile"].to_numpy(object), return_inverse=True)
    difference, sizes = athletes["difference"].to_numpy(np.float64), np.bincount(codes)
    mean = np.bincount(codes, difference) / sizes
    squares = np.bincount(codes, (difference - mean[codes]) ** 2)
    sd = np.sqrt(squares / np.maximum(sizes - 1, 1))
    try:
        found, *other = (
            pooled_profiles(mean, sd, sizes, scale=by * SCALE) for by in (1.0, 0.5, 2.0)
        )
    except ValueError:  # one profile, or nothing known of the spread in one
        return {}, None
    pooled = {}
    for g, name in enumerate(names):
        told = found.bias(g), found.interval(g), found.weight_own(g)
        beyond = np.nan if margin is None else found.beyond(g, margin)
        pooled[str(name)] = PooledBias(
            int(sizes[g]), *told, beyond, *(one.bias(g) for one in other)
        )
    return pooled, found.sd_between()
