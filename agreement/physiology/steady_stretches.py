"""
Steady stretches of a training session: where heart rate and work rate belong together.

Minutes 6 to 20 are used: before, oxygen uptake still rises; later, heart rate drifts. Two-minute
blocks of an even work rate, each preceded by a block of the same work rate, become points; blocks of
one work rate in a row are one point. Thresholds are the authors' choice, common practice, no source.
"""

from typing import Final, NamedTuple

import numpy as np

from agreement.physiology.arrays import BoolArray, FloatArray, IntArray

FROM_S: Final = 360.0
TO_S: Final = 1200.0
BLOCK_S: Final = 120.0
EVEN_WITHIN: Final = 0.10  # coefficient of variation of the work rate inside a block
SAME_WITHIN: Final = 0.05  # difference between the means of blocks of one work rate
SMALLEST_VALID: Final = 0.9  # share of a block with a valid heart rate
STEEPEST_UP: Final = 0.05  # the cost of grade is that of treadmills going uphill
STEEPEST_DOWN: Final = -0.01


class SteadyPoints(NamedTuple):
    """One row per steady stretch: means of heart rate, work rate and grade, and its length."""

    hr_bpm: FloatArray
    work: FloatArray  # m/s or W
    grade: FloatArray
    minutes: FloatArray


def steady_points(
    t_s: FloatArray, hr_bpm: FloatArray, valid: BoolArray, work: FloatArray, grade: FloatArray
) -> SteadyPoints:
    """
    Find the steady stretches of one session.

    t_s, hr_bpm, work, grade: shape (n,). Time since the start [s], heart rate [bpm], speed [m/s] or
        power [W], grade as a fraction.
    valid: shape (n,). Which heart rates can be believed.
    Returns: possibly none.
    """
    blocks = int((TO_S - FROM_S) // BLOCK_S)
    edges = FROM_S - BLOCK_S + BLOCK_S * np.arange(blocks + 2)  # one block before, to compare with
    block = np.searchsorted(edges, t_s - t_s[0], side="right") - 1
    inside = (block >= 0) & (block <= blocks)
    worked = inside & np.isfinite(work)
    used = worked & valid
    count = _by_block(worked, block, np.ones_like(t_s), blocks)
    trusted = _by_block(used, block, np.ones_like(t_s), blocks)
    with np.errstate(divide="ignore", invalid="ignore"):
        pulse = _by_block(used, block, hr_bpm, blocks) / trusted
        rate = _by_block(worked, block, work, blocks) / count
        slope = _by_block(worked, block, grade, blocks) / count
        spread = _by_block(worked, block, (work - rate[np.clip(block, 0, blocks)]) ** 2, blocks)
        even = np.sqrt(spread / count) <= EVEN_WITHIN * rate
        even &= (trusted / count >= SMALLEST_VALID) & (rate > 0)
        even &= (slope >= STEEPEST_DOWN) & (slope <= STEEPEST_UP)
        same = np.abs(rate[1:] / rate[:-1] - 1) <= SAME_WITHIN
    steady = even[1:] & even[:-1] & same
    return _merged(pulse[1:], rate[1:], slope[1:], steady, same)


def _by_block(which: BoolArray, block: IntArray, value: FloatArray, n: int) -> FloatArray:
    sums: FloatArray = np.bincount(block[which], value[which], minlength=n + 1).astype(np.float64)
    return sums[: n + 1]


def _merged(
    pulse: FloatArray, rate: FloatArray, slope: FloatArray, steady: BoolArray, same: BoolArray
) -> SteadyPoints:
    """Average the steady blocks that follow each other at one work rate."""
    where = np.flatnonzero(steady)
    if not where.size:
        none = np.empty(0)
        return SteadyPoints(none, none, none, none)
    new = np.r_[True, (np.diff(where) > 1) | ~same[where[1:]]]
    group = np.cumsum(new) - 1
    size = np.bincount(group).astype(np.float64)
    hr, work, grade = (np.bincount(group, v[where]) / size for v in (pulse, rate, slope))
    return SteadyPoints(hr, work, grade, size * BLOCK_S / 60)
