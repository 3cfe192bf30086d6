"""Field-test equations for running, shuttle running, walking and race times."""

from typing import Final

import numpy as np

from agreement.physiology.arrays import FloatArray
from agreement.physiology.protocol import FieldProtocol, Inputs, StageRule, Valid
from agreement.physiology.work_rate import KG_PER_POUND

INF: Final = np.inf


def _shuttle_stage_speed(stage: FloatArray) -> FloatArray:
    return 8 + 0.5 * stage


ONE_MINUTE_STAGES: Final = StageRule(_shuttle_stage_speed, 8.5, "speed = 8 + 0.5 x stage km/h")


# Stages start at 8 km/h and rise by 0.5 (abstract, read); a later form starts at 7 metabolic
# equivalents, which its equation gives to 7.5 km/h. So no stage number is turned into a speed.
TWO_MINUTE_STAGES: Final = StageRule(None, 7.5, "")


def _shuttle_1988(speed: FloatArray, age: FloatArray | float) -> FloatArray:
    return np.asarray(31.025 + 3.238 * speed - 3.248 * age + 0.1536 * age * speed)


def _race_time(x: Inputs) -> FloatArray:
    t = x["time_min"]
    v = x["distance_m"] / t
    cost = -4.60 + 0.182258 * v + 0.000104 * v**2
    share = 0.8 + 0.1894393 * np.exp(-0.012778 * t) + 0.2989558 * np.exp(-0.1932605 * t)
    return cost / share


RUNNING: Final = (
    FieldProtocol(
        id="run_12min_1968",
        name="12-minute run, 1968",
        title="distance run in 12 minutes",
        mode="run",
        inputs=("distance_m",),
        equation=lambda x: (x["distance_m"] - 504.9) / 44.73,
        population="115 airmen aged 17-52; r 0.897",
        valid=(Valid("distance_m", 1600, 3500), Valid("age_years", 17, 52)),
        source="Cooper 1968, JAMA; n and r from the abstract, this form from secondary pages",
        provenance="read second-hand",
        note="the ranges are from memory",
    ),
    FieldProtocol(
        id="run_12min_2015",
        name="12-minute run, 2015",
        title="distance run in 12 minutes, refitted",
        mode="run",
        inputs=("distance_m",),
        equation=lambda x: 21.01 * x["distance_m"] / 1000 - 11.04,
        population="58 sedentary Indian men; r 0.93",
        sexes=("male",),
        source="Bandyopadhyay 2015",
        provenance="read second-hand",
        note="in its source the 1968 form read 3.0 high, limits 0.10 to 5.94",
    ),
    FieldProtocol(
        id="run_1_5mile_1993",
        name="1.5-mile run, 1993",
        title="time of a 1.5-mile run",
        mode="run",
        inputs=("time_min", "mass_kg", "sex"),
        equation=lambda x: (
            88.02 + 3.716 * x["male"] - 0.0753 * x["mass_kg"] / KG_PER_POUND - 2.767 * x["time_min"]
        ),
        population="fit students aged 18-29; r 0.90",
        valid=(Valid("age_years", 18, 29),),
        standard_error=(2.8, 2.8),
        source="George 1993; mass in pounds in the source",
        provenance="read",
    ),
    FieldProtocol(
        id="run_1_5mile_inverse_time",
        name="1.5-mile run, inverse of time",
        title="time of a 1.5-mile run, inverse of time",
        mode="run",
        inputs=("time_min",),
        equation=lambda x: 3.5 + 483 / x["time_min"],
        population="adults",
        source="guidelines of the ACSM, as quoted elsewhere",
        provenance="read second-hand",
    ),
    FieldProtocol(
        id="run_1mile_jog_1993",
        name="1-mile jog, 1993",
        title="time and last heart rate of a 1-mile jog",
        mode="run",
        inputs=("time_min", "hr_bpm", "mass_kg", "sex"),
        equation=lambda x: (
            100.5
            + 8.344 * x["male"]
            - 0.1636 * x["mass_kg"]
            - 1.438 * x["time_min"]
            - 0.1928 * x["hr_bpm"]
        ),
        population="students aged 18-29, jogging easily; r 0.87",
        valid=(
            Valid("age_years", 18, 29),
            Valid("time_min", 8, INF, "male"),
            Valid("time_min", 9, INF, "female"),
            Valid("hr_bpm", -INF, 180),
        ),
        standard_error=(3.0, 3.0),
        source="George 1993",
        provenance="read",
        heart_rate_based=True,
    ),
    FieldProtocol(
        id="run_2mile_1987",
        name="2-mile run, 1987",
        title="time of a 2-mile run",
        mode="run",
        inputs=("time_min",),
        equation=lambda x: 99.7 - 3.35 * x["time_min"],
        population="44 soldiers aged 20-51; the men's equation; r -0.91",
        valid=(Valid("age_years", 20, 51),),
        sexes=("male",),
        standard_error=(np.nan, 3.31),
        source="Mello 1987",
        provenance="read",
    ),
    FieldProtocol(
        id="race_time_1979",
        name="race time, 1979",
        title="time of a race",
        mode="run",
        inputs=("distance_m", "time_min"),
        equation=_race_time,
        population="trained runners",
        valid=(Valid("time_min", 3.5, 240),),
        source="Daniels and Gilbert 1979",
        provenance="read",
        note="running economy is assumed, so this is a VO2max of the average runner of that pace",
    ),
    FieldProtocol(
        id="shuttle_20m_1988_child",
        name="20 m shuttle run, 1988, with age",
        title="20-m shuttle run, 1-min stages, with age",
        mode="run",
        inputs=("speed_km_h", "age_years"),
        equation=lambda x: _shuttle_1988(x["speed_km_h"], x["age_years"]),
        population="188 children aged 8-19; r 0.71",
        valid=(Valid("age_years", 8, 19),),
        standard_error=(5.9, 5.9),
        source="Leger 1988 (standard error from memory)",
        provenance="read",
        stage_rule=ONE_MINUTE_STAGES,
    ),
    FieldProtocol(
        id="shuttle_20m_1988_adult",
        name="20 m shuttle run, 1988, adults",
        title="20-m shuttle run, 1-min stages, age fixed at 18",
        mode="run",
        inputs=("speed_km_h",),
        equation=lambda x: _shuttle_1988(x["speed_km_h"], 18.0),
        population="77 adults aged 18-50; r 0.90, against a treadmill test",
        valid=(Valid("age_years", 18, 50),),
        standard_error=(4.4, 4.4),
        source="Leger 1988",
        provenance="read",
        stage_rule=ONE_MINUTE_STAGES,
    ),
    FieldProtocol(
        id="shuttle_20m_1989_adult",
        name="20 m shuttle run, 1989, adults",
        title="20-m shuttle run, 1-min stages, rounded line",
        mode="run",
        inputs=("speed_km_h",),
        equation=lambda x: -27.4 + 6.0 * x["speed_km_h"],
        population="77 adults aged 19-47; r 0.87, against back-extrapolated recovery uptake",
        valid=(Valid("age_years", 19, 47),),
        standard_error=(4.7, 4.7),
        source="Leger and Gadoury 1989",
        provenance="read",
        stage_rule=ONE_MINUTE_STAGES,
    ),
    FieldProtocol(
        id="shuttle_20m_2003",
        name="20 m shuttle run, 2003",
        title="20-m shuttle run, last half-stage, by sex",
        mode="run",
        inputs=("stage", "sex"),
        equation=lambda x: np.where(
            x["male"] == 1, 2.75 * x["stage"] + 28.8, 2.85 * x["stage"] + 25.1
        ),
        population="60 men and 62 women, mean age 25",
        standard_error=(3.64, 4.07),
        source="Stickland 2003, Can J Appl Physiol 28:272",
        provenance="read",
    ),
    FieldProtocol(
        id="shuttle_20m_1982",
        name="20 m shuttle run, 1982",
        title="20-m shuttle run, 2-min stages",
        mode="run",
        inputs=("speed_km_h",),
        equation=lambda x: 5.857 * x["speed_km_h"] - 19.458,
        population="91 adults; r 0.84",
        standard_error=(5.4, 5.4),
        source="Leger and Lambert 1982",
        provenance="read",
        stage_rule=TWO_MINUTE_STAGES,
    ),
    FieldProtocol(
        id="shuttle_intermittent_1_2008",
        name="intermittent shuttle run, level 1, 2008",
        title="intermittent shuttle run with recovery, level 1",
        mode="run",
        inputs=("distance_m",),
        equation=lambda x: 0.0084 * x["distance_m"] + 36.4,
        population="players of team sports; wide spread",
        source="Bangsbo 2008",
        provenance="memory",
    ),
    FieldProtocol(
        id="shuttle_intermittent_2_2008",
        name="intermittent shuttle run, level 2, 2008",
        title="intermittent shuttle run with recovery, level 2",
        mode="run",
        inputs=("distance_m",),
        equation=lambda x: 0.0136 * x["distance_m"] + 45.3,
        population="players of team sports; wide spread",
        source="Bangsbo 2008",
        provenance="memory",
    ),
)
