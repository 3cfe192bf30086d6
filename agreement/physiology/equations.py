"""
Oxygen cost of walking, running and leg cycling, and what equations of field_tests.toml call by name.

Gross cost: resting uptake is included. All cost equations hold in the steady state; at the end of a
ramp they read high.

References
----------
.. [1] Bushman, B. A. Metabolic calculations in action. ACSM's Health & Fitness Journal, 2020 (read).
.. [2] Foster, C. et al. Generalized equations for predicting functional capacity from treadmill
       performance. American Heart Journal, 1996 (read).
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from agreement.arrays import Floats

RESTING_VO2: Final = 3.5  # mL/kg/min, one metabolic equivalent [1]
KG_M_MIN_PER_WATT: Final = 6.12  # [1]
METRES_PER_MILE: Final = 1609.344
KG_PER_POUND: Final = 0.45359237
RUNNING_FROM_M_PER_MIN: Final = 134.0  # slower is walking, unless the mode says run [1]
M_MIN_PER_KM_H: Final = 1000 / 60
METABOLIC_EQUIVALENT: Final = 3.5  # mL/kg/min
# Multiplies the 1954 estimate; Astrand 1960 (memory). Between the ages it is interpolated.
AGE_FACTOR_YEARS: Final = (15.0, 25.0, 35.0, 40.0, 45.0, 50.0, 55.0, 60.0, 65.0)
AGE_FACTORS: Final = (1.10, 1.00, 0.87, 0.83, 0.78, 0.75, 0.71, 0.68, 0.65)


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


def walking_vo2(speed_m_min: ArrayLike, grade: ArrayLike = 0.0) -> Floats:
    """
    Return the gross oxygen uptake of walking [mL/kg/min] [1]_.

    speed_m_min: speed, 50 to 100. [m/min]
    grade: rise over distance as a fraction, not in per cent. [-]
    """
    speed = np.asarray(speed_m_min, dtype=np.float64)
    return RESTING_VO2 + 0.1 * speed + 1.8 * speed * np.asarray(grade, dtype=np.float64)


def running_vo2(speed_m_min: ArrayLike, grade: ArrayLike = 0.0) -> Floats:
    """
    Return the gross oxygen uptake of running [mL/kg/min] [1]_.

    speed_m_min: speed, above 134 or slower when truly running. [m/min]
    grade: rise over distance as a fraction; made for treadmills going uphill. [-]
    """
    speed = np.asarray(speed_m_min, dtype=np.float64)
    return RESTING_VO2 + 0.2 * speed + 0.9 * speed * np.asarray(grade, dtype=np.float64)


def cycling_vo2(power_w: ArrayLike, mass_kg: ArrayLike) -> Floats:
    """
    Return the gross oxygen uptake of leg cycling at 50 to 200 W [mL/kg/min] [1]_.

    Unloaded pedalling is included. In trained riders at 125 to 350 W it reads low by about
    3 mL/kg/min (computed from open data).
    """
    power = np.asarray(power_w, dtype=np.float64)
    return 2 * RESTING_VO2 + 10.8 * power / np.asarray(mass_kg, dtype=np.float64)


def stepping_vo2(rate_min: ArrayLike, height_m: ArrayLike) -> Floats:
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


def end_of_ramp_vo2(steady_vo2: ArrayLike, *, handrail: bool = False) -> Floats:
    """
    Return what is measured at the end of a treadmill test, of the cost equation's value [2]_.

    steady_vo2: value of `walking_vo2` or `running_vo2` at the last work rate. [mL/kg/min]
    handrail: whether the handrail was held. Standard error of estimate 4.8, with handrail 4.4.
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
) -> Floats:
    """
    Return the gross oxygen uptake expected from a work rate [mL/kg/min]; NaN of another mode.

    mode: ``walk``, ``run`` or ``cycle``, which needs speed [m/s] and grade [-], or power [W] and
        body mass [kg].
    """
    if mode == "cycle":
        return cycling_vo2(power_w, mass_kg)
    speed = np.asarray(speed_m_s, dtype=np.float64) * 60
    if mode == "run":
        return running_vo2(speed, grade)
    if mode == "walk":
        return walking_vo2(speed, grade)
    return np.full(np.broadcast(speed, grade, power_w).shape, np.nan)


def nomogram_uptake(power_w: Floats) -> Floats:
    """Return the 1954 nomogram's uptake at a work rate [L/min]: its points 1.5 at 600, 2.1 at 900."""
    return 0.3 + 0.002 * KG_M_MIN_PER_WATT * power_w


def submaximal_1954(uptake: Floats, hr: Floats, male: Floats) -> Floats:
    """Return VO2max [L/min] from the uptake [L/min] and heart rate [bpm] of one steady stage."""
    return uptake * np.where(male == 1, 134 / (hr - 61), 126 / (hr - 72))


def submaximal_1954_line(uptake: Floats, hr: Floats, male: Floats) -> Floats:
    """Return VO2max [L/min] by the other closed form: equal for men, 4-5 % higher for women."""
    return 100 * uptake / (0.769 * hr - np.where(male == 1, 48.5, 56.1))


def age_factor_1960(age: Floats) -> Floats:
    """Return what the 1954 estimate is multiplied by at an age [years]."""
    return np.interp(age, AGE_FACTOR_YEARS, AGE_FACTORS)


def walk_1987(mass_kg: Floats, age: Floats, male: Floats, time_min: Floats, hr: Floats) -> Floats:
    """Return VO2max [L/min] of the 1-mile walk."""
    of_person = 6.9652 + 0.0091 * mass_kg / KG_PER_POUND - 0.0257 * age + 0.5955 * male
    return np.asarray(of_person - 0.2240 * time_min - 0.0115 * hr)


def shuttle_1988(speed: Floats, age: Floats | float) -> Floats:
    """Return VO2max [mL/kg/min] from the last speed [km/h] of the 20 m shuttle run."""
    return np.asarray(31.025 + 3.238 * speed - 3.248 * age + 0.1536 * age * speed)


def mass_index(mass_kg: Floats, stature_cm: Floats) -> Floats:
    """Return mass over squared stature. [kg/m^2]."""
    return mass_kg / (stature_cm / 100) ** 2


def by_sex(male: Floats, men: Floats, women: Floats) -> Floats:
    """Return the value for men or for women; NaN where the sex is unknown."""
    return np.where(np.isnan(male), np.nan, np.where(male == 1, men, women))


NAMES: Final = {
    "where": np.where,
    "exp": np.exp,
    **{
        function.__name__: function
        for function in (
            nomogram_uptake, submaximal_1954, submaximal_1954_line, age_factor_1960, walk_1987,
            shuttle_1988, mass_index, by_sex, cycling_vo2, end_of_ramp_vo2,
            running_vo2, stepping_vo2, walking_vo2,
        )
    },
    "M_MIN_PER_KM_H": M_MIN_PER_KM_H,
    "KG_PER_POUND": KG_PER_POUND,
    "METRES_PER_MILE": METRES_PER_MILE,
    "RESTING_VO2": RESTING_VO2,
    "METABOLIC_EQUIVALENT": METABOLIC_EQUIVALENT,
}  # fmt: skip
