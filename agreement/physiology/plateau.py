"""
A plateau of oxygen uptake, where a test has long stages: the last step up costs hardly any more.

Ramps and short stages are not judged: there the noise of breaths is as large as the criterion.

References
----------
.. [1] Taylor, H. L., Buskirk, E., Henschel, A. Maximal oxygen intake as an objective measure of
       cardio-respiratory performance. Journal of Applied Physiology 8:73, 1955 (memory).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from agreement.physiology.arrays import FloatArray

LARGEST_RISE_ML_MIN: Final = 150.0  # [1]
# The rest is the authors' choice, common practice, no source.
SHARE_OF_EXPECTED: Final = 0.5  # of a step so small that 150 mL/min would be all of it
STAGE_S: Final = 120.0
MEASURED_S: Final = 60.0  # the last minute of each stage
FEWEST_BREATHS: Final = 10
STEADY_WITHIN: Final = 1.0  # of the expected uptake inside one stage. [mL/kg/min]


@dataclass(frozen=True, slots=True)
class LastStep:
    """
    The last step up of a test with stages.

    Attributes
    ----------
    rise : float
        Measured rise of oxygen uptake from the last minute of one stage to that of the next. [mL/min]
    standard_error : float
        Of `rise`, from the spread of breaths. [mL/min]
    expected : float
        Rise that the step would cost by the cost equation. [mL/min]
    """

    rise: float
    standard_error: float
    expected: float

    @property
    def criterion(self) -> float:
        """The largest rise that is a plateau. [mL/min]."""
        return min(LARGEST_RISE_ML_MIN, SHARE_OF_EXPECTED * self.expected)

    @property
    def plateau(self) -> str:
        """Return yes, no, or unknown where breaths are too noisy to tell."""
        if self.standard_error > self.criterion / 2:
            return "unknown"
        return "yes" if self.rise <= self.criterion else "no"

    def summary(self) -> str:
        """Return the step in one sentence."""
        words = {"yes": "a plateau", "no": "no plateau", "unknown": "too noisy to tell a plateau"}
        return (
            f"the last step raised oxygen uptake by {self.rise:.0f} \u00b1 {self.standard_error:.0f} "
            f"mL/min, {self.expected:.0f} were to be expected: {words[self.plateau]}."
        )


def last_step(
    t_s: FloatArray, vo2: FloatArray, cost: FloatArray, *, mass_kg: float
) -> LastStep | None:
    """
    Find the last step up between two stages of two minutes or more.

    Parameters
    ----------
    t_s, vo2 : ndarray, shape (n,)
        Rising times [s] and uptakes [mL/min] of the breaths of the exercise phase.
    cost : ndarray, shape (n,)
        Uptake that the work rate of each breath costs, by the cost equation. [mL/kg/min]
    mass_kg : float
        Body mass. [kg]

    Returns
    -------
    LastStep or None
        None where the test does not end with two such stages, the last one harder.
    """
    if t_s.size < 2 * FEWEST_BREATHS or np.isnan(cost).any() or np.isnan(mass_kg):
        return None
    starts = np.flatnonzero(np.r_[True, np.abs(np.diff(cost)) > STEADY_WITHIN])
    if starts.size < 2:
        return None
    before, last = slice(starts[-2], starts[-1]), slice(starts[-1], t_s.size)
    ends = [_end_of_stage(t_s[part], vo2[part], cost[part]) for part in (before, last)]
    if ends[0] is None or ends[1] is None:
        return None
    step = float(np.median(cost[last]) - np.median(cost[before]))
    if step <= 0:
        return None
    rise = float(ends[1].mean() - ends[0].mean())
    error = float(np.sqrt(sum(end.var(ddof=1) / end.size for end in ends if end is not None)))
    return LastStep(rise, error, step * mass_kg)


def _end_of_stage(t_s: FloatArray, vo2: FloatArray, cost: FloatArray) -> FloatArray | None:
    """Return the breaths of a stage's last minute; None where it is short, uneven or thin."""
    if t_s[-1] - t_s[0] < STAGE_S or np.ptp(cost) > STEADY_WITHIN:
        return None
    end = vo2[t_s > t_s[-1] - MEASURED_S]
    return end if end.size >= FEWEST_BREATHS else None
