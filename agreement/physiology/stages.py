"""
Stages of a laboratory test: stretches at one work rate, and the breaths at the end of each.

Uptake takes minutes to reach what a work rate costs, so only the last minute of a long stage counts.
"""

from typing import Final, NamedTuple

import numpy as np

from agreement.physiology.arrays import FloatArray

# The authors' choice, common practice, no source.
STAGE_S: Final = 120.0
MEASURED_S: Final = 60.0  # the last minute of each stage
FEWEST_BREATHS: Final = 10
STEADY_WITHIN: Final = 1.0  # of the expected uptake inside one stage. [mL/kg/min]


class Stage(NamedTuple):
    """
    One stage.

    Attributes
    ----------
    cost : float
        Uptake that its work rate costs, by the cost equation. [mL/kg/min]
    end : ndarray or None, shape (n,)
        Uptakes of the breaths of its last minute, in the unit given; None where the stage is short,
        uneven or thin.
    """

    cost: float
    end: FloatArray | None


def stages(t_s: FloatArray, vo2: FloatArray, cost: FloatArray) -> list[Stage]:
    """
    Cut a test into its stages.

    Parameters
    ----------
    t_s, vo2 : ndarray, shape (n,)
        Rising times [s] and uptakes of the breaths of the exercise phase.
    cost : ndarray, shape (n,)
        Uptake that the work rate of each breath costs, by the cost equation. [mL/kg/min]

    Returns
    -------
    list of Stage
        In order; none without breaths or where a work rate is missing.
    """
    if t_s.size == 0 or np.isnan(cost).any():
        return []
    edges = np.flatnonzero(np.abs(np.diff(cost)) > STEADY_WITHIN) + 1
    parts = (np.split(values, edges) for values in (t_s, vo2, cost))
    return [
        Stage(float(np.median(expected)), _end(times, uptake, expected))
        for times, uptake, expected in zip(*parts, strict=True)
    ]


def _end(t_s: FloatArray, vo2: FloatArray, cost: FloatArray) -> FloatArray | None:
    if t_s[-1] - t_s[0] < STAGE_S or np.ptp(cost) > STEADY_WITHIN:
        return None
    end = vo2[t_s > t_s[-1] - MEASURED_S]
    return end if end.size >= FEWEST_BREATHS else None
