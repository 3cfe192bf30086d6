"""Economy and efficiency: a printed line of a table, stages by hand, errors that own cost leads to."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from agreement.physiology.breath_tests import STAGE_COLUMNS
from agreement.physiology.equations import running_vo2
from agreement.physiology.laboratory import laboratory_values
from agreement.physiology.stage_splits import (
    economy,
    energy_w,
    expected_errors,
    measured_stages,
    stage_splits,
)
from agreement.tables.options import Extrapolation

LABORATORY = pd.DataFrame({"lab_test_id": ["T"], "lab": [60.0]})


def stages(**columns):
    size = len(next(iter(columns.values())))
    base = {"lab_test_id": ["T"] * size, "mass_kg": [70.0] * size, "cost": [40.0] * size}
    return pd.DataFrame(base | columns).reindex(columns=STAGE_COLUMNS)


def test_the_line_of_lusks_table_read_second_hand():
    # 15.7 L/h at a ratio of 0.76 are 74.59 kcal/h (a teaching page that quotes the table, read)
    assert energy_w(15_700 / 60, 0.76) * 3600 / 4184 == pytest.approx(74.59, abs=0.01)
    # ends of the table, from memory: 4.686 kcal/L of fat, 5.047 of carbohydrate
    per_litre = energy_w(1000, [0.5, 0.707, 1.0]) * 60 / 4184
    assert per_litre == pytest.approx([4.686, 4.686, 5.047])


def test_running_economy_by_hand():
    # 12 km/h at 42 mL/kg/min: 42 * 60 / 12 = 210 mL/kg/km; the steep stage is left out
    told = economy(
        stages(
            mode=["run"] * 3,
            vo2=[42.0, 42.0, 48.0],
            speed_m_s=[12 / 3.6] * 3,
            grade=[0.0, 0.01, 0.10],
        ),
        LABORATORY,
    ).iloc[0]
    assert told["economy"] == pytest.approx(210)
    assert told["n_stages"] == 3
    assert told["cost_ratio"] == pytest.approx((42 + 42 + 48) / 3 / 40)
    assert np.isnan(told["gross_efficiency"])


def test_efficiency_of_a_rider_with_a_known_one():
    """100 W of energy beside the work, of which four times as much: gross = P / (4 P + 100)."""
    power, ratio = np.array([100.0, 150.0, 200.0]), 0.9
    energy = 4 * power + 100
    uptake = energy / (energy_w(1.0, ratio)) / 70
    told = economy(
        stages(mode=["cycle"] * 3, vo2=uptake, vco2_ml_min=70 * ratio * uptake, power_w=power),
        LABORATORY,
    ).iloc[0]
    assert told["gross_efficiency"] == pytest.approx(100 * (power / energy).mean())
    assert np.isnan(told["economy"])


def test_hard_stages_and_those_near_the_maximum_do_not_count():
    power = np.array([100.0, 150.0, 200.0, 250.0])
    uptake = np.array([25.0, 31.0, 37.0, 58.0])  # the last above 90 % of 60
    ratio = np.array([0.9, 0.95, 1.05, 1.1])
    told = economy(
        stages(mode=["cycle"] * 4, vo2=uptake, vco2_ml_min=70 * ratio * uptake, power_w=power),
        LABORATORY,
    ).iloc[0]
    assert told["n_stages"] == 3
    energy = energy_w(70 * uptake[:2], ratio[:2])  # two stages with a ratio of at most 1
    assert told["gross_efficiency"] == pytest.approx(100 * (power[:2] / energy).mean())


def test_the_expected_error_is_that_of_an_estimate_by_the_equation():
    """Someone who runs at 0.95 of the equation's cost reaches 57 at a speed that 'costs' 60."""
    speed = 200.0
    cost = float(running_vo2(speed))
    known = economy(
        stages(mode=["run"], cost=[cost], vo2=[0.95 * cost], speed_m_s=[speed / 60]),
        LABORATORY,
    )
    pairs = pd.DataFrame(
        {
            "athlete_id": ["A", "A"],
            "lab_test_id": ["T", "T"],
            "method": ["pace", "pace"],
            "mode": ["run", "cycle"],
            "difference": [2.0, 2.0],
            "lab": [57.0, 57.0],
        }
    )
    (told,) = expected_errors(known, pairs).to_dict("records")  # the cycle test told no cost
    assert told["expected"] == pytest.approx(60 - 57)
    assert told["rest"] == pytest.approx(2 - 3)
    assert told["stages_of"] == "same_day"


def test_stages_of_a_field_test_tell_economy_where_breaths_do_not(make_study):
    row = {"athlete_id": "A", "date": "2026-03-20", "protocol": "run_stages_2020", "grade": 0}
    field = [
        row | {"speed_km_h": speed, "hr_bpm": pulse, "vo2_ml_kg_min": 3.5 * speed, "rer": 0.9}
        for speed, pulse in ((9, 130), (11, 150), (13, 170))
    ]
    lab = {"lab_test_id": "T", "athlete_id": "A", "date": "2026-03-21", "mode": "run"}
    lab |= {"vo2max": 60.0, "mass_kg": 70.0, "hr_max_bpm": 190}
    study = make_study(field_tests=field, lab_tests=[lab])
    laboratory = laboratory_values(study)
    measured = measured_stages(study.field_tests, study.athletes, laboratory.frame)
    assert measured["vco2_ml_min"].tolist() == pytest.approx(
        [0.9 * 3.5 * v * 70 for v in (9, 11, 13)]
    )
    (told,) = laboratory.economy(measured).to_dict("records")
    assert (told["lab_test_id"], told["stages_of"]) == ("T", "another_day")
    assert told["economy"] == pytest.approx(210)  # 3.5 per km/h is 3.5 * 60
    costs = running_vo2(np.array([9, 11, 13]) * 1000 / 60)
    assert told["cost_ratio"] == pytest.approx((3.5 * np.array([9, 11, 13]) / costs).mean())
    # the same stages split the error of the running protocol
    pair = {"athlete_id": "A", "lab_test_id": "T", "method": "run_stages_2020", "mode": "run"}
    pair |= {"lab_date": pd.Timestamp("2026-03-21"), "gap_days": 1, "lab": 60.0}
    known = (study.field_tests, study.athletes, laboratory.frame, pd.DataFrame([pair]))
    (split,) = stage_splits(*known, extrapolation=Extrapolation()).to_dict("records")
    by_measure, by_cost = (  # by hand: a line on heart rate, carried to 190
        np.polyval(np.polyfit([130, 150, 170], uptake, 1), 190)
        for uptake in (3.5 * np.array([9, 11, 13]), costs)
    )
    assert split["heart_rate"] == pytest.approx(by_measure - 60)
    assert split["cost"] == pytest.approx(by_cost - by_measure)


@pytest.mark.parametrize(("days", "found"), [(0, ["same_day"]), (14, ["another_day"]), (15, [])])
def test_stages_belong_to_a_laboratory_test_of_two_weeks_at_most(make_study, days, found):
    stage = {"athlete_id": "A", "date": "2026-03-01", "protocol": "stages_measured_1961"}
    stage |= {"mode": "cycle", "power_w": 150, "mass_kg": 70, "vo2_ml_min": 2200, "hr_bpm": 140}
    lab = {"lab_test_id": "T", "athlete_id": "A", "mode": "cycle", "vo2max": 60.0, "mass_kg": 70.0}
    lab["date"] = pd.Timestamp("2026-03-01") + pd.Timedelta(days=days)
    study = make_study(field_tests=[stage], lab_tests=[lab])
    laboratory = laboratory_values(study)
    measured = measured_stages(study.field_tests, study.athletes, laboratory.frame)
    assert measured["cost"].tolist() == pytest.approx([7 + 10.8 * 150 / 70])
    costs = laboratory.economy(measured)
    assert costs["stages_of"].tolist() == found
    if days == 14:  # the test's own breaths share its errors: they count only without another day
        own = measured[STAGE_COLUMNS].assign(vo2=measured["vo2"] * 1.1)
        with_breaths = replace(laboratory, stages=own)
        (both,) = with_breaths.economy(measured).to_dict("records")
        assert both == costs.iloc[0].to_dict() | {k: both[k] for k in both if both[k] != both[k]}
        (alone,) = with_breaths.economy(measured.iloc[:0]).to_dict("records")
        assert alone["stages_of"] == "same_day"
        assert alone["cost_ratio"] == pytest.approx(1.1 * both["cost_ratio"])
