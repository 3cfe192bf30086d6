import numpy as np
import pandas as pd
import pytest

from agreement.physiology.effort import effort_criteria
from agreement.physiology.laboratory import LABORATORY_COLUMNS, laboratory_values

DAY = pd.Timestamp("2026-03-02")
# at 40 years 208 - 0.7 age is 180 bpm
NOTHING = {
    "lab": 50.0,
    "age_years": 40.0,
    "plateau": None,
    "verification_vo2max_ml_kg_min": np.nan,
    "rer_max": np.nan,
    "hr_max_bpm": np.nan,
    "rpe_max": np.nan,
    "lactate_mmol_l": np.nan,
}
ALL_FAIL = {"plateau": "no", "rer_max": 1.0, "hr_max_bpm": 150, "rpe_max": 14, "lactate_mmol_l": 4}


def judged(**known):
    return effort_criteria(pd.DataFrame([NOTHING | known])).iloc[0]


@pytest.mark.parametrize(
    ("known", "confirmed"),
    [
        ({}, "unknown"),
        ({"plateau": "yes"}, "yes"),
        ({"plateau": "no"}, "unknown"),
        ({"verification_vo2max_ml_kg_min": 51.4}, "yes"),  # 2.8 % above
        ({"verification_vo2max_ml_kg_min": 48.6}, "yes"),  # 2.8 % below
        ({"verification_vo2max_ml_kg_min": 51.6}, "no"),  # 3.2 % above: it was not the maximum
        ({"verification_vo2max_ml_kg_min": 51.6, "plateau": "yes"}, "no"),
        ({"verification_vo2max_ml_kg_min": 45}, "unknown"),  # a bout that says nothing
        ({"verification_vo2max_ml_kg_min": 45} | ALL_FAIL, "unknown"),
        ({"rer_max": 1.10}, "unknown"),
        ({"rer_max": 1.10, "hr_max_bpm": 170}, "yes"),
        ({"rer_max": 1.10, "hr_max_bpm": 169}, "unknown"),
        ({"rpe_max": 17, "lactate_mmol_l": 8}, "yes"),
        ({"rer_max": 1.09, "hr_max_bpm": 170, "rpe_max": 16}, "unknown"),
        (ALL_FAIL, "no"),
        (ALL_FAIL | {"rer_max": 1.2}, "no"),
        (ALL_FAIL | {"rer_max": 1.2, "rpe_max": 19}, "yes"),
        (ALL_FAIL | {"lactate_mmol_l": np.nan}, "unknown"),  # never failed because it is missing
    ],
)
def test_was_the_test_maximal(known, confirmed):
    assert judged(**known)["max_confirmed"] == confirmed


def test_each_criterion_is_met_not_met_or_not_known():
    found = judged(rer_max=1.15, hr_max_bpm=160, verification_vo2max_ml_kg_min=40)
    assert found["criterion_rer"] == "met"
    assert found["criterion_hr"] == "not met"
    for name in ("plateau", "verification", "rpe", "lactate"):
        assert found[f"criterion_{name}"] == "not known"


def test_heart_rate_is_not_judged_without_an_age():
    assert judged(hr_max_bpm=190, age_years=np.nan)["criterion_hr"] == "not known"


def test_exertion_on_the_other_scale_is_not_a_failed_criterion(make_study):
    row = {"athlete_id": "A", "date": DAY, "mode": "run", "vo2max": 50}
    study = make_study(
        lab_tests=[
            row | {"lab_test_id": "T1", "rpe_max": 10},
            row | {"lab_test_id": "T2", "rpe_max": 19},
        ]
    )
    found = laboratory_values(study)
    assert found.frame["criterion_rpe"].tolist() == ["not known", "met"]
    (note,) = [p for p in found.problems if p.column == "rpe_max"]
    assert note.row == 2
    assert "0 to 10" in note.what


@pytest.mark.parametrize(
    ("column", "odd", "fair"),
    [("hr_max_bpm", 224, 184), ("barometric_pressure_mmhg", 695, 751)],
)
def test_numbers_that_look_wrong_are_noted(make_study, column, odd, fair):
    row = {"athlete_id": "A", "date": DAY, "mode": "run", "vo2max": 50}
    study = make_study(
        athletes=[{"athlete_id": "A", "age_years": 35}],
        lab_tests=[
            row | {"lab_test_id": "T1", column: fair},
            row | {"lab_test_id": "T2", column: odd},
        ],
    )
    found = laboratory_values(study)
    (note,) = found.problems
    assert (note.severity, note.row, note.column) == ("note", 3, column)
    assert str(odd) in note.what
    assert len(found.frame) == 2


def test_the_frame_and_its_ledger(make_study):
    row = {"athlete_id": "A", "date": DAY, "mode": "run"}
    study = make_study(
        athletes=[
            {"athlete_id": "A", "sex": "female", "birth_year": 1990, "hr_limiting_drug": "yes"}
        ],
        lab_tests=[
            row
            | {"lab_test_id": "T1", "vo2max": 50, "mass_kg": 60, "averaging_rule": "fixed 30 s"},
            row | {"lab_test_id": "T2"},
            row | {"lab_test_id": "T3", "vo2max": 50, "athlete_id": "B"},
        ],
    )
    found = laboratory_values(study)
    assert list(found.frame) == LABORATORY_COLUMNS
    first, other = found.frame.to_dict("records")
    assert (first["sex"], first["age_years"], first["hr_limiting_drug"]) == ("female", 36, "yes")
    assert (other["sex"], other["hr_limiting_drug"]) == ("unknown", "unknown")
    assert np.isnan(other["age_years"])
    assert found.set_aside[["row", "id", "reason"]].to_numpy().tolist() == [
        [3, "T2", "missing_value"]
    ]
    assert found.frame["training_profile"].isna().all()


def test_a_stated_profile_is_used_where_no_sessions_exist(make_study):
    study = make_study(
        athletes=[{"athlete_id": "A", "training_profile": "long and slow"}],
        lab_tests=[
            {"lab_test_id": "T", "athlete_id": "A", "date": DAY, "mode": "run", "vo2max": 50}
        ],
    )
    assert laboratory_values(study).frame["training_profile"].tolist() == ["long and slow"]


def test_an_empty_study_gives_an_empty_frame(make_study):
    found = laboratory_values(make_study())
    assert found.frame.empty
    assert list(found.frame) == LABORATORY_COLUMNS
