"""
Order statistics of all slopes between two points, without listing the slopes.

For `passing_bablok`. Turned by 45 degrees (u = x + y, v = y - x) a slope S becomes t = dv/du with
S = (1 + t)/(1 - t). Slopes above -1 keep their order, those below -1 come after them, slopes of
exactly -1 (du = 0) and identical points drop out: the order of t is the order that Passing and
Bablok's shifted median asks for, and a rank among the t needs no shift.

Points are whole numbers (values times a power of ten), so that ties are ties and every slope is
one correctly rounded division: the answer is an observed slope, bit for bit, whichever of the three
ways below found it.
"""

from itertools import cycle
from typing import Final, Literal, NamedTuple

import numpy as np

from agreement.arrays import DECIMALS, ArrayLike, Floats, Ints

LARGEST_SPREAD: Final = 2**29  # of x and of y: keeps every product below inside 64-bit integers
FEW_PAIRS: Final = 2**16  # listing this many slopes is fastest
# of the padded grid of displacements; finer grids cost more than counting
CELLS_PER_POINT: Final = 150
LARGEST_GRID: Final = 2**22  # cells, 32 MB each time they are held
# resolution of trial values of t; above any du, so that an odd step hits no slope
STEPS: Final = 2**30
LISTED_PER_POINT: Final = 16  # slopes listed around a rank, per point
SMALL_BLOCK: Final = 64  # compared pair by pair


def as_whole_numbers(x: Floats, y: Floats) -> tuple[Ints, Ints, int]:
    """
    Return x and y times the same power of ten, as whole numbers, and the power.

    Raises ValueError if their spread is too wide for any.
    """
    widest = max(np.ptp(x), np.ptp(y))
    fits = [d for d in range(DECIMALS + 1) if widest * 10**d < LARGEST_SPREAD]
    if not fits:
        raise ValueError(f"values spread over {widest:g}; give them in a larger unit.")
    for decimals in fits:
        scaled = np.rint(x * 10**decimals), np.rint(y * 10**decimals)
        if all(
            np.array_equal(whole / 10**decimals, v) for whole, v in zip(scaled, (x, y), strict=True)
        ):
            break
    return scaled[0].astype(np.int64), scaled[1].astype(np.int64), decimals


def kept_slopes(x: Ints, y: Ints) -> int:
    """Count the pairs of points with a slope that is defined and not -1."""
    n = len(x)
    return n * (n - 1) // 2 - alike_pairs(x + y)


def alike_pairs(values: Ints) -> int:
    """Count the pairs of equal values."""
    _, count = np.unique(values, return_counts=True)
    return int((count * (count - 1)).sum()) // 2


def slopes_at_ranks(x: Ints, y: Ints, ranks: ArrayLike) -> Floats:
    """
    Return the slopes that stand at the given ranks of the order of t.

    x, y: shape (n,). Points in whole numbers, each with a spread below `LARGEST_SPREAD`.
    ranks: shape (k,). From 1 to `kept_slopes`.
    Returns: shape (k,). dy/dx; inf for a vertical pair.
    """
    x, y = x - x.min(), y - y.min()
    wanted = np.asarray(ranks, dtype=np.int64)
    if len(x) * (len(x) - 1) // 2 <= FEW_PAIRS:
        i, j = np.triu_indices(len(x), 1)
        return _among(x[j] - x[i], y[j] - y[i], np.ones(len(i), dtype=np.int64), wanted)
    padded = _padded_shape(x, y)
    if padded[0] * padded[1] <= min(CELLS_PER_POINT * len(x), LARGEST_GRID):
        return _among(*_count_displacements(x, y, padded), wanted)
    return _select(x, y, wanted)


# --- few points, or values on a coarse grid: a table of slopes and how often each occurs ------------


def _padded_shape(x: Ints, y: Ints) -> tuple[int, int]:
    from scipy.fft import next_fast_len

    wide, high = (2 * int(values.max()) + 1 for values in (x, y))
    return int(next_fast_len(wide)), int(next_fast_len(high, real=True))


def _count_displacements(x: Ints, y: Ints, padded: tuple[int, int]) -> tuple[Ints, Ints, Ints]:
    """
    Count the pairs of points for each displacement (dx, dy), dx >= 0.

    Values rounded to a tenth lie on a small grid; the counts are the autocorrelation of the grid's
    histogram, whatever the number of points.
    """
    from scipy import fft

    width, height = int(x.max()) + 1, int(y.max()) + 1
    histogram = np.bincount(x * height + y, minlength=width * height).reshape(width, height)
    spectrum = fft.rfft2(histogram, padded)
    power = spectrum.real**2 + spectrum.imag**2
    del spectrum
    counts = np.rint(fft.irfft2(power, padded)[:width]).astype(np.int64)
    counts[0, 0] = 0
    counts[0, height:] = 0  # dx = 0: each pair once, as dy > 0
    dx, column = np.nonzero(counts)
    dy = np.where(column < height, column, column - padded[1])
    return dx, dy, counts[dx, column]


def _among(dx: Ints, dy: Ints, count: Ints, ranks: Ints) -> Floats:
    """Return the slopes at the ranks, from displacements and how often each occurs."""
    at, slope = rotated_slopes(dx, dy)
    return slope[np.searchsorted(np.cumsum(count[at]), ranks)]


def rotated_slopes(dx: Ints, dy: Ints) -> tuple[Ints, Floats]:
    """Return places and slopes of displacements in the order of t, without -1 and no displacement."""
    kept = np.flatnonzero(dx + dy != 0)
    with np.errstate(divide="ignore"):
        slope = np.where(dx[kept] == 0, np.inf, dy[kept] / dx[kept])
    order = np.argsort(slope)
    order = np.roll(order, -int(np.count_nonzero(slope < -1)))  # those below -1 come last
    return kept[order], slope[order]


# --- many points on a fine grid: count, narrow, list what is left -----------------------------------


class _Trial(NamedTuple):
    step: int  # t = step / STEPS
    below: int  # slopes with a smaller t


class _Frame:
    """Points in the turned frame, sorted by u, then v."""

    def __init__(self, x: Ints, y: Ints) -> None:
        u, v = x + y, y - x
        order = np.argsort(u * 4 * LARGEST_SPREAD + (v - v.min()))
        self.u, self.v = u[order], v[order]
        same = (np.diff(self.u) == 0) & (np.diff(self.v) == 0)
        # copies must not count as crossed
        self.kind: Literal["stable"] | None = "stable" if same.any() else None

    def order_at(self, step: int) -> Ints:
        """Order of the points along v - t u: two points are crossed where their slope is below t."""
        key = self.v * STEPS - self.u * step
        return np.argsort(key, kind=self.kind)

    def count_below(self, step: int) -> _Trial:
        return _Trial(step, count_inversions(self.order_at(step)))


def _select(x: Ints, y: Ints, ranks: Ints) -> Floats:
    """
    Narrow the bracket of each rank until few slopes are left in it, then list these.

    By a straight line through the counts, aimed beside the rank, and every third time by halves:
    where many equal slopes make the count jump, a line alone gets nowhere.
    """
    frame, few, found = _Frame(x, y), LISTED_PER_POINT * len(x), {}
    trials = [frame.count_below(step) for step in (1 - STEPS, 1 + STEPS)]
    if trials[0].below >= ranks.min() or trials[1].below < ranks.max():
        raise ValueError(
            "too many pairs share one value of either method: the slope has no bounds."
        )
    for rank in set(ranks.tolist()):
        for by_line in cycle((True, True, False)):
            place = next(k for k, trial in enumerate(trials) if trial.below >= rank)
            low, high = trials[place - 1], trials[place]
            left = high.below - low.below
            if left <= few or high.step - low.step == 2:
                break
            aim = few // 4 if high.below - rank > few // 2 else -few // 4
            share = (rank + aim - low.below) / left if by_line else 0.5
            step = low.step + share * (high.step - low.step)
            step = min(max(2 * int(step // 2) + 1, low.step + 2), high.step - 2)
            trials.insert(place, frame.count_below(step))
        at = rank - low.below - 1
        found[rank] = np.partition(_list_between(frame, low.step, high.step), at)[at]
    return np.array([found[rank] for rank in ranks.tolist()])


def _list_between(frame: _Frame, low: int, high: int) -> Floats:
    """
    List the slopes dy/dx with t between two steps, in no order.

    They belong to the pairs of points that stand in another order along v - t u at the two ends.
    Few pairs cross, so partners stand close together: look one place ahead, then two ...
    """
    before, after = frame.order_at(low), frame.order_at(high)
    n = len(before)
    place = np.empty(n, dtype=np.int32)
    place[after] = np.arange(n, dtype=np.int32)
    place = place[before]
    furthest = np.searchsorted(np.maximum.accumulate(place), place, side="right")
    u, v = frame.u[before], frame.v[before]
    slopes = []
    for ahead in range(1, int((np.arange(n) - furthest).max()) + 1):
        i = np.flatnonzero(place[:-ahead] > place[ahead:])
        du, dv = u[i + ahead] - u[i], v[i + ahead] - v[i]
        slopes.append((du + dv) / (du - dv))
    return np.concatenate(slopes) if slopes else np.empty(0)


def count_inversions(permutation: Ints) -> int:
    """
    Count the pairs of a permutation of 0 ... n - 1 that stand in falling order.

    From the highest bit down, every block holds a known range of values. Sorting a block by its
    bit alone moves each small value down past the large ones before it; the sum of those moves
    follows from where the small values stand. The last blocks are compared pair by pair.
    """
    n = len(permutation)
    size = max(1 << (n - 1).bit_length(), SMALL_BLOCK)
    values = np.arange(size, dtype=np.int32)  # what is appended is in order already
    values[:n] = permutation
    total = 0
    while size > SMALL_BLOCK:
        half = size // 2
        small = (values & half) == 0
        at = np.flatnonzero(small)
        blocks = len(values) // size
        total += int((at & (size - 1)).sum()) - blocks * (half * (half - 1) // 2)
        parts = values[at].reshape(blocks, half), values[~small].reshape(blocks, half)
        values = np.concatenate(parts, axis=1).ravel()
        size = half
    columns = np.ascontiguousarray(values.reshape(-1, SMALL_BLOCK).T)
    for ahead in range(1, SMALL_BLOCK):
        total += int(np.count_nonzero(columns[:-ahead] > columns[ahead:]))
    return total
