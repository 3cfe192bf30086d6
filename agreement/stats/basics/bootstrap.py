"""
The cluster bootstrap: athletes are drawn, with all their rows; one drawing serves every statistic.

With few athletes its intervals are too short, and `Replicates.interval` leaves out each athlete in
turn instead. A drawing is kept as counts: how often each athlete came up. A statistic is a function of
frequency weights, so that thousands of resamples are one array operation; a statistic that is a
function of sums over athletes needs only ``counts @ sums``.
"""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from typing import Final, Literal, TypeVar

import numpy as np
import numpy.typing as npt
from scipy import special

from agreement.stats.basics.intervals import Interval, checked_share, t_interval, t_p_value

Floats = npt.NDArray[np.float64]
T = TypeVar("T")
R = TypeVar("R")
Statistic = Callable[[Floats], Floats]
Scale = Literal["plain", "log", "atanh", "ranked"]  # ranked: shares, medians; no jackknife holds

N_RESAMPLES = 9999
FEW_ATHLETES = 15  # below, bootstrap intervals come out too short
FEW_FOR_RESAMPLES: Final = 30  # below, smooth statistics have the jackknife's interval
FEWEST_ATHLETES: Final = 5  # below, no interval at all
JACKKNIFE_T: Final = "jackknife_t"
_CHUNK = 1 << 16  # numbers held at once; small enough for a processor's cache
_DRAWN = 1 << 18  # numbers drawn at once; enough that handing them over costs nothing
_SAME = 1e-10  # relative: nearer than this is a tie, not a difference


class ResampledInterval(Interval):
    """
    An interval from resamples, with what the reader should know of it.

    Attributes
    ----------
    said : str
        How many resamples failed, what else was done, or why there is no interval; a row of
        results tells it in its note.
    """

    said: str = ""

    @classmethod
    def of(cls, low: float, high: float, *, failed: int, n_resamples: int) -> "ResampledInterval":
        """Return the interval that remains when `failed` of `n_resamples` gave no number."""
        return cls.saying(failed_in_words(failed, n_resamples), low, high)

    @classmethod
    def saying(cls, said: str, low: float = np.nan, high: float = np.nan) -> "ResampledInterval":
        """Return an interval with a remark; without ends, the remark is why there is none."""
        found = cls(float(low), float(high))
        found.said = said
        return found


def failed_in_words(failed: int, n_resamples: int) -> str:
    """Return how many resamples failed; empty when none did."""
    return f"{failed} of {n_resamples} resamples failed" if failed else ""


@dataclass(frozen=True, slots=True)
class Resampling:
    """
    Which athletes were drawn, how often, in each resample.

    Attributes
    ----------
    codes : ndarray of int, shape (n_rows,)
        The athlete of each row, 0 ... G - 1 in the order of the sorted ids.
    counts : ndarray of uint8, shape (B, G)
        How often each athlete was drawn. A count above 255 cannot happen below 256 athletes and
        has no realistic chance above.
    seed : int or None
        Where the drawing started, when that is known.
    """

    codes: npt.NDArray[np.intp]
    counts: npt.NDArray[np.uint8]
    seed: int | None = None

    @property
    def n_resamples(self) -> int:
        """B."""
        return int(self.counts.shape[0])

    @property
    def n_athletes(self) -> int:
        """G."""
        return int(self.counts.shape[1])


@dataclass(frozen=True)
class Replicates:
    """
    k statistics in the sample, in each resample, and with each athlete left out.

    Attributes
    ----------
    estimate : ndarray, shape (k,)
    replicates : ndarray, shape (B, k)
    jackknife : ndarray, shape (G, k)
    seed : int or None
    scales : tuple of str
        For each statistic the scale on which `interval` takes it for normal.
    """

    estimate: Floats
    replicates: Floats
    jackknife: Floats
    seed: int | None = None
    scales: tuple[Scale, ...] = ()

    @cached_property
    def failed(self) -> npt.NDArray[np.intp]:
        """How many resamples gave no number, for each statistic."""
        return np.asarray(np.count_nonzero(np.isnan(self._sorted), axis=1), dtype=np.intp)

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """For each statistic what the reader should know of its interval; mostly empty."""
        return tuple(self._note(k) for k in range(self.estimate.size))

    def interval(self, which: int = 0, confidence_level: float = 0.95) -> Interval:
        """
        Interval of one statistic by the means that so many athletes allow.

        From 30 athletes on BCa; below, the jackknife's, or BCa down to 15 athletes for shares and
        medians, of which a jackknife is not consistent. Below that none, and it says so.

        Parameters
        ----------
        which : int, default 0
        confidence_level : float, default 0.95

        Returns
        -------
        Interval
            Its ``said`` goes into the note of the row.

        Notes
        -----
        The statistics that are smooth go by Student's t on their scale [1]_: with 5 to 29 athletes,
        one or two pairs each, the interval holds the truth in 91 to 97 % of studies where that of
        the bootstrap held it in 50 to 87 % (simulated).

        References
        ----------
        .. [1] Tukey JW. Bias and confidence in not quite large samples. Ann Math Stat 1958;29:614
           (memory).

        Examples
        --------
        >>> size = np.array([[1.0, d] for d in (2.0, 2.5, 3.5, 1.0, 4.0, 2.5)])
        >>> drawn = cluster_resampling(range(6), rng=1)
        >>> found = bootstrap_of_sums(drawn, size, lambda s: s[:, 1:] / s[:, :1], scales=("log",))
        >>> low, high = found.interval()
        >>> print(f"{found.estimate[0]:.2f} ({low:.2f} to {high:.2f}), {found.interval().said}")
        2.58 (1.67 to 3.99), jackknife_t
        """
        g = len(self.jackknife)
        ranked = bool(self.scales) and self.scales[which] == "ranked"
        if g < (FEW_ATHLETES if ranked else FEWEST_ATHLETES):
            return ResampledInterval.saying(_TOO_FEW)
        if g < FEW_FOR_RESAMPLES and not ranked:
            return self.jackknife_interval(which, confidence_level)
        return self.bca_interval(which, confidence_level)

    def jackknife_interval(self, which: int = 0, confidence_level: float = 0.95) -> Interval:
        """Student's interval from the values with each athlete left out, on the scale given."""
        scale = self.scales[which] if self.scales else "plain"
        with np.errstate(divide="ignore", invalid="ignore"):  # off its scale: not finite
            there, left_out = (
                _ON_SCALE[scale](part[..., which]) for part in (self.estimate, self.jackknife)
            )
        error = _jackknife_error(left_out)
        if not (np.isfinite(there) and np.isfinite(error)):
            return ResampledInterval.saying(_NO_INTERVAL)
        ends = t_interval(float(there), error, len(left_out) - 1, confidence_level)
        low, high = _FROM_SCALE[scale](np.array(ends))
        return ResampledInterval.saying(JACKKNIFE_T, low, high)

    def bca_interval(self, which: int = 0, confidence_level: float = 0.95) -> Interval:
        """
        Bias-corrected and accelerated interval of one statistic.

        Falls back to percentiles, and says so in `notes`, where it is undefined.

        Notes
        -----
        Short of its word in small studies. Of 30 normal athletes a 95 % interval holds the truth in
        93 % of studies for means, slopes and limits, in 91 to 92 % for spreads (rmse, standard
        deviation, standard error of estimate), and in 89 % for the slope of the spread (measured).

        References
        ----------
        .. [1] Efron B, Tibshirani RJ. An introduction to the bootstrap. Chapman & Hall, 1993, ch. 14.
        """
        tail = (1.0 - checked_share("confidence_level", confidence_level)) / 2.0
        levels = self._bca_levels(which, tail)
        if levels is None:
            return self.percentile_interval(which, confidence_level)
        return self._quantiles(which, levels)

    def percentile_interval(self, which: int = 0, confidence_level: float = 0.95) -> Interval:
        """Interval between two quantiles (type 7) of the resamples."""
        tail = (1.0 - checked_share("confidence_level", confidence_level)) / 2.0
        return self._quantiles(which, np.array([tail, 1.0 - tail]))

    def p_value(self, which: int = 0, null: float = 0.0) -> float:
        """
        Two-sided p value of a statistic being `null`: where the BCa interval just reaches it.

        By the jackknife's t where nothing was drawn. Never below 1 / (B + 1), since B resamples
        cannot say more. A little liberal: for the mean
        of 40 normal athletes 7 % of p values lie below 0.05 (measured, 4000 runs).
        """
        if not len(self.replicates):
            return self._p_by_jackknife(which, null)
        values, z0, acceleration = self._finite(which), 0.0, 0.0
        if values.size == 0:
            return np.nan
        corrections = self._corrections(which)
        if corrections is not None:
            z0, acceleration = corrections
        smallest = 0.5 / (values.size + 1.0)
        share = float(np.clip(self._share_below(which, null), smallest, 1.0 - smallest))
        shifted = float(special.ndtri(share)) - z0
        tail = float(special.ndtr(shifted / (1.0 + acceleration * shifted) - z0))
        return max(2.0 * min(tail, 1.0 - tail), 2.0 * smallest)

    def _p_by_jackknife(self, which: int, null: float) -> float:
        distance = float(self.estimate[which]) - null
        error = _jackknife_error(self.jackknife[:, which])
        if error == 0.0:
            return 1.0 if distance == 0.0 else 0.0
        return t_p_value(distance / error, len(self.jackknife) - 1)

    @cached_property
    def _sorted(self) -> Floats:
        """Replicates of each statistic in rising order, shape (k, B); failed ones stand last."""
        numbers = np.where(np.isfinite(self.replicates), self.replicates, np.nan)
        return np.sort(np.ascontiguousarray(numbers.T), axis=1)

    def _finite(self, which: int) -> Floats:
        return self._sorted[which, : len(self.replicates) - self.failed[which]]

    def _quantiles(self, which: int, levels: Floats) -> Interval:
        values = self._finite(which)
        if values.size == 0:
            return Interval(np.nan, np.nan)  # the row has no value either, and says why
        position = levels * (values.size - 1)
        below = position.astype(np.intp)
        above = np.minimum(below + 1, values.size - 1)
        low, high = values[below] + (position - below) * (values[above] - values[below])
        failed, n = int(self.failed[which]), len(self.replicates)
        return ResampledInterval.of(low, high, failed=failed, n_resamples=n)

    def _tolerance(self, which: int) -> float:
        return _SAME * max(1.0, abs(float(self.estimate[which])))

    def _bca_levels(self, which: int, tail: float) -> Floats | None:
        corrections = self._corrections(which)
        if corrections is None:
            return None
        z0, acceleration = corrections
        shifted = z0 + special.ndtri([tail, 1.0 - tail])
        return np.asarray(special.ndtr(z0 + shifted / (1.0 - acceleration * shifted)))

    def _corrections(self, which: int) -> tuple[float, float] | None:
        """Bias correction and acceleration; None where they are undefined."""
        u = self._influence(which)
        if u is None or self._finite(which).size == 0:
            return None
        z0 = float(special.ndtri(self._share_below(which, float(self.estimate[which]))))
        if not np.isfinite(z0):
            return None
        return z0, float((u**3).sum() / (6.0 * (u @ u) ** 1.5))

    def _share_below(self, which: int, value: float) -> float:
        """Share of resamples below `value`; ties count half."""
        values, tolerance = self._finite(which), self._tolerance(which)
        ends = np.searchsorted(values, [value - tolerance, value + tolerance])
        return float(ends.sum()) / (2.0 * values.size)

    def _influence(self, which: int) -> Floats | None:
        left_out = self.jackknife[:, which]
        left_out = left_out[np.isfinite(left_out)]
        if left_out.size == 0 or np.ptp(left_out) <= self._tolerance(which):
            return None
        return np.asarray(left_out.mean() - left_out)

    def _note(self, which: int) -> str:
        parts = []
        if self._corrections(which) is None:
            parts.append("percentile interval: BCa undefined")
        if failed := failed_in_words(int(self.failed[which]), len(self.replicates)):
            parts.append(failed)
        if len(self.jackknife) < FEW_ATHLETES:
            parts.append(f"bootstrap intervals are too short below {FEW_ATHLETES} athletes")
        return "; ".join(parts)


def cluster_resampling(
    athlete: npt.ArrayLike,
    *,
    n_resamples: int = N_RESAMPLES,
    rng: int | np.random.Generator | None = None,
    strata: npt.ArrayLike | None = None,
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
    strata : array_like, shape (n_rows,), optional
        Group of each row; athletes are then drawn within their group, so that every group keeps
        its size.

    Returns
    -------
    Resampling

    Raises
    ------
    ValueError
        Without rows, or when an athlete is in two strata.
    """
    ids, codes = np.unique(np.asarray(athlete), return_inverse=True)
    if ids.size == 0:
        message = "the bootstrap needs at least one athlete; got none"
        raise ValueError(message)
    generator = np.random.default_rng(rng)
    seed = rng if isinstance(rng, int) else None
    if strata is None:
        return Resampling(codes, _drawn_counts(generator, n_resamples, ids.size), seed)
    counts = np.zeros((n_resamples, ids.size), dtype=np.uint8)
    for members in _strata(codes, ids.size, strata):
        counts[:, members] = _drawn_counts(generator, n_resamples, members.size)
    return Resampling(codes, counts, seed)


def bootstrap(
    resampling: Resampling, statistic: Statistic, *, scales: tuple[Scale, ...] = ()
) -> Replicates:
    """
    Statistics of rows, in every resample.

    Parameters
    ----------
    resampling : Resampling
    statistic : callable
        Takes frequency weights of shape (R, n_rows) and returns shape (R, k); nan marks failure.
    scales : tuple of str, optional
        As of `Replicates`; where they make every interval the jackknife's, nothing is drawn.

    Returns
    -------
    Replicates
    """
    codes = resampling.codes

    def of_counts(counts: Floats) -> Floats:
        with np.errstate(divide="ignore", invalid="ignore"):  # what fails is nan, and counted
            return statistic(counts[:, codes])

    return _replicates(resampling, of_counts, codes.size, scales)


def bootstrap_of_sums(
    resampling: Resampling,
    columns: npt.ArrayLike,
    statistic: Statistic,
    *,
    scales: tuple[Scale, ...] = (),
) -> Replicates:
    """
    Statistics that are functions of sums over rows, in every resample: the fast route.

    Parameters
    ----------
    resampling : Resampling
    columns : array_like, shape (n_rows, p)
        What is summed; for the number of rows give a column of ones.
    statistic : callable
        Takes sums of shape (R, p) and returns shape (R, k); nan marks failure.
    scales : tuple of str, optional
        As of `bootstrap`.

    Returns
    -------
    Replicates
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


def _jackknife_error(left_out: Floats) -> float:
    """Return the standard error of a statistic from its values with each athlete left out."""
    g = len(left_out)
    with np.errstate(invalid="ignore"):  # off its scale
        return float(np.sqrt((g - 1) / g * ((left_out - left_out.mean()) ** 2).sum()))


_TOO_FEW: Final = "too_few"
_NO_INTERVAL: Final = "not_estimable: no interval, a value without one athlete is off its scale"
_ON_SCALE: Final[dict[Scale, Statistic]] = {
    "plain": np.asarray,
    "log": np.log,
    "atanh": np.arctanh,
    "ranked": np.asarray,
}
_FROM_SCALE: Final[dict[Scale, Statistic]] = {
    "plain": np.asarray,
    "log": np.exp,
    "atanh": np.tanh,
    "ranked": np.asarray,
}


def _strata(
    codes: npt.NDArray[np.intp], n_athletes: int, strata: npt.ArrayLike
) -> list[npt.NDArray[np.intp]]:
    groups = np.unique(np.asarray(strata), return_inverse=True)[1]
    of_athlete = np.zeros(n_athletes, dtype=np.intp)
    of_athlete[codes] = groups
    if np.any(of_athlete[codes] != groups):
        message = "`strata` must be the same on all rows of an athlete"
        raise ValueError(message)
    return [np.flatnonzero(of_athlete == group) for group in range(groups.max() + 1)]


def _drawn_counts(
    generator: np.random.Generator, n_resamples: int, n_athletes: int
) -> npt.NDArray[np.uint8]:
    counts = np.zeros((n_resamples, n_athletes), dtype=np.uint8)
    small = counts.size < 2 * _DRAWN  # then a thread costs more than it saves
    parts = _chunks(counts, n_athletes, _CHUNK if small else _DRAWN)

    def places(part: npt.NDArray[np.uint8]) -> npt.NDArray[np.int64]:
        drawn = generator.integers(0, n_athletes, size=part.shape)
        drawn += np.arange(0, part.size, n_athletes)[:, None]
        return drawn.reshape(-1)

    for part, drawn in zip(
        parts, map(places, parts) if small else _ahead(places, parts), strict=True
    ):
        np.add.at(part.reshape(-1), drawn, np.uint8(1))  # a view: counted in place
    return counts


def _ahead(function: Callable[[T], R], items: Sequence[T]) -> Iterator[R]:
    """Yield the result of each item; the next is computed while the last one is put to use."""
    with ThreadPoolExecutor(1) as thread:
        coming = thread.submit(function, items[0])
        for item in items[1:]:
            result = coming.result()
            coming = thread.submit(function, item)
            yield result
        yield coming.result()


def _chunks(
    counts: npt.NDArray[np.uint8], numbers_per_resample: int, numbers: int = _CHUNK
) -> list[npt.NDArray[np.uint8]]:
    size = max(1, numbers // numbers_per_resample)
    return [counts[start : start + size] for start in range(0, len(counts), size)]


def _replicates(
    resampling: Resampling, of_counts: Statistic, n_rows: int, scales: tuple[Scale, ...]
) -> Replicates:
    g, counts = resampling.n_athletes, _drawn_of(resampling, scales)
    resampled = [of_counts(part.astype(np.float64)) for part in _chunks(counts, n_rows)]
    size = max(1, _CHUNK // n_rows)
    left_out = [
        of_counts(1.0 - np.eye(min(size, g - start), g, start)) for start in range(0, g, size)
    ]
    estimate = of_counts(np.ones((1, g)))[0]
    drawn = np.vstack(resampled or [np.empty((0, estimate.size))])
    return Replicates(estimate, drawn, np.vstack(left_out), resampling.seed, scales)
