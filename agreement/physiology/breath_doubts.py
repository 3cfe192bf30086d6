"""What in the breaths of one test looks too wrong to take a maximum from."""

from typing import Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.physiology.arrays import FloatArray

# The authors' choice, common practice, no source, unless said.
RATIO_LIMITS: Final = (0.5, 2.0)  # of carbon dioxide to oxygen over a whole test
UNIT_SLIPS: Final = (0.05, 20.0)  # beyond these a unit is wrong, which is said elsewhere
FALLS_BY: Final = 0.08  # of the ratio, which rises towards a maximum
ABOVE_ONE: Final = 1.0  # an early ratio above it is no start of a test
ENDS_BELOW: Final = 0.98  # the ratio of a test that stopped early; at a maximum it is above 1.1
ENDS_BELOW_AT_EQUAL_WORK: Final = 1.0
LEAK_BELOW: Final = 0.90  # uptake of the last minute, of the highest minute
WORK_HOLDS: Final = 0.98  # work of the last minute, of the highest
COST_LIMITS: Final = (0.66, 1.28)  # measured uptake over the cost of work; people differ by 15 %
COSTED: Final = (0.35, 0.85)  # share of the test in which the two are compared
FEWEST_BREATHS, SHORTEST_S = 40, 90.0
ENOUGH: Final = 30  # breaths with both gases
LAST_S, MINUTE_S = 30.0, 60.0
REMEDIES: Final = {
    "gases_swapped": "Look at the columns of the two gases.",
    "few_breaths": "Give the whole record, or the typed VO2max alone.",
    "stopped_early": "Take the test out, or give the record to its end.",
    "uptake_falls": "Look for a leak at mask or valve; take the test out if there was one.",
    "cost_of_work": "Look at the calibration, the unit of the uptake and the work rate.",
    "same_breaths": "Give each test its own file.",
}


class BreathDoubt(NamedTuple):
    """One doubt: its code, the column to look at, and the evidence."""

    code: str
    column: str
    what: str


def breath_doubts(
    breaths: pd.DataFrame, cost: FloatArray, recorded: int
) -> tuple[BreathDoubt, ...]:
    """
    Look at the breaths of the exercise of one test.

    breaths: t_s, vo2_ml_min, vco2_ml_min (may be missing), in order of time.
    cost: shape (n,). Uptake that the work of each breath costs; NaN where it is not known. [mL/min]
    recorded: breaths of the exercise with those that no person breathes.
    """
    t, vo2, vco2 = (
        breaths[name].to_numpy(dtype=np.float64) for name in ("t_s", "vo2_ml_min", "vco2_ml_min")
    )
    if t.size == 0:
        return ()
    if recorded < FEWEST_BREATHS and t[-1] - t[0] < SHORTEST_S:
        what = f"only {recorded} breaths in {t[-1] - t[0]:.0f} s of exercise: no test to a maximum."
        return (BreathDoubt("few_breaths", "t_s", what),)
    found = [_gases(t, vo2, vco2, cost), _leak(t, vo2, cost), _cost(t, vo2, cost)]
    return tuple(one for one in found if one is not None)


def _gases(
    t: FloatArray, vo2: FloatArray, vco2: FloatArray, cost: FloatArray
) -> BreathDoubt | None:
    known = np.isfinite(vco2) & (vo2 > 0)
    if known.sum() < ENOUGH:
        return None
    ratio, at = vco2[known] / vo2[known], t[known]
    low, high = RATIO_LIMITS
    middle = float(np.median(ratio))
    if not UNIT_SLIPS[0] < middle < UNIT_SLIPS[1]:
        return None
    if not low <= middle <= high:
        what = f"carbon dioxide over oxygen is {middle:.2f} over the test: two columns exchanged?"
        return BreathDoubt("gases_swapped", "vco2_ml_min", what)
    first = float(np.median(ratio[at <= at[0] + (at[-1] - at[0]) / 3]))
    last = float(np.median(ratio[at > at[-1] - LAST_S]))
    if first > ABOVE_ONE and last < first - FALLS_BY:
        what = (
            f"carbon dioxide over oxygen falls from {first:.2f} to {last:.2f} while it should rise: the "
            "two columns are exchanged?"
        )
        return BreathDoubt("gases_swapped", "vco2_ml_min", what)
    rising = _share_of_highest(t, cost) >= WORK_HOLDS and _still_rises(t, cost)
    if last < (ENDS_BELOW if rising or np.isnan(cost).all() else ENDS_BELOW_AT_EQUAL_WORK):
        what = (
            f"the record ends at a ratio of carbon dioxide to oxygen of {last:.2f}; at a maximum it is "
            "above 1.1: the test or its record stopped early."
        )
        return BreathDoubt("stopped_early", "vco2_ml_min", what)
    return None


def _leak(t: FloatArray, vo2: FloatArray, cost: FloatArray) -> BreathDoubt | None:
    if t[-1] - t[0] < 3 * MINUTE_S or np.isnan(cost).all():
        return None
    share = _share_of_highest(t, vo2)
    if share >= LEAK_BELOW or _share_of_highest(t, cost) < WORK_HOLDS:
        return None
    what = f"uptake falls to {share:.0%} of its highest minute while the work holds or rises."
    return BreathDoubt("uptake_falls", "vo2_ml_min", what)


def _cost(t: FloatArray, vo2: FloatArray, cost: FloatArray) -> BreathDoubt | None:
    share = (t - t[0]) / max(t[-1] - t[0], 1e-9)
    inside = (share >= COSTED[0]) & (share <= COSTED[1]) & (cost > 0) & np.isfinite(vo2)
    if inside.sum() < ENOUGH:
        return None
    ratio = float(np.sum(vo2[inside]) / np.sum(cost[inside]))
    if COST_LIMITS[0] <= ratio <= COST_LIMITS[1]:
        return None
    what = f"the uptake is {ratio:.2f} times what the work costs: beyond any person's efficiency."
    return BreathDoubt("cost_of_work", "vo2_ml_min", what)


def _share_of_highest(t: FloatArray, values: FloatArray) -> float:
    """Return the mean of the last minute over the highest mean of any minute; 1 where unknown."""
    known = np.isfinite(values)
    if not known.any():
        return 1.0
    at, v = t[known], values[known]
    sums = np.concatenate([[0.0], np.cumsum(v)])
    start = np.searchsorted(at, at - MINUTE_S, "right")
    whole = at - at[0] >= MINUTE_S
    if not whole.any():
        return 1.0
    means = (sums[1:] - sums[start]) / (np.arange(1, v.size + 1) - start)
    return float(means[-1] / means[whole].max())


def _still_rises(t: FloatArray, cost: FloatArray) -> bool:
    """Whether the work of the last minutes is above that of those before."""
    last = cost[t > t[-1] - MINUTE_S]
    before = cost[(t > t[-1] - 5 * MINUTE_S) & (t <= t[-1] - 3 * MINUTE_S)]
    if not (np.isfinite(last).any() and np.isfinite(before).any()):
        return True
    return bool(np.nanmean(last) > 1.01 * np.nanmean(before))
