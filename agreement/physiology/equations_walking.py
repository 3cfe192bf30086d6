"""Field-test equations for walking and stepping."""

from dataclasses import replace
from typing import Final

import numpy as np

from agreement.physiology.arrays import FloatArray
from agreement.physiology.protocol import FieldProtocol, Inputs, Valid
from agreement.physiology.work_rate import KG_PER_POUND, METRES_PER_MILE


def walk_1987_litres(x: Inputs) -> FloatArray:
    """Return VO2max [L/min] of the 1-mile walk."""
    return np.asarray(
        6.9652
        + 0.0091 * x["mass_kg"] / KG_PER_POUND
        - 0.0257 * x["age_years"]
        + 0.5955 * x["male"]
        - 0.2240 * x["time_min"]
        - 0.0115 * x["hr_bpm"]
    )


def _walk_1991(x: Inputs) -> FloatArray:
    mph = x["speed_km_h"] * 1000 / METRES_PER_MILE
    hr, age = x["hr_bpm"], x["age_years"]
    return np.asarray(
        15.1 + 21.8 * mph - 0.327 * hr - 0.263 * mph * age + 0.00504 * hr * age + 5.98 * x["male"]
    )


WALK_MILE: Final = FieldProtocol(
    id="walk_1mile_1987",
    name="1-mile walk, 1987",
    title="time and last heart rate of a 1-mile walk",
    mode="walk",
    inputs=("time_min", "hr_bpm", "mass_kg", "age_years", "sex"),
    equation=lambda x: 1000 * walk_1987_litres(x) / x["mass_kg"],
    population="343 people aged 30-69; r 0.93, on the half kept for checking 0.92",
    valid=(Valid("age_years", 30, 69),),
    standard_error=(0.325, 0.325),
    error_unit="L/min",
    source="Kline 1987; mass in pounds in the source",
    provenance="read",
    heart_rate_based=True,
)

WALKING: Final = (
    WALK_MILE,
    replace(
        WALK_MILE,
        id="walk_1mile_1987_relative",
        name="1-mile walk, 1987, per kg",
        title="time and last heart rate of a 1-mile walk, per kg",
        equation=lambda x: np.asarray(
            132.853
            - 0.0769 * x["mass_kg"] / KG_PER_POUND
            - 0.3877 * x["age_years"]
            + 6.315 * x["male"]
            - 3.2649 * x["time_min"]
            - 0.1565 * x["hr_bpm"]
        ),
        standard_error=(5.0, 5.0),
        error_unit="mL/kg/min",
        provenance="read second-hand",
    ),
    FieldProtocol(
        id="walk_treadmill_1991",
        name="treadmill walk, 1991",
        title="one steady stage of treadmill walking at 5 % grade",
        mode="walk",
        inputs=("speed_km_h", "hr_bpm", "age_years", "sex"),
        equation=_walk_1991,
        population="117 people aged 20-59; R2 0.86",
        valid=(
            Valid("age_years", 20, 59),
            Valid("speed_km_h", 2 * METRES_PER_MILE / 1000, 4.5 * METRES_PER_MILE / 1000),
            Valid("grade", 0.045, 0.055),
        ),
        standard_error=(4.85, 4.85),
        source="Ebbeling 1991; speed in mph in the source",
        provenance="read",
        heart_rate_based=True,
        note="made for heart rates of 50 to 70 % of the maximum",
    ),
    FieldProtocol(
        id="walk_6min_2010",
        name="6-minute walk, 2010",
        title="distance walked in 6 minutes",
        mode="walk",
        inputs=("distance_m",),
        equation=lambda x: 4.948 + 0.023 * x["distance_m"],
        population="patients; meant for group means",
        source="Ross 2010",
        provenance="read",
    ),
    FieldProtocol(
        id="walk_6min_2011",
        name="6-minute walk, 2011",
        title="distance walked in 6 minutes, with resting heart rate",
        mode="walk",
        inputs=("distance_m", "mass_kg", "hr_rest_bpm", "age_years", "sex"),
        equation=lambda x: np.asarray(
            70.161
            + 0.023 * x["distance_m"]
            - 0.276 * x["mass_kg"]
            - 6.79 * (1 - x["male"])
            - 0.193 * x["hr_rest_bpm"]
            - 0.191 * x["age_years"]
        ),
        population="adults",
        source="Burr 2011; women are coded 1 in the source",
        provenance="read",
        heart_rate_based=True,
    ),
    FieldProtocol(
        id="step_3min_1972",
        name="3-minute step test, 1972",
        title="recovery heart rate after 3 minutes of stepping, 41.3 cm",
        mode="step",
        inputs=("hr_bpm", "sex"),
        equation=lambda x: np.where(
            x["male"] == 1, 111.33 - 0.42 * x["hr_bpm"], 65.81 - 0.1847 * x["hr_bpm"]
        ),
        population="students; women r -0.75, n 41; heart rate 5 to 20 s after the last step",
        valid=(Valid("age_years", 18, 25),),
        standard_error=(2.9, np.nan),
        source="McArdle 1972; the men's standard error was not found, the ages are from memory",
        provenance="read",
        heart_rate_based=True,
    ),
)
