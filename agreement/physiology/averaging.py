"""
VO2max under every averaging rule: the highest mean over a window of breaths or of seconds.

Rules in breaths take breaths as they come. Rules in seconds first read the breaths at every whole
second, by straight lines between breath times, so that unevenly spaced breaths count for the time
they took. On the open ramp tests of Nolte, Rein and Quittmann 2023 [1]_ this gives the authors'
moving values to 0.02 mL/kg/min; means over the breaths in each window miss them by up to 0.17,
means weighted with the time since the breath before by up to 0.18. Their fixed bins follow the
clock of the recording (second 1 to N, and so on), ours start at the first breath: pass ``start_s=0``
for theirs.

The time of a breath that was taken out is unknown: a window of seconds is the mean of its known
ones, and needs four fifths of them (common practice, no source).

References
----------
.. [1] Nolte, S., Rein, R., Quittmann, O. J. Data processing strategies to determine maximum oxygen
       uptake: a systematic scoping review and experimental comparison with guidelines for reporting.
       Sports Medicine 53:2463-2475, 2023. doi 10.1007/s40279-023-01903-3 (data read).
"""

import re
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from agreement.arrays import Flags, Floats
from agreement.tables.averaging_rule import GRAMMAR, UNKNOWN_RULE, normalised_rule
from agreement.tables.options import LastBin

KNOWN_OF_WINDOW: Final = 0.8  # of the seconds of a window
LONGEST_GAP_S: Final = 15.0  # a longer pause is lost data; common practice, no source
COMPARED_RULES: Final = (
    "moving 5 breaths", "moving 15 breaths", "moving 30 breaths", "moving 10 s", "moving 15 s",
    "moving 20 s", "moving 30 s", "moving 60 s", "fixed 15 s", "fixed 30 s", "fixed 60 s",
    "fixed 15 breaths", "middle 5 of 7 breaths",
)  # fmt: skip


class Rule(NamedTuple):
    """An averaging rule taken apart; `size` counts breaths or seconds, `kept` the middle ones."""

    kind: str  # moving, fixed or middle
    size: int
    unit: str  # s or breaths
    kept: int


def averaging_rule(text: str) -> Rule:
    """
    Take an averaging rule apart.

    Raises ValueError if the text is no rule, or ``unknown``.

    >>> averaging_rule("Moving 30 s")
    Rule(kind='moving', size=30, unit='s', kept=30)
    """
    plain = normalised_rule(text)
    if plain is None or plain == UNKNOWN_RULE:
        raise ValueError(f"`rule` must be {GRAMMAR.rsplit(' or ', 1)[0]}; got {text!r}")
    numbers = [int(number) for number in re.findall(r"\d+", plain)]
    kind = plain.split(" ", 1)[0]
    unit = "s" if plain.endswith(" s") else "breaths"
    return Rule(kind, numbers[-1], unit, numbers[0])


def vo2max_under_rule(
    t_s: ArrayLike,
    vo2: ArrayLike,
    rule: str,
    *,
    start_s: float | None = None,
    last_bin: LastBin = "drop",
) -> float:
    """
    Highest mean oxygen uptake under one averaging rule.

    t_s: shape (n,). Breath times, rising. [s]
    vo2: shape (n,). Oxygen uptake of each breath, in any unit; NaN where a breath was taken out.
    rule: ``moving N s``, ``fixed N s``, ``moving N breaths``, ``fixed N breaths`` or ``middle N of
        M breaths`` (in each M, the highest and lowest leave until N are left).
    start_s: where fixed bins of seconds begin; default the first breath. [s]
    last_bin: {"drop", "keep at least half"}. What becomes of a last fixed bin that is not whole;
        kept, it is the mean of what it has.
    Returns a value in the unit of `vo2`; NaN when no whole window fits.
    Raises ValueError if the rule is none, the shapes differ, or the times do not rise.

    No window of seconds reaches over a pause of more than 15 s.
    Where an odd number of breaths leaves a middle rule, one more of the highest leaves.

    >>> t = range(1, 51)  # a breath a second; the last of two bins has 20 of 30 seconds
    >>> vo2 = [2000] * 30 + [3000] * 20
    >>> vo2max_under_rule(t, vo2, "fixed 30 s")
    2000.0
    >>> vo2max_under_rule(t, vo2, "fixed 30 s", last_bin="keep at least half")
    3000.0
    """
    return vo2max_under_rules(t_s, vo2, [rule], start_s=start_s, last_bin=last_bin)[rule]


def vo2max_under_rules(
    t_s: ArrayLike,
    vo2: ArrayLike,
    rules: Sequence[str] = COMPARED_RULES,
    *,
    start_s: float | None = None,
    last_bin: LastBin = "drop",
) -> dict[str, float]:
    """Return what `vo2max_under_rule` gives for several rules at once, by rule as given."""
    times, uptake = np.asarray(t_s, dtype=np.float64), np.asarray(vo2, dtype=np.float64)
    if times.shape != uptake.shape or times.ndim != 1:
        raise ValueError(
            f"`t_s` and `vo2` must be equally long rows; got {times.shape}, {uptake.shape}"
        )
    if not (times[1:] > times[:-1]).all():
        raise ValueError(
            "`t_s` must rise from breath to breath; drop repeated and backward times first"
        )
    parsed = [averaging_rule(rule) for rule in rules]
    known = np.isfinite(uptake)
    kept = uptake if known.all() else uptake[known]
    breaths = _Series(_sums(kept), None, None, 0.0)
    half = last_bin == "keep at least half"
    seconds = None
    found = {}
    for name, rule in zip(rules, parsed, strict=True):
        if rule.kind == "middle":
            found[name] = _highest_middle(kept, rule)
        elif rule.unit == "breaths":
            found[name] = _highest(breaths, rule, 0, half=half)
        else:
            seconds = seconds if seconds is not None else _whole_seconds(times, uptake, known)
            # whole seconds before the first bin; a bin from 0 holds seconds 1 to N
            skip = 0 if start_s is None else int(-(seconds.first - 1 - start_s) % rule.size)
            found[name] = _highest(seconds, rule, skip, half=half)
    return found


class _Series(NamedTuple):
    """Running sums of a row of values, of how many are lost or unknown, and where it begins."""

    sums: Floats
    lost: Floats | None  # in a long pause; None: none is
    unknown: Floats | None  # in a breath that was taken out, 0 in `sums`; None: none is
    first: float


def _sums(values: Floats) -> Floats:
    """Return running sums from 0, so that a window's sum is one difference."""
    sums = np.empty(values.size + 1)
    sums[0] = 0.0
    np.cumsum(values, out=sums[1:])
    return sums


def _whole_seconds(times: Floats, uptake: Floats, known: Flags) -> _Series:
    """Read the breaths at every whole second; the seconds of a long pause are lost."""
    if not known.any():
        return _Series(np.zeros(1), None, None, 0.0)
    first = float(np.ceil(times[0]))
    clock = np.arange(first, np.floor(times[-1]) + 1)
    values = np.interp(clock, times[known], uptake[known])
    unknown = None
    if not known.all():  # a breath took the time since the one before it
        gone = ~known[np.minimum(np.searchsorted(times, clock, side="left"), times.size - 1)]
        values[gone] = 0.0
        unknown = _sums(gone.astype(np.float64))
    pauses = np.flatnonzero(times[1:] - times[:-1] > LONGEST_GAP_S)
    if not pauses.size:
        return _Series(_sums(values), None, unknown, first)
    lost = np.zeros(clock.size)
    for i in pauses:
        lost[(clock > times[i]) & (clock < times[i + 1])] = 1.0
    return _Series(_sums(values), _sums(lost), unknown, first)


def _highest(series: _Series, rule: Rule, skip: int, *, half: bool) -> float:
    """Return the highest window mean, of windows without a lost second; `half`: a last half too."""
    length = series.sums.size - 1
    if rule.kind == "fixed":
        start = np.arange(skip, length, rule.size)
        stop = np.minimum(start + rule.size, length)
        long_enough = stop - start >= (rule.size / 2 if half else rule.size)
        start, stop = start[long_enough], stop[long_enough]
    else:
        start = np.arange(max(length - rule.size + 1, 0))
        stop = start + rule.size
    size = (stop - start).astype(np.float64)
    sums = series.sums[stop] - series.sums[start]
    good = np.ones(size.size, dtype=np.bool_)
    if series.unknown is not None:
        missing = series.unknown[stop] - series.unknown[start]
        good &= size - missing >= KNOWN_OF_WINDOW * size
        size = np.maximum(size - missing, 1.0)
    if series.lost is not None:
        good &= series.lost[stop] == series.lost[start]
    means = (sums / size)[good]
    return float(means.max()) if means.size else np.nan


def _highest_middle(uptake: Floats, rule: Rule) -> float:
    """Return the highest mean of the middle breaths of each run of `size`."""
    if uptake.size < rule.size:
        return np.nan
    runs = np.lib.stride_tricks.sliding_window_view(uptake, rule.size)
    drop = (rule.size - rule.kept) // 2
    ordered = np.sort(runs, axis=1)[:, drop : drop + rule.kept]
    return float(ordered.mean(axis=1).max())
