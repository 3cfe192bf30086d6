"""People behind tests and sessions: what the athletes table says of them, what the laboratory measured."""

from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from agreement.arrays import Floats, Ints
from agreement.physiology.heart_rate import heart_rate_maximum, measured_or_by_age
from agreement.tables.options import HrMaxFormula

_TEXT = ("sex", "hr_limiting_drug", "training_profile")
_NUMBERS = ("mass_kg", "stature_cm", "birth_year", "age_years")
HR_MAX_ODD_BPM: Final = 30.0  # about three standard deviations of people of one age


def people_at(
    athletes: pd.DataFrame, athlete_id: "pd.Series[str]", date: "pd.Series[pd.Timestamp]"
) -> pd.DataFrame:
    """
    Look up each test's athlete: indexed like `athlete_id`, unknown where the table says nothing.

    age_years is as stated, else the year of the test minus the year of birth. [years]
    """
    known = athletes.set_index("athlete_id")[[*_TEXT, *_NUMBERS]]
    found = known.reindex(athlete_id).set_axis(athlete_id.index, axis=0)
    by_year = date.dt.year - found["birth_year"]
    found["age_years"] = found["age_years"].fillna(by_year)
    for name in ("sex", "hr_limiting_drug"):
        found[name] = found[name].fillna("unknown")
    return found.drop(columns="birth_year")


def session_people(
    sessions: pd.DataFrame, laboratory: pd.DataFrame, athletes: pd.DataFrame, formula: HrMaxFormula
) -> pd.DataFrame:
    """
    Return HRmax with its error (0 when measured) and mass for each session.

    Measured values come from the athlete's laboratory test that is nearest in time, of
    the session's mode before any other.
    """
    people = people_at(athletes, sessions["athlete_id"], sessions["date"])
    measured, mass = (nearest_measured(sessions, laboratory, n) for n in ("hr_max_bpm", "mass_kg"))
    hr_max, spread = measured_or_by_age(measured, people["age_years"], formula)
    mass = np.where(np.isnan(mass), people["mass_kg"], mass)
    return pd.DataFrame({"hr_max_bpm": hr_max, "sd_hr_max": spread, "mass_kg": mass})


def doubtful_maximum(laboratory: pd.DataFrame) -> "pd.Series[bool]":
    """
    Tell where a test's highest heart rate is hardly the athlete's maximum.

    Returns: True where the test was not maximal, or the value is more than 30 bpm from what the age
        lets expect (about three standard deviations): swapped digits, or a drug that limits it.
    """
    expected = heart_rate_maximum(laboratory["age_years"])
    odd = (laboratory["hr_max_bpm"] - expected).abs() > HR_MAX_ODD_BPM
    return odd | (laboratory["max_confirmed"] == "no")


def nearest_measured(
    rows: pd.DataFrame, laboratory: pd.DataFrame, column: str, *, same_mode: bool = False
) -> Floats:
    """
    Look up what the laboratory measured in the athlete of each row, NaN where nothing was.

    same_mode: take nothing from a test of another mode.
    Returns: one per row. From the athlete's test of the same mode before any other, then the
        nearest in time, then the earlier. An HRmax that is none (`doubtful_maximum`) counts only
        where the athlete has no other.
    """
    known = laboratory.loc[laboratory[column].notna(), ["athlete_id", "mode", "date", column]]
    on_maximum = column == "hr_max_bpm"
    known["doubtful"] = doubtful_maximum(laboratory.loc[known.index]) if on_maximum else False
    keys = rows[["athlete_id", "mode", "date"]].assign(place=np.arange(len(rows)))
    both = keys.merge(known, on="athlete_id", suffixes=("", "_lab"))
    place, other = both["place"].to_numpy(), (both["mode"] != both["mode_lab"]).to_numpy(bool)
    of_test, of_row = (both[name].to_numpy("datetime64[us]") for name in ("date_lab", "date"))
    ranks = (_ranked(of_test), _ranked(np.abs(of_test - of_row)), other, both["doubtful"], place)
    order = np.lexsort(ranks)
    order = order[~other[order]] if same_mode else order
    best = order[np.diff(place[order], prepend=-1) > 0]
    value = np.full(len(rows), np.nan)
    value[place[best]] = both[column].to_numpy(dtype=np.float64)[best]
    return value


def _ranked(times: NDArray[Any]) -> Ints:
    """Return times as numbers, the unknown ones last."""
    return np.where(np.isnat(times), np.iinfo(np.int64).max, times.astype(np.int64))
