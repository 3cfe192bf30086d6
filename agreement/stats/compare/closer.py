"""Which of several field methods errs less, on the same laboratory tests, all of them counted."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import combinations
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special

from agreement.arrays import ArrayLike, Floats, Ints, Seed
from agreement.stats.basics.clusters import athlete_codes
from agreement.stats.basics.half_t import on_grid
from agreement.stats.basics.intervals import Interval, z_of
from agreement.stats.basics.replicates import jackknife_error
from agreement.stats.limits.limits import FEWEST_FOR_SD


class DifferentTests(NamedTuple):
    """Size of one method's errors over another's, each on its own tests."""

    ratio: float
    interval: Interval
    df: float
    standard_error: float  # of the logarithm of the ratio
    # n, shared: athletes in all, and in both
    n: int
    shared: int


def different_tests(
    difference_a: ArrayLike,
    athlete_a: ArrayLike,
    difference_b: ArrayLike,
    athlete_b: ArrayLike,
    *,
    spread: bool = False,
) -> DifferentTests:
    """
    Ratio of the sizes of two methods' errors, not read against the same tests.

    difference_a, difference_b: shapes (n_a,), (n_b,). Field minus laboratory. [mL/kg/min]
    athlete_a, athlete_b: shapes (n_a,), (n_b,). The same person carries the same id in both.
    spread: take each method's bias out first.
    Raises ValueError with fewer than 3 athletes, a missing value, or a method without any error.

    Jackknife of each logarithm; what shared athletes make both move together is taken off. Degrees
    of freedom as for partly overlapping samples [1]_. Season and laboratory differ with the method,
    so no test is made of it and nothing is called closer.

    .. [1] Derrick B, Toher D, White P. How to compare the means of two samples that include paired
       observations and independent observations. Quant Meth Psych 2017;13:120-126 (memory).

    >>> found = different_tests([1, -2, 2, -1], [1, 2, 3, 4], [2, -4, 4, -2], [5, 6, 7, 8])
    >>> round(found.ratio, 6), found.shared
    (0.5, 0)
    """
    athletes_a, athletes_b = np.asarray(athlete_a), np.asarray(athlete_b)
    log_a, without_a = log_size(difference_a, athletes_a, spread=spread)
    log_b, without_b = log_size(difference_b, athletes_b, spread=spread)
    _, of_a, of_b = np.intersect1d(
        np.unique(athletes_a), np.unique(athletes_b), return_indices=True
    )
    n_a, n_b, shared = len(without_a), len(without_b), len(of_a)
    # each athlete's part of a logarithm: their squares sum to its variance
    x = (without_a - without_a.mean()) * np.sqrt((n_a - 1) / n_a)
    y = (without_b - without_b.mean()) * np.sqrt((n_b - 1) / n_b)
    squared_a, squared_b = float(x @ x), float(y @ y)
    together = float(x[of_a] @ y[of_b])
    error = float(np.sqrt(max(squared_a + squared_b - 2 * together, 0.0)))
    df = overlapping_df(squared_a, squared_b, n_a, n_b, shared)
    half = float(special.stdtrit(df, 0.975)) * error
    logs = log_a - log_b + np.array([0.0, -half, half])
    ratio, low, high = np.exp(logs).tolist()
    return DifferentTests(ratio, Interval(low, high), df, error, n_a + n_b - shared, shared)


# Ours: no library here tests samples that overlap in part.
def overlapping_df(var_a: float, var_b: float, n_a: int, n_b: int, shared: int) -> float:
    """
    Degrees of freedom of a difference of two samples that share some athletes.

    var_a, var_b: squared standard errors.

    >>> overlapping_df(1.0, 1.0, 20, 20, 20), overlapping_df(1.0, 1.0, 20, 20, 0)
    (19.0, 38.0)
    """
    total = (var_a + var_b) ** 2
    welch = total / (var_a**2 / (n_a - 1) + var_b**2 / (n_b - 1))
    if shared < 2:
        return welch
    apart = (n_a + n_b - 2 * shared) / (n_a + n_b)
    return shared - 1 + (welch - shared + 1) * apart


N_FLIPS: Final = 9999
MOST_SIGNS: Final = 100_000_000  # of very many athletes fewer flips, never below `LEAST_FLIPS`
LEAST_FLIPS: Final = 999
SHARE_SCALE: Final = 0.2  # of the half-t prior on the SD of true log errors
_LEVEL: Final = 0.975
_TIED: Final = 1e-12
_BLOCK: Final = 2_000_000  # signs multiplied at once
_HELD: Final = 5_000_000  # flipped sums held at once
_KEPT: Final = 1 << 21  # signs that are kept for whoever asks again
_STEPS: Final = np.linspace(-8.0, 8.0, 321)


@dataclass(frozen=True, eq=False)
class Closer:
    """Sizes of the errors of several methods on the same tests, and every two against each other."""

    names: tuple[str, ...]  # the m methods
    spread: bool  # whether each method's bias was taken out first
    # n, n_pairs: athletes, each of equal weight, and laboratory tests
    n: int
    n_pairs: int
    sizes: Floats  # shape (m,). Root mean square error, or standard deviation. [mL/kg/min]
    size_errors: Floats  # shape (m,). Jackknife standard errors of their logarithms.
    pairs: tuple[tuple[int, int], ...]  # places of the methods that each comparison is about
    # log_ratios, errors: shape (P,). Logarithm of the first size over the second; jackknife
    # standard error.
    log_ratios: Floats
    errors: Floats
    # p, p_joint: shape (P,). Of equal sizes, by flips of sign; joint: of the largest difference
    # among all pairs. NaN where both methods err by the same amount on every athlete.
    p: Floats
    p_joint: Floats
    factor: float  # half widths of joint intervals in standard errors

    @cached_property
    def share_closest(self) -> Floats:
        """For each method, shape (m,), how far it is believed to be the closest; never a verdict."""
        return _share_closest(np.log(self.sizes), self.errors, self.n)

    def ratio(self, k: int) -> float:
        """Size of the first method's errors over the second's, in comparison `k`."""
        return float(np.exp(self.log_ratios[k]))

    def interval(self, k: int) -> Interval:
        """Return the 95 % interval of one ratio, by Student's t."""
        return _around(self.log_ratios[k], self.errors[k], special.stdtrit(self.n - 1, _LEVEL))

    def joint_interval(self, k: int) -> Interval:
        """Return an interval of one ratio that holds for all ratios at once."""
        return _around(self.log_ratios[k], self.errors[k], self.factor)

    def size_interval(self, k: int) -> Interval:
        """Return the 95 % interval of one method's size."""
        log, t = np.log(self.sizes[k]), special.stdtrit(self.n - 1, _LEVEL)
        return _around(log, self.size_errors[k], t)

    def place(self, first: int, second: int) -> int:
        """Return which comparison is about two methods, in either order."""
        a, b, m = min(first, second), max(first, second), len(self.names)
        return a * (2 * m - a - 1) // 2 + b - a - 1  # as `combinations` counts


def _around(log: float, error: float, factor: float) -> Interval:
    """Return the ends of a number that is known by its logarithm."""
    return Interval(*np.exp(log + factor * error * np.array([-1.0, 1.0])).tolist())


def closer(
    differences: ArrayLike,
    *,
    athlete: ArrayLike | None = None,
    names: Sequence[str] = (),
    spread: bool = False,
    n_flips: int = N_FLIPS,
    rng: Seed = None,
) -> Closer:
    r"""
    Compare the sizes of the errors of two or more methods read against the same laboratory tests.

    differences: shape (n_pairs, m). Field minus laboratory: a row per laboratory test, a column per
        method. [mL/kg/min]
    athlete: shape (n_pairs,). With several tests per athlete; each athlete weighs the same.
    names: of the methods.
    spread: compare standard deviations: each method's bias is taken out first. Such a method
        *scatters less*; it is not *closer*.
    Raises ValueError with fewer than two methods or three athletes, a missing value, a method
        without any error, or errors of the same size for every athlete by every method.

    :math:`q_{ik}` is the mean squared difference of athlete i by method k. Ratios of root mean
    squares have jackknife intervals on the log scale [1]_. Equal sizes are tested by flipping the
    sign of each athlete's :math:`q_{iA} - q_{iB}` [2]_, the same flips for all pairs of methods, so
    that the largest of all differences has a distribution of its own [3]_: joint p values and joint
    intervals go by it, and many methods do not make one of them closer by chance. The laboratory's
    error sits in every size and pulls ratios towards 1.

    .. [1] Miller RG. Jackknifing variances. Ann Math Stat 1968;39:567-582 (memory).
    .. [2] Fisher RA. The design of experiments. Oliver & Boyd 1935 (memory).
    .. [3] Westfall PH, Young SS. Resampling-based multiple testing. Wiley 1993 (memory).

    >>> d = [[1, 4], [-2, 5], [0.5, -3], [1, 6], [-1, 2], [2, -4], [0, 5], [1, 3], [-2, 4], [1, -5]]
    >>> found = closer(d, names=("A", "B"), rng=1)
    >>> round(found.ratio(0), 2), bool(found.p_joint[0] < 0.05)
    (0.31, True)
    """
    d, codes = _checked(differences, athlete)
    means, squares = _by_athlete(d, codes)
    n, m = squares.shape
    size, left_out = _sizes(means, squares, spread=spread)
    pairs = tuple(combinations(range(m), 2))
    first, second = np.array(pairs).T
    logs, left = np.log(size), np.log(left_out)
    ratios = left[:, first] - left[:, second]
    errors, size_errors = jackknife_error(ratios), jackknife_error(left)
    q = squares - 2 * means * means.mean(axis=0) + means.mean(axis=0) ** 2 if spread else squares
    surplus = q[:, first] - q[:, second]
    surplus[:, np.abs(surplus).max(axis=0) <= _TIED] = np.nan  # the same method twice
    if np.isnan(surplus).all():
        raise ValueError("the methods err by the same amount on every athlete: nothing to compare.")
    n_flips = min(n_flips, max(LEAST_FLIPS, MOST_SIGNS // n))
    kept = isinstance(rng, int) and n_flips * n <= _KEPT
    signs = (_drawn_signs if kept else _signs)(n, n_flips, rng)
    observed, p, largest = _flips(surplus, signs)
    # how often the largest of all pairs is as large as each
    below = np.searchsorted(np.sort(largest), observed - _TIED, side="left")
    joint = np.where(np.isnan(observed), np.nan, (1 + n_flips - below) / (n_flips + 1))
    t = float(special.stdtrit(n - 1, _LEVEL))
    return Closer(
        tuple(names) or tuple(f"method {k + 1}" for k in range(m)),
        spread,
        n,
        len(d),
        size,
        size_errors,
        pairs,
        logs[first] - logs[second],
        errors,
        p,
        joint,
        max(t, float(np.quantile(largest, 0.95))),
    )


def log_size(
    difference: ArrayLike, athlete: ArrayLike, *, spread: bool = False
) -> tuple[float, Floats]:
    """
    Return the logarithm of the size of one method's errors, and without each athlete in turn.

    difference, athlete: shape (n_pairs,). Athletes weigh the same; they are left out in the order
        of their ids.
    spread: take the bias out first.
    """
    d, codes = _checked(np.asarray(difference, dtype=np.float64)[:, None], athlete, fewest=1)
    size, left_out = _sizes(*_by_athlete(d, codes), spread=spread)
    return float(np.log(size[0])), np.log(left_out[:, 0])


def _checked(
    differences: ArrayLike, athlete: ArrayLike | None, *, fewest: int = 2
) -> tuple[Floats, Ints]:
    d = np.asarray(differences, dtype=np.float64)
    if d.ndim != 2 or d.shape[1] < fewest:
        raise ValueError(
            f"a comparison needs a column for each of two methods or more; got {d.shape}"
        )
    if not np.isfinite(d).all():
        raise ValueError("differences hold missing or infinite values; compare complete rows only")
    codes = athlete_codes(athlete, len(d))
    n = int(codes.max()) + 1 if len(d) else 0
    if n < FEWEST_FOR_SD:
        raise ValueError(f"the comparison needs at least {FEWEST_FOR_SD} athletes; got {n}")
    return d, codes


def _by_athlete(d: Floats, codes: Ints) -> tuple[Floats, Floats]:
    """Mean difference and mean squared difference of each athlete and method."""
    count = np.bincount(codes)[:, None]
    sums = [np.stack([np.bincount(codes, column) for column in part.T], 1) for part in (d, d * d)]
    return sums[0] / count, sums[1] / count


def _sizes(means: Floats, squares: Floats, *, spread: bool) -> tuple[Floats, Floats]:
    """Return the size of each method's errors, and of all athletes but each in turn."""
    n = len(means)
    if spread:  # about the mean of athletes; centred first, squares are small numbers
        centre = means.mean(axis=0)
        squares, means = squares - 2 * means * centre + centre**2, means - centre
        without = (means.sum(axis=0) - means) / (n - 1)
        left = ((squares.sum(axis=0) - squares) / (n - 1) - without**2) * (n - 1) / (n - 2)
        whole = squares.mean(axis=0) * n / (n - 1)
    else:
        whole, left = squares.mean(axis=0), (squares.sum(axis=0) - squares) / (n - 1)
    if (whole <= _TIED).any() or (left <= _TIED).any():
        raise ValueError("one of the methods has no error that could be compared.")
    return np.sqrt(whole), np.sqrt(left)


def _signs(n: int, n_flips: int, rng: Seed) -> npt.NDArray[np.int8]:
    """Draw a sign of each athlete for each flip."""
    generator, rows = np.random.default_rng(rng), max(1, _BLOCK // n)
    drawn = [
        2 * generator.integers(0, 2, size=(min(rows, n_flips - done), n)).astype(np.int8) - 1
        for done in range(0, n_flips, rows)
    ]
    return np.vstack(drawn)


# of one seed: the same for all comparisons of n athletes
_drawn_signs = lru_cache(maxsize=8)(_signs)


def _flips(surplus: Floats, signs: npt.NDArray[np.int8]) -> tuple[Floats, Floats, Floats]:
    """Student's t of each column, its p value under flips of sign of the rows, the largest of each flip."""
    n, columns = surplus.shape
    n_flips, rows = len(signs), max(1, _BLOCK // n)
    observed, p = np.empty((2, columns))
    largest = np.full(n_flips, np.nan)
    width = max(1, _HELD // n_flips)
    for start in range(0, columns, width):
        part = surplus[:, start : start + width]
        sums = [signs[i : i + rows].astype(np.float64) @ part for i in range(0, n_flips, rows)]
        share = np.vstack([part.sum(axis=0), *sums])
        np.multiply(share, share, out=share)
        share /= n * (part**2).sum(axis=0)  # of the largest sum that flips can give
        of_part = slice(start, start + part.shape[1])
        observed[of_part] = t = _student(share[0], n)
        least = np.square(np.maximum(t - _TIED, 0.0))
        as_large = np.count_nonzero(share[1:] >= least / (least + n - 1), axis=0)
        p[of_part] = (1 + as_large) / (n_flips + 1)
        largest = np.fmax(largest, np.fmax.reduce(share[1:], axis=1))
    return observed, np.where(np.isnan(observed), np.nan, p), _student(largest, n)


def _student(share: Floats, n: int) -> Floats:
    """Return Student's t of sums that are this share of the largest that flips can give, squared."""
    return np.asarray(np.sqrt((n - 1) * share / np.maximum(1.0 - share, _TIED)))


def _share_closest(logs: Floats, errors: Floats, n: int) -> Floats:
    """Share of belief that each method is the closest, true errors drawn from one population."""
    m = len(logs)
    widened = float(special.stdtrit(n - 1, _LEVEL)) / z_of(0.95)
    e = 0.5 * float(np.mean(errors**2)) * widened**2
    grid = on_grid(logs, np.full(m, e), SHARE_SCALE)
    pull = grid.tau**2 / (grid.tau**2 + e)
    shift = pull / np.sqrt(pull * e)  # per unit of log size
    shares = np.zeros(m)
    for part, moved in zip(grid.weight, shift, strict=True):
        centre = moved * logs
        # the smallest of all lies near the smallest centre: one grid there serves every method
        beyond = centre - (centre.min() + _STEPS[:, None])
        log_beyond = special.log_ndtr(beyond)
        smallest = log_beyond.sum(axis=1, keepdims=True) - log_beyond - beyond**2 / 2
        shares += part * np.exp(smallest).sum(axis=0)
    return np.asarray(shares / shares.sum())
