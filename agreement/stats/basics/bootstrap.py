"""
The cluster bootstrap: athletes are drawn, with all their rows; one drawing serves every statistic.

With few athletes its intervals are too short, and `Replicates.interval` leaves out each athlete in
turn instead. A drawing is kept as counts: how often each athlete came up. A statistic is a function of
frequency weights, so that thousands of resamples are one array operation; a statistic that is a
function of sums over athletes needs only ``counts @ sums``.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from agreement.arrays import ArrayLike, Floats, Ints, Seed
from agreement.stats.basics.least_squares import moments, products
from agreement.stats.basics.replicates import FEW_FOR_RESAMPLES, Replicates, Scale

N_RESAMPLES = 9999
_CHUNK = 1 << 16  # numbers held at once; small enough for a processor's cache
_KEPT = 1 << 21  # counts of a drawing that is kept for whoever asks again


@dataclass(frozen=True, slots=True)
class Resampling:
    """Which athletes were drawn, how often, in each resample."""

    # shape (n_rows,). The athlete of each row, 0 ... G - 1 in the order of the sorted ids.
    codes: Ints
    # shape (B, G). How often each athlete was drawn. A count above 255 cannot happen below 256
    # athletes and has no realistic chance above.
    counts: npt.NDArray[np.uint8]
    seed: int | None = None  # where the drawing started, when that is known

    @property
    def n_athletes(self) -> int:
        """G."""
        return int(self.counts.shape[1])


# Ours: scipy's bootstrap draws rows, not athletes, and draws anew for each statistic.
def cluster_resampling(
    athlete: ArrayLike,
    *,
    n_resamples: int = N_RESAMPLES,
    rng: Seed = None,
) -> Resampling:
    """
    Draw athletes with replacement, once for all statistics.

    Parameters
    ----------
    athlete : array_like, shape (n_rows,)
        Athlete of each row; rows of one athlete are drawn together.
    n_resamples : int, default 9999
        B.
    rng : int or Generator, optional
        Seed or generator. Seed, B and the number of athletes fix the drawing.

    Raises
    ------
    ValueError
        Without rows.

    Examples
    --------
    >>> drawn = cluster_resampling(["A", "A", "B", "C"], n_resamples=100, rng=1)
    >>> drawn.n_athletes
    3
    """
    ids, codes = np.unique(np.asarray(athlete), return_inverse=True)
    if ids.size == 0:
        raise ValueError("the bootstrap needs at least one athlete; got none")
    seed = rng if isinstance(rng, int) else None
    if seed is not None and n_resamples * ids.size <= _KEPT:
        return Resampling(codes, _drawing(seed, n_resamples, ids.size), seed)
    generator = np.random.default_rng(rng)
    return Resampling(codes, _drawn_counts(generator, n_resamples, ids.size), seed)


def bootstrap(
    resampling: Resampling, statistic: Callable[[Floats], Floats], *, scales: tuple[Scale, ...] = ()
) -> Replicates:
    """
    Statistics of rows, in every resample.

    Parameters
    ----------
    resampling : Resampling
        As of `cluster_resampling`.
    statistic : callable
        Takes frequency weights of shape (R, n_rows) and returns shape (R, k); nan marks failure.
    scales : tuple of str, optional
        As of `Replicates`; where they make every interval the jackknife's, nothing is drawn.

    Returns
    -------
    Replicates
        Its `interval` has the 95 % interval of each statistic.

    Examples
    --------
    >>> import numpy as np
    >>> d = np.array([1.0, 3.0, 1.0, 4.0, 2.0, 0.0])
    >>> drawn = cluster_resampling(["A", "A", "B", "C", "D", "E"], n_resamples=999, rng=1)
    >>> found = bootstrap(drawn, lambda times: (times @ d / times.sum(axis=1))[:, None])
    >>> low, high = found.interval()
    >>> f"{found.estimate[0]:.2f} ({low:.2f} to {high:.2f})"
    '1.83 (0.35 to 3.32)'
    """
    codes, g = resampling.codes, resampling.n_athletes

    def of_counts(counts: Floats) -> Floats:
        with np.errstate(divide="ignore", invalid="ignore"):  # what fails is nan, and counted
            return statistic(counts[:, codes])

    drawn = _chunks(_drawn_of(resampling, scales), codes.size)
    resampled = [of_counts(part.astype(np.float64)) for part in drawn]
    size = max(1, _CHUNK // codes.size)
    left_out = [
        of_counts(1.0 - np.eye(min(size, g - start), g, start)) for start in range(0, g, size)
    ]
    estimate = of_counts(np.ones((1, g)))[0]
    replicates = np.vstack(resampled or [np.empty((0, estimate.size))])
    return Replicates(estimate, replicates, np.vstack(left_out), resampling.seed, scales)


def resampled_slope(x: Floats, y: Floats, resampling: Resampling) -> Replicates:
    """Slope of y on x by least squares, for intervals over athletes; x, y: shape (n_pairs,)."""

    def slope(sums: Floats) -> Floats:
        found = moments(sums)  # of one value of x alone, where that was drawn
        return np.asarray((found.xy / np.where(found.xx > 1e-9, found.xx, np.nan))[:, None])

    columns = products(x - x.mean(), y - y.mean())
    return bootstrap_of_sums(resampling, columns, slope, scales=("plain",))


def bootstrap_of_sums(
    resampling: Resampling,
    columns: ArrayLike,
    statistic: Callable[[Floats], Floats],
    *,
    scales: tuple[Scale, ...] = (),
) -> Replicates:
    """
    Statistics that are functions of sums over rows, in every resample: the fast route.

    columns: shape (n_rows, p). What is summed; for the number of rows give a column of ones.
    statistic: takes sums of shape (R, p) and returns shape (R, k); nan marks failure.
    scales: as of `bootstrap`.
    """
    values = np.asarray(columns, dtype=np.float64)
    sums = np.empty((values.shape[1], resampling.n_athletes))  # a sum in a row: read at one go
    for k, column in enumerate(values.T):
        sums[k] = np.bincount(resampling.codes, column, minlength=resampling.n_athletes)
    total = sums.sum(axis=1)
    resampled = np.hstack(
        [
            sums @ counts.astype(np.float64).T
            for counts in _chunks(_drawn_of(resampling, scales), resampling.n_athletes)
        ]
        or [np.empty((len(sums), 0))]
    )
    with np.errstate(divide="ignore", invalid="ignore"):  # what fails is nan, and counted
        return Replicates(
            statistic(total[None, :])[0],
            statistic(resampled.T),
            statistic(total - sums.T),
            resampling.seed,
            scales,
        )


def _drawn_of(resampling: Resampling, scales: tuple[Scale, ...]) -> npt.NDArray[np.uint8]:
    """Return the counts that are needed: none where the jackknife gives every interval."""
    needed = not scales or "ranked" in scales or resampling.n_athletes >= FEW_FOR_RESAMPLES
    return resampling.counts if needed else resampling.counts[:0]


@lru_cache(maxsize=16)
def _drawing(seed: int, n_resamples: int, n_athletes: int) -> npt.NDArray[np.uint8]:
    """Return the counts that a seed draws: the same for all methods with so many athletes."""
    counts = _drawn_counts(np.random.default_rng(seed), n_resamples, n_athletes)
    counts.flags.writeable = False
    return counts


def _drawn_counts(
    generator: np.random.Generator, n_resamples: int, n_athletes: int
) -> npt.NDArray[np.uint8]:
    counts = np.zeros((n_resamples, n_athletes), dtype=np.uint8)
    for part in _chunks(counts, n_athletes):
        drawn = _below(generator, n_athletes, part.size).reshape(part.shape)
        drawn += np.arange(0, part.size, n_athletes)[:, None]
        part.reshape(-1)[:] = np.bincount(drawn.reshape(-1), minlength=part.size)  # a view
    return counts


def _below(generator: np.random.Generator, n: int, size: int) -> Ints:
    """
    Draw whole numbers below n: what ``generator.integers(n)`` draws, a quarter faster.

    It scales words of 32 bits, as here, but draws each anew that makes the chances unequal by one
    part in 2^32 / n.
    """
    words = generator.integers(0, 1 << 64, size=-(-size // 2), dtype=np.uint64).view(np.uint32)
    scaled = words[:size] * np.uint64(n)
    scaled >>= np.uint64(32)
    return scaled.view(np.int64)


def _chunks(
    counts: npt.NDArray[np.uint8], numbers_per_resample: int
) -> list[npt.NDArray[np.uint8]]:
    size = max(1, _CHUNK // numbers_per_resample // 2 * 2)  # even: whole words of a drawing
    return [counts[start : start + size] for start in range(0, len(counts), size)]
