"""
Stages of a laboratory test: stretches at one work rate, the breaths at the end of each, a plateau.

Uptake takes minutes to reach what a work rate costs, so only the last minute of a long stage counts.
At a plateau the last step up costs hardly any more. Ramps and short stages are not judged: there the
noise of breaths is as large as the criterion.

References
----------
.. [1] Taylor, H. L., Buskirk, E., Henschel, A. Maximal oxygen intake as an objective measure of
       cardio-respiratory performance. Journal of Applied Physiology 8:73, 1955 (memory).
"""

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from agreement.arrays import Floats, Ints

# The authors' choice, common practice, no source.
STAGE_S: Final = 120.0
MEASURED_S: Final = 60.0  # the last minute of each stage
FEWEST_BREATHS: Final = 10
STEADY_WITHIN: Final = 1.0  # of the expected uptake inside one stage. [mL/kg/min]
LARGEST_RISE_ML_MIN: Final = 150.0  # [1]
# Of a step so small that 150 mL/min would be all of it; the authors' choice, no source.
SHARE_OF_EXPECTED: Final = 0.5


class Stage(NamedTuple):
    """One stage."""

    cost: float  # uptake that its work rate costs, by the cost equation. [mL/kg/min]
    # shape (n,). Uptakes of the breaths of its last minute, in the unit given; None where the stage
    # is short, uneven or thin.
    end: Floats | None
    places: Ints  # shape (n,). Where those breaths stand among all.


def stages(t_s: Floats, vo2: Floats, cost: Floats) -> list[Stage]:
    """
    Cut the exercise phase of a test into its stages; none where a work rate is missing.

    cost: shape (n,). Uptake that the work rate of each breath costs, by the cost equation.
        [mL/kg/min]
    """
    if t_s.size == 0 or np.isnan(cost).any():
        return []
    edges = np.flatnonzero(np.abs(np.diff(cost)) > STEADY_WITHIN) + 1
    found = []
    for places in np.split(np.arange(t_s.size), edges):
        times, expected = t_s[places], cost[places]
        last = places[times > times[-1] - MEASURED_S]
        long = times[-1] - times[0] >= STAGE_S and np.ptp(expected) <= STEADY_WITHIN
        measured = vo2[last] if long and last.size >= FEWEST_BREATHS else None
        found.append(Stage(float(np.median(expected)), measured, last))
    return found


@dataclass(frozen=True, slots=True)
class LastStep:
    """The last step up of a test with stages."""

    # measured rise of oxygen uptake from the last minute of one stage to that of the next. [mL/min]
    rise: float
    standard_error: float  # of `rise`, from the spread of breaths. [mL/min]
    expected: float  # rise that the step would cost by the cost equation. [mL/min]

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
            f"The last step raised oxygen uptake by {self.rise:.0f} \u00b1 {self.standard_error:.0f} "
            f"mL/min, {self.expected:.0f} were to be expected: {words[self.plateau]}."
        )


def last_step(t_s: Floats, vo2: Floats, cost: Floats, *, mass_kg: float) -> LastStep | None:
    """Find the last step up between two stages of two minutes or more; None without one."""
    if t_s.size < 2 * FEWEST_BREATHS or np.isnan(mass_kg):
        return None
    ends = stages(t_s, vo2, cost)[-2:]
    if len(ends) < 2:
        return None
    before, last = ends
    if before.end is None or last.end is None:
        return None
    step = last.cost - before.cost
    if step <= 0:
        return None
    rise = float(last.end.mean() - before.end.mean())
    error = float(np.sqrt(sum(end.var(ddof=1) / end.size for end in (before.end, last.end))))
    return LastStep(rise, error, step * mass_kg)
