"""The fair summary of the readings around a unit: over each day first, then over the days."""

from dataclasses import dataclass

import numpy as np

from agreement.arrays import Flags, Floats, Ints
from agreement.pairing.cleaning import Fate
from agreement.pairing.ordering import Ordered, starts_of
from agreement.tables.options import PairingOptions

NEVER = np.int64(1) << 40  # a score that no day reaches


@dataclass(frozen=True, slots=True)
class Summaries:
    """The pairs of one set of rules."""

    # unit, field, n_estimates, n_days, gap: shape (pairs,). Row of the unit, VO2max [mL/kg/min],
    # readings and days in the summary, and the gap of the nearest of these days (that before the
    # test at a tie).
    unit: Ints
    field: Floats
    n_estimates: Ints
    n_days: Ints
    gap: Ints
    # rows, row_pair: shape (readings in a summary,). Positions among the sorted readings, and the
    # pair of each.
    rows: Ints
    row_pair: Ints
    # day_pair, day, day_gap, day_field: shape (days,). Every day with a reading that was assigned
    # to a unit with a pair, and its mean.
    day_pair: Ints
    day: Ints
    day_gap: Ints
    day_field: Floats


def summaries(
    fate: Fate, readings: Ordered, unit: Ints, value: Floats, unit_day: Ints, rules: PairingOptions
) -> Summaries:
    """
    Summarise the kept readings of each series and unit, and name the reason of those left over.

    fate: filled in: ``too_few_readings`` for every reading of a pair that fails, ``not_summarised``
        for the readings of a pair that are not behind its value.
    unit, value: the unit that each serves, and its VO2max. [mL/kg/min]
    """
    kept = fate.kept()
    series, day, unit = readings.series[kept], readings.day[kept], unit[kept]
    # Of one series a later day never serves an earlier unit, so a pair's readings are adjacent.
    starts = starts_of(series, unit, day)
    day_of_row = np.repeat(np.arange(len(starts)), np.diff(starts, append=len(kept)))
    field = np.bincount(day_of_row, value[kept], len(starts)) / np.bincount(day_of_row)
    gap = unit_day[unit[starts]] - day[starts]
    first_day = starts_of(series[starts], unit[starts])
    pair = np.repeat(np.arange(len(first_day)), np.diff(first_day, append=len(starts)))

    near = np.abs(gap) <= rules.summary_days
    n_near = np.bincount(pair, near, len(first_day)).astype(np.int64)
    holds = n_near >= rules.minimum_days
    chosen = near & holds[pair] & _stands_for_the_test(gap, near, first_day, pair, rules)
    used, short = chosen[day_of_row], ~holds[pair][day_of_row]
    fate.leave_out(kept[short], "too_few_readings", n_near[pair][day_of_row][short])
    far = np.where(near, np.nan, np.abs(gap))[day_of_row]
    spare = ~used & ~short
    fate.leave_out(kept[spare], "not_summarised", far[spare])

    n_pairs, in_pair = int(holds.sum()), holds[pair]
    pair = (np.cumsum(holds) - 1)[pair]  # counts only pairs that hold
    return Summaries(
        unit=unit[starts[first_day[holds]]],
        field=_centre(pair[chosen], field[chosen], n_pairs, median=rules.summary == "median"),
        n_estimates=np.bincount(pair[day_of_row[used]], minlength=n_pairs),
        n_days=np.bincount(pair[chosen], minlength=n_pairs),
        gap=_nearest_gap(gap[chosen], starts_of(pair[chosen])),
        rows=kept[used],
        row_pair=pair[day_of_row[used]],
        day_pair=pair[in_pair],
        day=day[starts][in_pair],
        day_gap=gap[in_pair],
        day_field=field[in_pair],
    )


def _nearness(gap: Ints) -> Ints:
    """Return a score that is smallest on the nearest day, that before the test at a tie."""
    return 2 * np.abs(gap) + (gap < 0)


def _stands_for_the_test(
    gap: Ints, near: Flags, first_day: Ints, pair: Ints, rules: PairingOptions
) -> Flags:
    """Return which days a summary by one day takes; every day for a summary over days."""
    if rules.summary in ("mean", "median") or not len(gap):
        return np.ones(len(gap), np.bool_)
    score = np.where(near, _nearness(gap) if rules.summary == "nearest" else gap, NEVER)
    best = np.minimum.reduceat(score, first_day)[pair]
    return np.asarray(score == best, np.bool_)


def _nearest_gap(gap: Ints, starts: Ints) -> Ints:
    """Return the gap of the nearest day of each pair."""
    if not len(gap):
        return gap
    score = np.minimum.reduceat(_nearness(gap), starts)
    return np.where(score % 2, -(score // 2), score // 2)


def _centre(pair: Ints, field: Floats, n_pairs: int, *, median: bool) -> Floats:
    """Return mean or median of the day means of each pair; `pair` is sorted."""
    size = np.bincount(pair, minlength=n_pairs)
    if not median:
        mean: Floats = np.bincount(pair, field, n_pairs) / size
        return mean
    field = field[np.lexsort((field, pair))]
    start = np.cumsum(size) - size
    middle: Floats = (field[start + (size - 1) // 2] + field[start + size // 2]) / 2
    return middle
