"""What sessions cover, its picture, and the notes that many raw files share."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from agreement.errors import Problem
from agreement.physiology.coverage import typical_fans
from agreement.physiology.laboratory import laboratory_values
from agreement.physiology.session_people import doubtful_maximum, nearest_measured
from agreement.physiology.set_aside import grouped_notes
from agreement.physiology.stage_splits import stage_splits
from agreement.tables.options import Extrapolation

DAY = pd.Timestamp("2026-03-02")


def coverage_rows(profile, errors, names, bias, se=3.0):
    """Return rows of the coverage table."""
    return pd.DataFrame(
        {"athlete_id": names, "lab_test_id": names, "mode": "run", "training_profile": profile}
        | {"lab": 50.0, "line_date": DAY, "n_points": 6, "hr_span": 30.0, "slope": 0.4}
        | {"top_share_of_hr_max": 0.85, "intercept": -20.0, "hr_max_bpm": 190.0}
        | {"extrapolation_se": se, "expected_bias": bias, "refused": None, "method": "watch"}
        | {"observed_error": errors}
    )


@pytest.fixture
def points():
    """Return the sessions of three athletes: A even, B scattered, C alone in another profile."""
    rng = np.random.default_rng(1)
    parts = []
    for name, spread in (("A", 1.0), ("B", 4.0), ("C", 2.0)):
        pulse = np.array([120.0, 130.0, 140.0, 150.0, 160.0])
        vo2 = 0.4 * (pulse + rng.normal(0, spread, 5)) - 20
        parts.append(pd.DataFrame({"athlete_id": name, "mode": "run", "hr_bpm": pulse, "vo2": vo2}))
    whole = pd.concat(parts, ignore_index=True)
    return whole.assign(date=DAY - pd.Timedelta(days=3))


def three_lines():
    rows = [
        coverage_rows("long", [0.0, 0.0], ["A", "B"], 0.0, se=[1.0, 5.0]),
        coverage_rows("short", [0.0], ["C"], 0.0, se=2.0),
    ]
    return pd.concat(rows, ignore_index=True)


def test_the_fan_is_the_error_of_inverse_prediction(points):
    fans = typical_fans(three_lines(), points, Extrapolation())
    assert sorted(fan.athlete_id for fan in fans) == ["A", "C"]  # 1 and 5 lie equally near: A
    assert [fan.standard_error for fan in fans] == sorted(fan.standard_error for fan in fans)
    fan = next(fan for fan in fans if fan.athlete_id == "A")
    own = points[points["athlete_id"] == "A"]
    line = sm.OLS(own["hr_bpm"], sm.add_constant(own["vo2"])).fit()
    a, c = line.params
    at_top = (190 - a) / c
    assert fan.band["vo2"].iloc[-1] == pytest.approx(at_top)
    mean_error = line.get_prediction([[1.0, at_top]]).se_mean[0]  # of the line, in beats
    assert fan.standard_error == pytest.approx(mean_error / c)
    usual = sm.OLS(own["vo2"], sm.add_constant(own["hr_bpm"])).fit().predict([[1.0, 190.0]])[0]
    assert fan.usual_bias == pytest.approx(usual - at_top)
    assert fan.band["hr_bpm"].iloc[[0, -1]].tolist() == [120.0, 190.0]


def test_a_line_that_the_guards_refuse_is_shown_only_without_any_other(points):
    rows = three_lines()
    rows.loc[rows["athlete_id"].isin(["A", "C"]), "refused"] = "heart rates span 10 bpm"
    fans = typical_fans(rows, points, Extrapolation())
    assert {fan.athlete_id: fan.refused for fan in fans} == {
        "B": None,
        "C": "heart rates span 10 bpm",
    }


def test_an_unsure_maximum_gives_way():
    laboratory = pd.DataFrame(
        {
            "athlete_id": ["A", "A", "B"],
            "mode": "run",
            "date": [DAY, DAY + pd.Timedelta(days=50), DAY],
            "hr_max_bpm": [170.0, 188.0, 165.0],
            "age_years": [30.0, 30.0, 50.0],
            "max_confirmed": ["no", "yes", "no"],
        }
    )
    rows = pd.DataFrame({"athlete_id": ["A", "B"], "mode": "run", "date": DAY})
    assert nearest_measured(rows, laboratory, "hr_max_bpm").tolist() == [188.0, 165.0]
    odd = laboratory.assign(hr_max_bpm=[104.0, 188.0, 165.0], max_confirmed="unknown")
    assert doubtful_maximum(odd).tolist() == [True, False, False]


def note(file, column="hr_bpm"):
    return Problem("note", "converted", file, 2, column, "was read as bpm.", "State it.")


def test_notes_that_many_files_share_come_in_one_line():
    many = [note(f"samples/S{i}.csv") for i in range(9)]
    few = [note(f"samples/S{i}.csv", "grade") for i in range(2)]
    found = grouped_notes([*many, *few], "samples")
    assert [p.file for p in found] == ["samples", "samples/S0.csv", "samples/S1.csv"]
    assert found[0].what == "In 9 files; the first is samples/S0.csv, row 2: was read as bpm."
    assert found[0].remedy == "State it."


def test_stages_without_measured_uptake_or_maximum_are_not_split(make_study):
    row = {"athlete_id": "A", "date": DAY, "protocol": "cycle_stages_hr", "mass_kg": 70}
    stages = [
        row | {"power_w": power, "hr_bpm": pulse, "hr_max_bpm": 190, "vo2_ml_min": vo2}
        for power, pulse, vo2 in ((125, 120, 1900), (175, 140, 2500), (225, 160, 3100))
    ]
    pair = {"athlete_id": "A", "lab_test_id": "T", "lab_date": DAY, "gap_days": 0, "lab": 55.0}
    pairs = pd.DataFrame([pair | {"method": "cycle_stages_hr", "mode": "cycle"}])

    def split(rows):
        study = make_study(field_tests=rows)
        lab = laboratory_values(study).frame
        known = (study.field_tests, study.athletes, lab, pairs)
        return stage_splits(*known, extrapolation=Extrapolation())

    # by hand: measured, 4000 mL/min at 190 bpm: 57.14; cost, 300 W: 7 + 10.8 * 300 / 70 = 53.29
    (line,) = split(stages).to_dict("records")
    assert (line["heart_rate"], line["cost"]) == pytest.approx((2.143, -3.857), abs=0.001)
    assert split([r | {"vo2_ml_min": None} for r in stages]).empty
    assert split([r | {"hr_max_bpm": None} for r in stages]).empty
    assert split([]).empty
