"""Estimates at rest: heart-rate ratio, questionnaires, waist."""

from dataclasses import replace
from typing import Final

import numpy as np

from agreement.physiology.arrays import FloatArray
from agreement.physiology.protocol import (
    METABOLIC_EQUIVALENT,
    FieldProtocol,
    Inputs,
    Valid,
)
from agreement.terms import RESTING

INF: Final = np.inf


def _mass_index(x: Inputs) -> FloatArray:
    return x["mass_kg"] / (x["stature_cm"] / 100) ** 2


def _ratio(x: Inputs) -> FloatArray:
    return x["hr_max_bpm"] / x["hr_rest_bpm"]


HEART_RATE_RATIO: Final = FieldProtocol(
    id="hr_ratio_2004",
    name="heart-rate ratio, 2004",
    title="ratio of maximal to resting heart rate",
    mode=RESTING,
    inputs=("hr_max_bpm", "hr_rest_bpm"),
    equation=lambda x: 15.3 * _ratio(x),
    population="well-trained men aged 21-51",
    valid=(Valid("age_years", 21, 51),),
    sexes=("male",),
    standard_error=(np.nan, 2.7),
    source="Uth 2004; standard error 4.7 when HRmax comes from age",
    provenance="read",
    heart_rate_based=True,
)
_MIDDLE_AGED: Final = replace(
    HEART_RATE_RATIO,
    id="hr_ratio_2020",
    name="heart-rate ratio, 2020",
    title="ratio of maximal to resting heart rate, middle age",
    equation=lambda x: 12.11 * _ratio(x),
    population="634 men, 49.4 +- 6.4 years",
    valid=(Valid("age_years", 40, 60),),
    standard_error=(np.nan, np.nan),
    source="Voutilainen 2020; the age range is ours, about the mean and 1.5 SD",
    provenance="read second-hand",
)

RESTING_FORMS: Final = (
    HEART_RATE_RATIO,
    _MIDDLE_AGED,
    replace(
        _MIDDLE_AGED,
        id="hr_ratio_2020_line",
        name="heart-rate ratio, 2020, as a line",
        title="ratio of maximal to resting heart rate, middle age, with intercept",
        equation=lambda x: 8.43 * _ratio(x) + 10.46,
    ),
    FieldProtocol(
        id="no_exercise_1990_mass_index",
        name="questionnaire with body mass index, 1990",
        title="questionnaire with body mass index",
        mode=RESTING,
        inputs=("activity_score", "age_years", "mass_kg", "stature_cm", "sex"),
        equation=lambda x: np.asarray(
            56.363
            + 1.921 * x["activity_score"]
            - 0.381 * x["age_years"]
            - 0.754 * _mass_index(x)
            + 10.987 * x["male"]
        ),
        population="adults aged 20-70; activity score 0 to 7",
        valid=(Valid("age_years", 20, 70), Valid("activity_score", 0, 7)),
        standard_error=(5.70, 5.70),
        source="Jackson 1990, as printed in Peterman 2020",
        provenance="read",
    ),
    FieldProtocol(
        id="no_exercise_1990_fat",
        name="questionnaire with body fat, 1990",
        title="questionnaire with body fat",
        mode=RESTING,
        inputs=("activity_score", "age_years", "fat_percent", "sex"),
        equation=lambda x: np.asarray(
            50.513
            + 1.589 * x["activity_score"]
            - 0.289 * x["age_years"]
            - 0.552 * x["fat_percent"]
            + 5.863 * x["male"]
        ),
        population="adults aged 20-70; activity score 0 to 7",
        valid=(Valid("age_years", 20, 70), Valid("activity_score", 0, 7)),
        standard_error=(5.35, 5.35),
        source="Jackson 1990, as printed in Peterman 2020",
        provenance="read",
    ),
    FieldProtocol(
        id="no_exercise_2005",
        name="questionnaire with resting heart rate, 2005",
        title="questionnaire with body mass index and resting heart rate",
        mode=RESTING,
        inputs=("activity_score", "age_years", "mass_kg", "stature_cm", "hr_rest_bpm", "sex"),
        equation=lambda x: (
            METABOLIC_EQUIVALENT
            * (
                2.77 * x["male"]
                - 0.10 * x["age_years"]
                - 0.17 * _mass_index(x)
                - 0.03 * x["hr_rest_bpm"]
                + x["activity_score"]
                + 18.07
            )
        ),
        population="adults aged 20-70; activity score 0, 0.32, 1.06, 1.76 or 3.03",
        valid=(Valid("age_years", 20, 70), Valid("activity_score", 0, 3.03)),
        standard_error=(1.45, 1.45),
        error_unit="MET",
        source="Jurca 2005 (standard error read)",
        provenance="memory",
        heart_rate_based=True,
    ),
    FieldProtocol(
        id="no_exercise_2011_waist",
        name="questionnaire with waist, 2011",
        title="waist, resting heart rate and activity index",
        mode=RESTING,
        inputs=("waist_cm", "hr_rest_bpm", "activity_score", "age_years", "sex"),
        equation=lambda x: np.where(
            x["male"] == 1,
            100.27
            - 0.296 * x["age_years"]
            - 0.369 * x["waist_cm"]
            - 0.155 * x["hr_rest_bpm"]
            + 0.226 * x["activity_score"],
            74.74
            - 0.247 * x["age_years"]
            - 0.259 * x["waist_cm"]
            - 0.114 * x["hr_rest_bpm"]
            + 0.198 * x["activity_score"],
        ),
        population="Norwegian adults from 20 years",
        valid=(Valid("age_years", 20, INF),),
        source="Nes 2011, as quoted elsewhere",
        provenance="read second-hand",
        heart_rate_based=True,
    ),
)
