"""
Which heart rates of a session can be believed, and where heart rate and work rate are steady.

Thresholds are the authors' choice, common practice, no source. Nothing is repaired: a sample is valid
or it is not, and a session with too few valid samples is not used.
"""

from typing import Final, NamedTuple

import numpy as np

from agreement.arrays import Flags, Floats, Ints
from agreement.terms import RANGES

FLAT_FROM_S: Final = 120.0  # the same number for so long is a frozen sensor
JUMP_BPM: Final = 15.0  # between neighbouring samples; a heart does not do that
JUMP_WITHIN_S: Final = 10.0
LOCKED_RANGE_BPM: Final = 6.0  # so even a stretch after a jump follows the steps, not the heart
UNMOVED_FROM: Final = 0.25  # work rates so far apart move a heart by more than a lock's range
UNMOVED_LONG_S: Final = 600.0
SPIKE_TO_S: Final = 60.0
STEP_WINDOW_S: Final = 30.0  # on both sides of a step that may last
SMOOTHED_S: Final = 5.0  # for so long a device may smooth one odd beat; the authors' choice
FEWEST_OF_A_LINE: Final = 4
BEAT_BY_BEAT_S: Final = 2.0  # samples at most so far apart are taken for single beats
BEATS_AROUND: Final = 5  # on each side of one that may be early, late or missed
ODD_BEAT: Final = 0.20  # of the median of the beats around; from memory, for beat intervals
LONGEST_SAMPLE_S: Final = 15.0  # a longer pause between samples counts as lost
REJECT_HR: Final = RANGES["hr_bpm"]
FROM_S: Final = 360.0
TO_S: Final = 1200.0
BLOCK_S: Final = 120.0
EVEN_WITHIN: Final = 0.10  # coefficient of variation of the work rate inside a block
SAME_WITHIN: Final = 0.05  # difference between the means of blocks of one work rate
SMALLEST_VALID: Final = 0.9  # share of a block with a valid heart rate
STEEPEST_UP: Final = 0.05  # the cost of grade is that of treadmills going uphill
STEEPEST_DOWN: Final = -0.01
NO_POINTS: Final = np.empty((0, 4))


class CleanHeartRate(NamedTuple):
    """Seconds that each sample stands for, which are valid, and a step that nothing explains."""

    seconds: Floats
    valid: Flags
    step_at_s: float  # NaN: none


def clean_heart_rate(t_s: Floats, hr_bpm: Floats) -> CleanHeartRate:
    """
    Judge every heart-rate sample of one session.

    t_s, hr_bpm: shape (n,). Rising sample times [s] and heart rates [bpm]; NaN or 0 is a dropout.
    Returns: invalid are: dropouts and impossible values, beats of a record by beats that are a
        fifth or more from those around them (early, late or missed), flat stretches of two minutes
        or more, stretches between two jumps that lie apart from both neighbours and are short or
        nearly constant (locked to the steps). A jump that is never taken back, and after which half
        a minute lies as far from the half minute before, may be a change of sensor: its time is
        given and the session should not be used. Lines through both half minutes have to lie apart
        at the jump too: at the start of an interval heart rate rises by as much by itself.
    """
    seconds = np.minimum(np.diff(t_s, append=t_s[-1:]), LONGEST_SAMPLE_S)
    if t_s.size > 1:
        seconds[-1] = np.median(seconds[:-1])
    valid = (
        np.isfinite(hr_bpm) & (hr_bpm >= REJECT_HR.reject_low) & (hr_bpm <= REJECT_HR.reject_high)
    )
    starts = np.flatnonzero(np.r_[True, hr_bpm[1:] != hr_bpm[:-1]])
    ends = np.r_[starts[1:], hr_bpm.size]
    flat = t_s[ends - 1] - t_s[starts] >= FLAT_FROM_S  # one and the same value
    valid &= ~np.repeat(flat, ends - starts)
    valid[valid] = ~_odd_beats(t_s[valid], hr_bpm[valid])
    where = np.flatnonzero(valid)
    if where.size < 2:
        return CleanHeartRate(seconds, valid, np.nan)
    wrong, step_at = _stretches(t_s[where], hr_bpm[where])
    valid[where[wrong]] = False
    return CleanHeartRate(seconds, valid, step_at)


def _odd_beats(t_s: Floats, hr: Floats) -> Flags:
    """Return the single beats of a record by beats that those around them do not bear out."""
    size = 2 * BEATS_AROUND + 1
    if hr.size < size or np.median(np.diff(t_s)) > BEAT_BY_BEAT_S:
        return np.zeros(hr.size, dtype=bool)
    centres = np.median(np.lib.stride_tricks.sliding_window_view(hr, size), axis=1)
    centre = np.pad(centres, BEATS_AROUND, mode="edge")
    return np.asarray(np.abs(hr - centre) > ODD_BEAT * centre)


def _stretches(t_s: Floats, hr: Floats) -> tuple[Flags, float]:
    """Return which samples lie in wrong stretches between jumps, and when a lasting step began."""
    change = np.diff(hr)
    jumps = np.flatnonzero((np.abs(change) > JUMP_BPM) & (np.diff(t_s) <= JUMP_WITHIN_S))
    wrong = np.zeros(hr.size, dtype=bool)
    if not jumps.size:
        return wrong, np.nan
    starts = np.r_[0, jumps + 1]
    ends = np.r_[jumps + 1, hr.size]
    before = np.r_[0.0, np.sign(change[jumps])]  # +1: entered upwards
    after = np.r_[np.sign(change[jumps]), 0.0]  # -1: left downwards
    for start, end, came, leaves in zip(starts, ends, before, after, strict=True):
        part = hr[start:end]
        even = np.ptp(part) <= LOCKED_RANGE_BPM
        brief = t_s[end - 1] - t_s[start] < SPIKE_TO_S
        returns = came * leaves < 0
        outer_lock = came * leaves == 0 and max(came, -leaves) > 0 and even
        if (returns and (even or brief)) or outer_lock:
            wrong[start:end] = True
    left = np.flatnonzero(~wrong)
    times, rates = t_s[left], hr[left]
    steps = np.flatnonzero((np.abs(np.diff(rates)) > JUMP_BPM) & (np.diff(times) <= JUMP_WITHIN_S))
    for i in steps + 1:
        since = times - times[i]
        before = (since >= -STEP_WINDOW_S) & (since < 0)
        after = (since >= 0) & (since <= STEP_WINDOW_S)
        settled = after & (since >= SMOOTHED_S)
        apart = np.median(rates[after]) - np.median(rates[before])
        lines = _at_the_step(since, rates, settled) - _at_the_step(since, rates, before)
        if min(abs(apart), abs(lines)) > JUMP_BPM:
            return wrong, float(times[i])
    return wrong, np.nan


def _at_the_step(since: Floats, rates: Floats, side: Flags) -> float:
    """Return where a line through one side of a step leads to at the step: a heart rises steadily."""
    if np.count_nonzero(side) < FEWEST_OF_A_LINE:
        return float(np.median(rates[side])) if side.any() else np.inf
    return float(np.polyfit(since[side], rates[side], 1)[1])


def unmoved(
    t_s: Floats, hr_bpm: Floats, clean: CleanHeartRate, work: Floats, grade: Floats
) -> float:
    """
    Return by what share of their mean work rates differ that heart rate does not answer; else 0.

    On the level from the sixth minute on, by means of two minutes, where heart rate spans
    `LOCKED_RANGE_BPM` at most (nineteen samples in twenty) for ten minutes or more. A sensor that
    follows the steps from start to end makes no jump that would tell it.
    """
    used = clean.valid & np.isfinite(work) & (t_s - t_s[0] >= FROM_S)
    used &= np.abs(grade) <= -STEEPEST_DOWN
    seconds = clean.seconds[used]
    if seconds.sum() < UNMOVED_LONG_S:
        return 0.0
    low, high = np.quantile(hr_bpm[used], (0.025, 0.975))
    if high - low > LOCKED_RANGE_BPM:
        return 0.0
    block = ((t_s[used] - t_s[0]) // BLOCK_S).astype(np.intp)
    length, done = np.bincount(block, seconds), np.bincount(block, seconds * work[used])
    rates = (done / np.maximum(length, 1.0))[length >= BLOCK_S / 2]
    if not rates.size or not rates.mean() > 0.0:
        return 0.0
    change = float(np.ptp(rates) / rates.mean())
    return change if change >= UNMOVED_FROM else 0.0


def steady_points(t_s: Floats, hr_bpm: Floats, valid: Flags, work: Floats, grade: Floats) -> Floats:
    """
    Find the steady stretches of one session; `work` is speed [m/s] or power [W].

    Returns: shape (n, 4). Means of heart rate, work and grade of each stretch, and its minutes.
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
    where = np.flatnonzero(even[1:] & even[:-1] & same)
    if not where.size:
        return NO_POINTS
    # steady blocks that follow each other at one work rate are one stretch
    group = np.cumsum(np.r_[True, (np.diff(where) > 1) | ~same[where[1:]]]) - 1
    size = np.bincount(group).astype(np.float64)
    means = [np.bincount(group, v[1:][where]) / size for v in (pulse, rate, slope)]
    return np.column_stack([*means, size * BLOCK_S / 60])


def _by_block(which: Flags, block: Ints, value: Floats, n: int) -> Floats:
    sums: Floats = np.bincount(block[which], value[which], minlength=n + 1).astype(np.float64)
    return sums[: n + 1]
