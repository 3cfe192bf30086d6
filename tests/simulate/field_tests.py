"""Field tests: what a person runs, from true VO2max, economy and pacing, through the inverse."""

import numpy as np

from simulate.people import Person

RESTING_UPTAKE = 3.5


def performance_vo2max(person: Person, vo2max: float, loss: float) -> float:
    """
    Uptake that an average runner would need for the same performance. [mL/kg/min].

    vo2max: the truth of the day. [mL/kg/min]
    loss: share of the possible speed given away by pacing, or by turning. [-]
    """
    return RESTING_UPTAKE + (vo2max - RESTING_UPTAKE) / (1 + person.economy) * (1 - loss)


def run_12min(person: Person, vo2max: float, rng: np.random.Generator) -> float:
    """
    Distance of the 12-minute run, to 10 m. [m].

    Inverse of VO2max = (d - 504.9) / 44.73 (Cooper 1968; form read on secondary pages).
    """
    shown = performance_vo2max(person, vo2max, abs(rng.normal(0, 0.035)))
    return round((44.73 * shown + 504.9) / 10) * 10.0


def shuttle_20m_stage(person: Person, vo2max: float, rng: np.random.Generator) -> float:
    """
    Last completed stage of the 20-m shuttle, in half stages.

    Inverse of VO2max = 31.025 + 3.238 v - 3.248 A + 0.1536 A v with A = 18 and v = 8 + 0.5 stage
    km/h (Leger 1988, read).
    """
    shown = performance_vo2max(person, vo2max, rng.normal(0.01, 0.045))
    speed = (shown - 31.025 + 3.248 * 18) / (3.238 + 0.1536 * 18)
    return float(np.clip(np.floor((speed - 8) / 0.5 * 2) / 2, 1, 20))
