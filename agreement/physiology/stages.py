"""
Stages of a laboratory test: stretches at one work rate, and the breaths at the end of each.

Uptake takes minutes to reach what a work rate costs, so only the last minute of a long stage counts.
"""

from typing import Final, NamedTuple

import numpy as np

from agreement.physiology.arrays import FloatArray, IntArray

# The authors' choice, common practice, no source.
STAGE_S: Final = 120.0
MEASURED_S: Final = 60.0  # the last minute of each stage
FEWEST_BREATHS: Final = 10
STEADY_WITHIN: Final = 1.0  # of the expected uptake inside one stage. [mL/kg/min]


class Stage(NamedTuple):
    """One stage."""

    cost: float  # uptake that its work rate costs, by the cost equation. [mL/kg/min]
    # shape (n,). Uptakes of the breaths of its last minute, in the unit given; None where the stage
    # is short, uneven or thin.
    end: FloatArray | None
    places: IntArray  # shape (n,). Where those breaths stand among all.


def stages(t_s: FloatArray, vo2: FloatArray, cost: FloatArray) -> list[Stage]:
    """
    Cut a test into its stages.

    t_s, vo2: shape (n,). Rising times [s] and uptakes of the breaths of the exercise phase.
    cost: shape (n,). Uptake that the work rate of each breath costs, by the cost equation.
        [mL/kg/min]
    Returns: in order; none without breaths or where a work rate is missing.
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
