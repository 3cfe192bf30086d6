"""
What an estimator was told against what the laboratory measured, and what the difference does.

Sizes follow from the equations: a heart-rate line of 0.40 mL/kg/min per beat, the cost of cycling,
a litre value divided by a mass. They say what to correct first, not what the corrected number is.
"""

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd

from agreement.arrays import Flags
from agreement.physiology.equations import RESTING_VO2
from agreement.physiology.heart_rate import HR_MAX_FORMULAS
from agreement.physiology.session_people import doubtful_maximum, nearest_measured
from agreement.terms import AGE_WITHIN_YEARS, HR_MAX_WITHIN_BPM, MASS_WITHIN_PCT

VO2_PER_BEAT: Final = 0.40  # mL/kg/min per bpm: runs at 10 km/h, 140 bpm and 13 km/h, 165 bpm
BEATS_PER_YEAR: Final = 0.7  # of every age formula here but one

# Limits against a chest strap: Sartor 2018 (read).
WRIST: Final = (
    "wrist sensor, within about \u00b115 bpm of a chest strap; each beat that it reads high in training "
    "lowers the field value by 0.4 mL/kg/min"
)
ODD_MAXIMUM: Final = (
    "the measured one is of a test that was not maximal, or far from what the age lets expect: look "
    "there first"
)
# A method in litres errs by the whole error of mass, one per kilogram by none of it (derived).
OF_MASS: Final = "hangs on how the method uses mass"
OF_AGE: Final = "a shift only if the method uses age for more than HRmax"
LIMITED: Final = "a drug limits heart rate: this method does not hold"

_TOLD: Final = {  # what was measured -> what the estimator was told of it
    "mass_kg": "set_mass_kg", "hr_max_bpm": "set_hr_max_bpm", "age_years": "set_age_years",
}  # fmt: skip


def input_audit(
    readings: pd.DataFrame, laboratory: pd.DataFrame, heart_rate_based: Mapping[str, bool]
) -> pd.DataFrame:
    """
    Compare the inputs of each tested athlete's last reading with the laboratory's measurements.

    heart_rate_based: whether each method rests on heart rate.
    Returns: one row per athlete_id, method, mode and input (mass_kg, hr_max_bpm, age_years, sensor)
        that was told: told, measured, their difference (a sensor has no numbers), expected_shift =
        what it adds to the field value [mL/kg/min], so that it explains a part of field -
        laboratory, NaN where a drug limits heart rate or the method's use of the input is not
        known; to_correct yes or no; note. Sorted by method, mode, athlete.
    """
    tested = readings["athlete_id"].isin(laboratory["athlete_id"])
    last = (
        readings[tested & (readings["source"] == "field_estimates")]
        .sort_values(["date", "instant", "row"], kind="stable")
        .drop_duplicates(["athlete_id", "method", "mode"], keep="last")
        .reset_index(drop=True)
    )
    pulse = last["method"].map(dict(heart_rate_based)).fillna(True).to_numpy(dtype=bool)
    whole = pd.concat(_compared(last, laboratory, pulse), ignore_index=True)
    limited = laboratory.loc[laboratory["hr_limiting_drug"] == "yes", "athlete_id"]
    drug = whole["athlete_id"].isin(limited) & (whole["input"] != "mass_kg")
    drug &= whole["method"].map(dict(heart_rate_based)).fillna(True).astype(bool)
    whole = whole.assign(
        expected_shift=whole["expected_shift"].mask(drug), note=whole["note"].mask(drug, LIMITED)
    )
    known = (whole["input"] == "sensor") | (whole["told"].notna() & whole["measured"].notna())
    keys = ["method", "mode", "athlete_id"]
    return whole[known].sort_values(keys, kind="stable").reset_index(drop=True)


def _compared(last: pd.DataFrame, laboratory: pd.DataFrame, pulse: Flags) -> list[pd.DataFrame]:
    """Return the rows of each input, before it is known whether both values are; see `input_audit`."""
    measured = {name: nearest_measured(last, laboratory, name) for name in _TOLD}
    told = {name: last[column].to_numpy() for name, column in _TOLD.items()}
    apart = {name: told[name] - measured[name] for name in _TOLD}
    # mass told too high lowers what is divided by it: cycling cost, and uptake given in litres
    share = 1 - told["mass_kg"] / measured["mass_kg"]
    cycling, litres = ((last["mode"] == "cycle").to_numpy(), last["field_l_min"].notna().to_numpy())
    fixed = np.where(litres, 0.0, 2 * RESTING_VO2)  # what mass leaves alone of cycling cost
    # HRmax told too high carries the line too far, and so does too low an age where none was told
    by_age = pulse & last["set_hr_max_bpm"].isna().to_numpy()
    shift = {
        "mass_kg": np.where(cycling | litres, (last["field"].to_numpy() - fixed) * share, np.nan),
        "hr_max_bpm": np.where(pulse, VO2_PER_BEAT * apart["hr_max_bpm"], 0.0),
        "age_years": np.where(by_age, -VO2_PER_BEAT * BEATS_PER_YEAR * apart["age_years"], np.nan),
    }
    wrong = {
        "mass_kg": np.round(100 * np.abs(share), 9) > MASS_WITHIN_PCT,
        "hr_max_bpm": pulse & (np.abs(apart["hr_max_bpm"]) > HR_MAX_WITHIN_BPM),
        "age_years": np.abs(apart["age_years"]) > AGE_WITHIN_YEARS,
    }
    age, named = measured["age_years"], last[["athlete_id", "method", "mode"]]
    formulas = [one.by_age(age) for one in HR_MAX_FORMULAS.values()]
    likely = np.any([np.abs(told["hr_max_bpm"] - one) <= 0.5 for one in formulas], axis=0)
    sure = laboratory["hr_max_bpm"].notna() & ~doubtful_maximum(laboratory)
    odd = ~last["athlete_id"].isin(laboratory.loc[sure, "athlete_id"]).to_numpy(dtype=bool)
    notes = {
        "mass_kg": np.where(np.isnan(shift["mass_kg"]), OF_MASS, ""),
        "hr_max_bpm": np.where(
            odd, ODD_MAXIMUM, np.where(likely, "looks like a formula from age", "")
        ),
        "age_years": np.where(np.isnan(shift["age_years"]), OF_AGE, ""),
    }
    parts = [
        named.assign(
            input=name,
            told=told[name],
            measured=measured[name],
            difference=apart[name],
            expected_shift=shift[name],
            to_correct=np.where(wrong[name], "yes", "no"),
            note=notes[name],
        )
        for name in _TOLD
    ]
    # a wrist sensor behind a heart-rate method is named: its error has no known sign
    wrist = named[pulse & (last["sensor"] == "wrist_optical").to_numpy()]
    return [*parts, wrist.assign(input="sensor", to_correct="no", note=WRIST)]
