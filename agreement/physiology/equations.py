"""What the equations of field_tests.toml call by name: functions of columns, and units."""

from typing import Final

import numpy as np

from agreement.physiology.arrays import FloatArray
from agreement.physiology.work_rate import (
    KG_M_MIN_PER_WATT,
    KG_PER_POUND,
    METRES_PER_MILE,
    RESTING_VO2,
    cycling_vo2,
    end_of_ramp_vo2,
    running_vo2,
    stepping_vo2,
    walking_vo2,
)

M_MIN_PER_KM_H: Final = 1000 / 60
METABOLIC_EQUIVALENT: Final = 3.5  # mL/kg/min
# Multiplies the 1954 estimate; Astrand 1960 (memory). Between the ages it is interpolated.
AGE_FACTOR_YEARS: Final = (15.0, 25.0, 35.0, 40.0, 45.0, 50.0, 55.0, 60.0, 65.0)
AGE_FACTORS: Final = (1.10, 1.00, 0.87, 0.83, 0.78, 0.75, 0.71, 0.68, 0.65)


def nomogram_uptake(power_w: FloatArray) -> FloatArray:
    """Return the 1954 nomogram's uptake at a work rate [L/min]: its points 1.5 at 600, 2.1 at 900."""
    return 0.3 + 0.002 * KG_M_MIN_PER_WATT * power_w


def submaximal_1954(uptake: FloatArray, hr: FloatArray, male: FloatArray) -> FloatArray:
    """Return VO2max [L/min] from the uptake [L/min] and heart rate [bpm] of one steady stage."""
    return uptake * np.where(male == 1, 134 / (hr - 61), 126 / (hr - 72))


def submaximal_1954_line(uptake: FloatArray, hr: FloatArray, male: FloatArray) -> FloatArray:
    """Return VO2max [L/min] by the other closed form: equal for men, 4-5 % higher for women."""
    return 100 * uptake / (0.769 * hr - np.where(male == 1, 48.5, 56.1))


def age_factor_1960(age: FloatArray) -> FloatArray:
    """Return what the 1954 estimate is multiplied by at an age [years]."""
    return np.interp(age, AGE_FACTOR_YEARS, AGE_FACTORS)


def walk_1987(
    mass_kg: FloatArray, age: FloatArray, male: FloatArray, time_min: FloatArray, hr: FloatArray
) -> FloatArray:
    """Return VO2max [L/min] of the 1-mile walk."""
    of_person = 6.9652 + 0.0091 * mass_kg / KG_PER_POUND - 0.0257 * age + 0.5955 * male
    return np.asarray(of_person - 0.2240 * time_min - 0.0115 * hr)


def walk_1991(mph: FloatArray, hr: FloatArray, age: FloatArray, male: FloatArray) -> FloatArray:
    """Return VO2max [mL/kg/min] of one stage of treadmill walking at a speed in miles per hour."""
    return np.asarray(
        15.1 + 21.8 * mph - 0.327 * hr - 0.263 * mph * age + 0.00504 * hr * age + 5.98 * male
    )


def shuttle_1988(speed: FloatArray, age: FloatArray | float) -> FloatArray:
    """Return VO2max [mL/kg/min] from the last speed [km/h] of the 20 m shuttle run."""
    return np.asarray(31.025 + 3.238 * speed - 3.248 * age + 0.1536 * age * speed)


def race_time(distance_m: FloatArray, time_min: FloatArray) -> FloatArray:
    """Return VO2max [mL/kg/min] from a race: its cost over the share that lasts so long."""
    v = distance_m / time_min
    cost = -4.60 + 0.182258 * v + 0.000104 * v**2
    share = 0.8 + 0.1894393 * np.exp(-0.012778 * time_min)
    return cost / (share + 0.2989558 * np.exp(-0.1932605 * time_min))


def mass_index(mass_kg: FloatArray, stature_cm: FloatArray) -> FloatArray:
    """Return mass over squared stature. [kg/m^2]."""
    return mass_kg / (stature_cm / 100) ** 2


def by_sex(male: FloatArray, men: FloatArray, women: FloatArray) -> FloatArray:
    """Return the value for men or for women; NaN where the sex is unknown."""
    return np.where(np.isnan(male), np.nan, np.where(male == 1, men, women))


NAMES: Final = {
    "where": np.where,
    **{
        function.__name__: function
        for function in (
            nomogram_uptake, submaximal_1954, submaximal_1954_line, age_factor_1960, walk_1987,
            walk_1991, shuttle_1988, race_time, mass_index, by_sex, cycling_vo2, end_of_ramp_vo2,
            running_vo2, stepping_vo2, walking_vo2,
        )
    },
    "M_MIN_PER_KM_H": M_MIN_PER_KM_H,
    "KG_PER_POUND": KG_PER_POUND,
    "METRES_PER_MILE": METRES_PER_MILE,
    "RESTING_VO2": RESTING_VO2,
    "METABOLIC_EQUIVALENT": METABOLIC_EQUIVALENT,
}  # fmt: skip
