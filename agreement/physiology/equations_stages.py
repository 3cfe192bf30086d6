"""
Steady stages: what each costs, or what was measured in it; heart rate is carried to its maximum.

The equations give the uptake of one stage; the line through the stages is drawn in `stage_tests`.
"""

from collections.abc import Callable
from typing import Final

import numpy as np

from agreement.physiology.arrays import FloatArray
from agreement.physiology.protocol import FieldProtocol, Inputs, Valid
from agreement.physiology.work_rate import (
    COST_RANGES,
    cycling_vo2,
    running_vo2,
    stepping_vo2,
    walking_vo2,
)

M_MIN_PER_KM_H: Final = 1000 / 60
KM_H_PER_M_S: Final = 3.6
CARRIED: Final = (
    "vo2_on_hr over the stages, carried to hr_max_bpm of the row, else to that of the athlete's "
    "nearest laboratory test, else to the study's age formula"
)
GUIDELINE: Final = "equation of the ACSM); each result has its own standard error"


def _speeds(mode: str) -> Valid:
    of = COST_RANGES[mode]
    return Valid("speed_km_h", KM_H_PER_M_S * of.low, KM_H_PER_M_S * of.high)


def by_sex(men: tuple[float, float], women: tuple[float, float]) -> Callable[[Inputs], FloatArray]:
    """Return a line in power, intercept [L/min] and slope [L/min per W] by sex, per kg of mass."""

    def value(x: Inputs) -> FloatArray:
        (a, b), (c, d) = men, women
        litres = np.where(x["male"] == 1, a + b * x["power_w"], c + d * x["power_w"])
        return np.asarray(1000 * np.where(np.isnan(x["male"]), np.nan, litres) / x["mass_kg"])

    return value


STAGES: Final = (
    FieldProtocol(
        id="cycle_stages_hr",
        name="cycle stages, heart rate carried on",
        title="steady stages on a cycle, heart rate carried to its maximum",
        mode="cycle",
        inputs=("power_w", "hr_bpm", "mass_kg"),
        equation=lambda x: cycling_vo2(x["power_w"], x["mass_kg"]),
        population="adults; error about 10-15 %; the cost equation was made for 50-200 W",
        valid=(Valid("power_w", COST_RANGES["cycle"].low, COST_RANGES["cycle"].high),),
        source=f"Bushman 2020 (leg cycling {GUIDELINE}",
        provenance="read",
        heart_rate_based=True,
        stages=True,
        note=CARRIED,
    ),
    FieldProtocol(
        id="run_stages_2020",
        name="running stages, 2020, heart rate carried on",
        title="steady treadmill stages, running, heart rate carried to its maximum",
        mode="run",
        inputs=("speed_km_h", "grade", "hr_bpm"),
        equation=lambda x: running_vo2(M_MIN_PER_KM_H * x["speed_km_h"], x["grade"]),
        population="adults who run; the cost equation was made for more than 134 m/min",
        valid=(_speeds("run"),),
        source=f"Bushman 2020 (running {GUIDELINE}",
        provenance="read",
        heart_rate_based=True,
        stages=True,
        note=CARRIED,
    ),
    FieldProtocol(
        id="walk_stages_2020",
        name="walking stages, 2020, heart rate carried on",
        title="steady treadmill stages, walking, heart rate carried to its maximum",
        mode="walk",
        inputs=("speed_km_h", "grade", "hr_bpm"),
        equation=lambda x: walking_vo2(M_MIN_PER_KM_H * x["speed_km_h"], x["grade"]),
        population="adults; the cost equation was made for 50-100 m/min",
        valid=(_speeds("walk"),),
        source=f"Bushman 2020 (walking {GUIDELINE}",
        provenance="read",
        heart_rate_based=True,
        stages=True,
        note=CARRIED,
    ),
    FieldProtocol(
        id="step_stages_2001",
        name="stepping stages, 2001, heart rate carried on",
        title="steady stages on a step, heart rate carried to its maximum",
        mode="step",
        inputs=("step_height_cm", "step_rate_min", "hr_bpm"),
        equation=lambda x: stepping_vo2(x["step_rate_min"], x["step_height_cm"] / 100),
        population=(
            "55 men and women aged 19-35, steps of 10-30 cm at 20 and 25 a minute: the cost was 0.6 "
            "above the equation, standard error of the cost 1.7 mL/kg/min"
        ),
        valid=(
            Valid("age_years", 19, 35),
            Valid("step_height_cm", 10, 30),
            Valid("step_rate_min", 20, 25),
        ),
        source="Latin 2001, Med Sci Sports Exerc 33:1785 (abstract: the stepping equation of the ACSM)",
        provenance="read",
        heart_rate_based=True,
        stages=True,
        note=CARRIED,
    ),
    FieldProtocol(
        id="row_stages_2003",
        name="rowing stages, 2003, heart rate carried on",
        title="steady stages on a rowing ergometer, heart rate carried to its maximum",
        mode="row",
        inputs=("power_w", "hr_bpm", "mass_kg", "sex"),
        equation=by_sex((1.1328, 0.0113), (0.6652, 0.0128)),
        population="44 oarsmen and 27 oarswomen of a national team and its reserve",
        source="Klusiewicz and Faff 2003, Biology of Sport (abstract: cost lines by sex)",
        provenance="read",
        heart_rate_based=True,
        stages=True,
        note=f"{CARRIED}; other crafts and less trained people cost otherwise",
    ),
    FieldProtocol(
        id="stages_measured_1961",
        name="stages with measured uptake, 1961, heart rate carried on",
        title="steady stages of any kind with measured uptake, heart rate carried to its maximum",
        mode="",
        inputs=("vo2_ml_kg_min", "hr_bpm"),
        equation=lambda x: x["vo2_ml_kg_min"],
        population=(
            "in 80 other men aged 20-50 it read 430 mL/min low, 95 % limits 708 either side (Davies "
            "1968, abstract read)"
        ),
        source="Maritz 1961, Ergonomics 4:97 (abstract: least squares through four stages)",
        provenance="read",
        heart_rate_based=True,
        stages=True,
        note=(
            f"{CARRIED}; give vo2_ml_kg_min, or vo2_ml_min and a mass. Near the maximum the line bends, "
            "by about 0.3 L/min in its source"
        ),
    ),
)
