"""Breath files: the averaging rules by hand on a rising row of breaths."""

import pandas as pd
import pytest
from turns import slowly

MASS = 70.0
RISE = [1000.0 + 20 * i for i in range(120)]  # one breath a second; nothing looks like an artefact


def breath_study(study, rule, vo2, phase=None, typed="", reference=None):
    """One athlete, one test with a breath file, two readings."""
    study.lab("A1", 20, typed, averaging_rule=rule, mass_kg=MASS)
    study.two("A1", 20, 52.75)
    study.toml = f'[reference]\naveraging_rule = "{reference or rule}"\n'
    frame = pd.DataFrame({"t_s": range(len(vo2)), "vo2_ml_min": vo2})
    frame["phase"] = phase or ["exercise"] * len(vo2)
    return study.text("breaths/T1.csv", frame.to_csv(index=False))


def lab_value(study):
    return study.pair().one(athlete_id="A1").lab * MASS


@pytest.mark.parametrize(
    ("rule", "expected"),
    [
        ("moving 3 breaths", RISE[118]),  # the middle of the last three
        ("fixed 7 breaths", RISE[115]),  # 17 full bins: breaths 112 to 118; the last one is dropped
        *slowly([("moving 15 breaths", RISE[112])]),
        ("middle 5 of 7 breaths", RISE[116]),  # last seven without the highest and the lowest
    ],
)
def test_rules_in_breaths(study, rule, expected):
    assert lab_value(breath_study(study, rule, RISE)) == pytest.approx(expected, rel=1e-9)


@pytest.mark.slow
def test_middle_breaths_leave_out_the_highest_and_the_lowest(study):
    # In each seven the two that leave are 1000 + 20 i -+ something; brute force says which mean wins.
    vo2 = [v + (150 if i % 7 == 3 else -90 if i % 7 == 5 else 0) for i, v in enumerate(RISE)]
    means = [sum(sorted(vo2[i : i + 7])[1:6]) / 5 for i in range(len(vo2) - 6)]
    study = breath_study(study, "middle 5 of 7 breaths", vo2)
    assert lab_value(study) == pytest.approx(max(means), rel=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("rule", ["moving 30 s", "MOVING 30 S", "Moving  30  s"])
def test_a_moving_window_in_seconds(study, rule):
    # 30 or 31 one-second breaths fit into 30 s, depending on which end counts: 10 mL/min apart.
    assert lab_value(breath_study(study, rule, RISE)) == pytest.approx(RISE[119] - 295, abs=6)


def test_fixed_seconds_start_at_the_first_exercise_breath(study):
    # 10 s of warm-up, then bins 10-39, 40-69, 70-99; 100-119 is shorter than 30 s and dropped.
    phase = ["warmup"] * 10 + ["exercise"] * 110
    study = breath_study(study, "fixed 30 s", RISE, phase)
    assert lab_value(study) == pytest.approx(1000 + 20 * (70 + 99) / 2, rel=1e-9)


def test_recovery_rest_and_warm_up_do_not_count(study):
    vo2 = [4500.0 + i for i in range(20)] + RISE + [4600.0 + i for i in range(20)]
    phase = ["rest"] * 10 + ["warmup"] * 10 + ["exercise"] * 120 + ["recovery"] * 20
    study = breath_study(study, "moving 3 breaths", vo2, phase)
    assert lab_value(study) == pytest.approx(RISE[118], rel=1e-9)


def test_breaths_beat_a_typed_value_and_a_gap_above_three_per_cent_is_a_note(study):
    study = breath_study(study, "moving 3 breaths", RISE, typed="51")  # breaths: 48; 6 % apart
    assert lab_value(study) == pytest.approx(RISE[118], rel=1e-9)
    assert any("51" in p["what"] for p in study.check().find(severity="note"))


@pytest.mark.slow
def test_a_gap_below_three_per_cent_is_no_note(study):
    study = breath_study(study, "moving 3 breaths", RISE, typed="48.5")  # 1 % apart
    assert not any("48.5" in p["what"] for p in study.check().problems)


@pytest.mark.slow
def test_the_rule_of_the_study_is_applied_to_breath_files(study):
    study = breath_study(study, "", RISE, reference="fixed 7 breaths")
    pair = study.pair().one(athlete_id="A1")
    assert pair.lab * MASS == pytest.approx(RISE[115], rel=1e-9)
    assert pair.averaging_rule == "fixed 7 breaths"


@pytest.mark.slow
def test_edited_breaths_are_counted_in_a_note(study):
    vo2 = list(RISE)
    vo2[60] = 9000.0  # a cough
    study = breath_study(study, "moving 3 breaths", vo2)
    assert lab_value(study) == pytest.approx(RISE[118], rel=1e-9)
    notes = study.check().find(severity="note", file="breaths/T1.csv")
    assert any("1 " in p["what"] or "one" in p["what"] for p in notes)


def test_a_breath_file_of_a_test_without_mass_gives_no_value(study):
    breath_study(study, "moving 3 breaths", RISE)
    study.rows["lab_tests"][0]["mass_kg"] = ""
    assert study.pair().reasons("lab_tests.csv") == {2: "no_mass"}


def test_a_breath_file_without_its_required_column_stops(study):
    breath_study(study, "moving 3 breaths", RISE)
    study.text("breaths/T1.csv", "t_s,vco2_ml_min\n0,1000\n1,1010\n")
    checked = study.check()
    assert checked.code == 2
    assert checked.find(severity="stop", file="breaths/T1.csv")
