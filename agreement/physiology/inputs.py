"""
What an estimator was told against what the laboratory measured, and what the difference does.

Sizes follow from the equations: a heart-rate line of 0.40 mL/kg/min per beat, the cost of cycling,
a litre value divided by a mass. They say what to correct first, not what the corrected number is.
"""

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd

from agreement.physiology.arrays import Flags, Floats
from agreement.physiology.equations import RESTING_VO2
from agreement.physiology.heart_rate import HR_MAX_FORMULAS, heart_rate_maximum
from agreement.physiology.session_people import HR_MAX_ODD_BPM, nearest_measured
from agreement.terms import AGE_WITHIN_YEARS, HR_MAX_WITHIN_BPM, MASS_WITHIN_PCT

VO2_PER_BEAT: Final = 0.40  # mL/kg/min per bpm: runs at 10 km/h, 140 bpm and 13 km/h, 165 bpm
BEATS_PER_YEAR: Final = 0.7  # of every age formula here but one

# Limits against a chest strap: Sartor 2018 (read).
WRIST: Final = (
    "wrist sensor, within about \u00b115 bpm of a chest strap; each beat that it reads high in training "
    "lowers the field value by 0.4 mL/kg/min"
)
LIMITED: Final = "a drug limits heart rate: this method does not hold"

AUDIT_COLUMNS: Final = [
    "athlete_id", "method", "mode", "input", "told", "measured", "difference", "expected_shift",
    "to_correct", "note",
]  # fmt: skip


def input_audit(
    readings: pd.DataFrame, laboratory: pd.DataFrame, heart_rate_based: Mapping[str, bool]
) -> pd.DataFrame:
    """
    Compare the inputs of each athlete's last reading with the laboratory's measurements.

    heart_rate_based: whether each method rests on heart rate.
    Returns: `AUDIT_COLUMNS`, one row per athlete, method, mode and input (mass_kg, hr_max_bpm,
        age_years, sensor) that was told; a sensor has no numbers. difference = told - measured;
        expected_shift = what it adds to the field value [mL/kg/min], so that it explains a part of
        field - laboratory, NaN where a drug limits heart rate; to_correct yes or no. Sorted by
        method, mode, athlete.
    """
    last = (
        readings[readings["source"] == "field_estimates"]
        .sort_values(["date", "instant", "row"], kind="stable")
        .drop_duplicates(["athlete_id", "method", "mode"], keep="last")
        .reset_index(drop=True)
    )
    measured = {
        name: nearest_measured(last, laboratory, name)
        for name in ("mass_kg", "hr_max_bpm", "age_years")
    }
    pulse = last["method"].map(dict(heart_rate_based)).fillna(True).to_numpy(dtype=bool)
    # a wrist sensor behind a heart-rate method is named: its error has no known sign
    wrist = last[pulse & (last["sensor"] == "wrist_optical").to_numpy()]
    nothing = np.full(len(wrist), np.nan)
    parts = [
        _mass(last, measured["mass_kg"]),
        _hr_max(last, measured["hr_max_bpm"], measured["age_years"], pulse),
        _age(last, measured["age_years"], pulse),
        _part(wrist, "sensor", nothing, nothing, nothing, nothing > 0, WRIST),
    ]
    whole = pd.concat(parts, ignore_index=True)
    limited = laboratory.loc[laboratory["hr_limiting_drug"] == "yes", "athlete_id"]
    drug = whole["athlete_id"].isin(limited) & (whole["input"] != "mass_kg")
    drug &= whole["method"].map(dict(heart_rate_based)).fillna(True).astype(bool)
    whole = whole.assign(
        expected_shift=whole["expected_shift"].mask(drug), note=whole["note"].mask(drug, LIMITED)
    )
    known = (whole["input"] == "sensor") | (whole["told"].notna() & whole["measured"].notna())
    keys = ["method", "mode", "athlete_id"]
    return whole[known].sort_values(keys, kind="stable").reset_index(drop=True)


def _mass(last: pd.DataFrame, measured: Floats) -> pd.DataFrame:
    """Mass told too high lowers what is divided by it: cycling cost, and uptake given in litres."""
    told, field = last["set_mass_kg"].to_numpy(), last["field"].to_numpy()
    share = 1 - told / measured
    cycling = (last["mode"] == "cycle").to_numpy()
    litres = last["field_l_min"].notna().to_numpy()
    fixed = np.where(litres, 0.0, 2 * RESTING_VO2)  # what mass leaves alone of cycling cost
    shift = np.where(cycling | litres, (field - fixed) * share, 0.0)
    wrong = np.round(100 * np.abs(share), 9) > MASS_WITHIN_PCT
    return _part(last, "mass_kg", told, measured, shift, wrong, "")


def _hr_max(last: pd.DataFrame, measured: Floats, age: Floats, pulse: Flags) -> pd.DataFrame:
    """HRmax told too high carries the line too far; a told value from age is named."""
    told = last["set_hr_max_bpm"].to_numpy()
    difference = told - measured
    shift = np.where(pulse, VO2_PER_BEAT * difference, 0.0)
    by_age = np.zeros(len(last), dtype=bool)
    for formula in HR_MAX_FORMULAS.values():
        by_age |= np.abs(told - formula.by_age(age)) <= 0.5
    wrong = pulse & (np.abs(difference) > HR_MAX_WITHIN_BPM)
    note = np.where(by_age, "looks like a formula from age", "")
    odd = np.abs(measured - heart_rate_maximum(age)) > HR_MAX_ODD_BPM
    note = np.where(
        odd, "the measured one is far from what the age lets expect: look there first", note
    )
    return _part(last, "hr_max_bpm", told, measured, shift, wrong, note)


def _age(last: pd.DataFrame, measured: Floats, pulse: Flags) -> pd.DataFrame:
    """Age told too high gives too low an HRmax where none was told."""
    told = last["set_age_years"].to_numpy()
    difference = told - measured
    by_age = pulse & last["set_hr_max_bpm"].isna().to_numpy()
    shift = np.where(by_age, -VO2_PER_BEAT * BEATS_PER_YEAR * difference, 0.0)
    wrong = np.abs(difference) > AGE_WITHIN_YEARS
    return _part(last, "age_years", told, measured, shift, wrong, "")


def _part(
    last: pd.DataFrame,
    name: str,
    told: Floats,
    measured: Floats,
    shift: Floats,
    wrong: Flags,
    note: "str | np.ndarray[tuple[int], np.dtype[np.str_]]",
) -> pd.DataFrame:
    return last[["athlete_id", "method", "mode"]].assign(
        input=name,
        told=told,
        measured=measured,
        difference=told - measured,
        expected_shift=shift,
        to_correct=np.where(wrong, "yes", "no"),
        note=note,
    )
