"""
Oxygen cost of walking, running and leg cycling, in both directions.

Gross cost: resting uptake is included. All equations hold in the steady state; at the end of a ramp
they read high.

References
----------
.. [1] Bushman, B. A. Metabolic calculations in action. ACSM's Health & Fitness Journal, 2020 (read).
.. [2] Foster, C. et al. Generalized equations for predicting functional capacity from treadmill
       performance. American Heart Journal, 1996 (read).
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from agreement.physiology.arrays import FloatArray

RESTING_VO2: Final = 3.5  # mL/kg/min, one metabolic equivalent [1]
KG_M_MIN_PER_WATT: Final = 6.12  # [1]
METRES_PER_MILE: Final = 1609.344
KG_PER_POUND: Final = 0.45359237
RUNNING_FROM_M_PER_MIN: Final = 134.0  # slower is walking, unless the mode says run [1]


class CostRange(NamedTuple):
    """Work rates that a cost equation was made for."""

    column: str
    low: float
    high: float
    unit: str


COST_RANGES: Final[dict[str, CostRange]] = {  # [1]
    "walk": CostRange("speed_m_s", 50 / 60, 100 / 60, "m/s"),
    "run": CostRange("speed_m_s", RUNNING_FROM_M_PER_MIN / 60, np.inf, "m/s"),
    "cycle": CostRange("power_w", 50, 200, "W"),
}


def walking_vo2(speed_m_min: ArrayLike, grade: ArrayLike = 0.0) -> FloatArray:
    """
    Oxygen uptake of walking [1]_.

    speed_m_min: speed, 50 to 100. [m/min]
    grade: rise over distance as a fraction, not in per cent. [-]
    Returns: gross oxygen uptake. [mL/kg/min]

    .. [1] Bushman, B. A. Metabolic calculations in action. ACSM's Health & Fitness Journal, 2020.
    """
    speed = np.asarray(speed_m_min, dtype=np.float64)
    return RESTING_VO2 + 0.1 * speed + 1.8 * speed * np.asarray(grade, dtype=np.float64)


def running_vo2(speed_m_min: ArrayLike, grade: ArrayLike = 0.0) -> FloatArray:
    """
    Oxygen uptake of running [1]_.

    speed_m_min: speed, above 134 or slower when truly running. [m/min]
    grade: rise over distance as a fraction; made for treadmills going uphill. [-]
    Returns: gross oxygen uptake. [mL/kg/min]

    .. [1] Bushman, B. A. Metabolic calculations in action. ACSM's Health & Fitness Journal, 2020.
    """
    speed = np.asarray(speed_m_min, dtype=np.float64)
    return RESTING_VO2 + 0.2 * speed + 0.9 * speed * np.asarray(grade, dtype=np.float64)


def cycling_vo2(power_w: ArrayLike, mass_kg: ArrayLike) -> FloatArray:
    """
    Oxygen uptake of leg cycling [1]_.

    power_w: work rate, 50 to 200. [W]
    mass_kg: body mass. [kg]
    Returns: gross oxygen uptake, unloaded pedalling included. [mL/kg/min]

    In trained riders at 125 to 350 W it reads low by about 3 mL/kg/min (computed from open data).

    .. [1] Bushman, B. A. Metabolic calculations in action. ACSM's Health & Fitness Journal, 2020.
    """
    power = np.asarray(power_w, dtype=np.float64)
    return 2 * RESTING_VO2 + 10.8 * power / np.asarray(mass_kg, dtype=np.float64)


def stepping_vo2(rate_min: ArrayLike, height_m: ArrayLike) -> FloatArray:
    """
    Oxygen uptake of stepping up and down [1]_.

    rate_min: steps, each up and down, 20 to 25. [1/min]
    height_m: height of the step, 0.1 to 0.3. [m]
    Returns: gross oxygen uptake; standard error 1.7. [mL/kg/min]

    .. [1] Latin, R. W. et al. The accuracy of the ACSM stair-stepping equation. Medicine and Science
           in Sports and Exercise 33:1785-1788, 2001 (abstract read).

    >>> stepping_vo2(20, 0.3).round(1).item()
    21.9
    """
    rate = np.asarray(rate_min, dtype=np.float64)
    return RESTING_VO2 + 0.2 * rate + 2.4 * rate * np.asarray(height_m, dtype=np.float64)


def end_of_ramp_vo2(steady_vo2: ArrayLike, *, handrail: bool = False) -> FloatArray:
    """
    Uptake measured at the end of a treadmill test, from the steady-state equation's value [1]_.

    steady_vo2: value of `walking_vo2` or `running_vo2` at the last work rate. [mL/kg/min]
    handrail: whether the handrail was held.
    Returns: expected measured uptake; standard error of estimate 4.8, with handrail 4.4.
        [mL/kg/min]

    .. [1] Foster, C. et al. Generalized equations for predicting functional capacity from treadmill
           performance. American Heart Journal, 1996.
    """
    slope, intercept = (0.694, 3.33) if handrail else (0.869, -0.07)
    return slope * np.asarray(steady_vo2, dtype=np.float64) + intercept


def work_rate_vo2(
    mode: str,
    *,
    speed_m_s: ArrayLike = np.nan,
    grade: ArrayLike = 0.0,
    power_w: ArrayLike = np.nan,
    mass_kg: ArrayLike = np.nan,
) -> FloatArray:
    """
    Oxygen uptake expected from a work rate, by mode of exercise.

    mode: ``walk``, ``run`` or ``cycle``; any other mode has no cost equation here and gives NaN.
    speed_m_s, grade, power_w, mass_kg: speed [m/s], grade as a fraction [-], power [W] and body
        mass [kg], as the mode needs them.
    Returns: gross oxygen uptake. [mL/kg/min]
    """
    if mode == "cycle":
        return cycling_vo2(power_w, mass_kg)
    speed = np.asarray(speed_m_s, dtype=np.float64) * 60
    if mode == "run":
        return running_vo2(speed, grade)
    if mode == "walk":
        return walking_vo2(speed, grade)
    return np.full(np.broadcast(speed, grade, power_w).shape, np.nan)
