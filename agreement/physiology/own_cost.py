"""
What work costs this athlete, from the uptake that the laboratory measured in the stages of a test.

The equation from work rate to oxygen uptake is an average of people. A line through the stages turns
its uptake into the athlete's own, so that what is left of an estimate's error is heart rate's.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

SUBMAXIMAL: Final = 0.90  # of VO2max: above, uptake levels off; common practice, no source
FEWEST_STAGES: Final = 3  # as few as the guards of an extrapolation let pass


class OwnCost(NamedTuple):
    """Measured uptake = intercept + slope x uptake by the cost equation."""

    intercept: float  # [mL/kg/min]
    slope: float  # 1 where each step up costs what the equation says. [-]
    n_stages: int  # stages the line rests on


def own_cost(costed_vo2: ArrayLike, measured_vo2: ArrayLike, *, vo2max: float) -> OwnCost | None:
    """
    Fit the athlete's own cost to the stages of one test.

    costed_vo2, measured_vo2: shape (n,). Uptake of each stage by the cost equation and as measured.
        [mL/kg/min]
    vo2max: of the same test; stages above `SUBMAXIMAL` of it are left out. [mL/kg/min]
    Returns the line of least squares; None of fewer than `FEWEST_STAGES` stages, or of stages that do not
        rise.

    Uptake lags behind a step up. Where stages are too short for a steady state the line lies too low;
    a first stage begun from rest lags most, which makes the line too steep and too high at the maximum.
    """
    costed, measured = (np.asarray(v, dtype=np.float64) for v in (costed_vo2, measured_vo2))
    below = measured <= SUBMAXIMAL * vo2max
    costed, measured = costed[below], measured[below]
    if costed.size < FEWEST_STAGES or np.ptp(costed) == 0:
        return None
    slope, intercept = np.polyfit(costed, measured, 1)
    if slope <= 0:
        return None
    return OwnCost(float(intercept), float(slope), int(costed.size))
