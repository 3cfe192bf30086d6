"""Thresholds by raters and the exchange ratio of a stage: one message for each cell that cannot be."""

import pytest

from agreement.terms import RATED


@pytest.mark.parametrize("column", RATED)
@pytest.mark.parametrize(
    ("cell", "said"), [("soon", "'soon' is not a number"), ("900", "900 is outside")]
)
def test_a_threshold_that_cannot_be_is_unknown_with_one_note(folder, column, cell, said):
    head, *rows = folder.LAB.splitlines()
    lab = f"{head},{column}\n{rows[0]},{cell}\n{rows[1]},\n"
    found = folder.put(lab_tests_csv=lab).inspect()
    (note,) = [p for p in found.problems if p.column == column]
    assert (note.severity, note.row) == ("note", 2)
    assert said in note.what
    assert found.tables.lab_tests[column].isna().all()
    assert len(found.tables.lab_tests) == 2


def test_thresholds_are_read_and_their_units_stated(folder):
    head, *rows = folder.LAB.splitlines()
    lab = f"{head},vt1_vo2_ml_kg_min,rater2_vt2_hr_bpm\n{rows[0]},10,2.5\n{rows[1]},,\n"
    toml = '[files.lab_tests]\nunits = { vt1_vo2_ml_kg_min = "MET", rater2_vt2_hr_bpm = "1/s" }\n'
    tests = folder.put(study_toml=folder.ZONE + toml, lab_tests_csv=lab).inspect().tables.lab_tests
    assert tests.loc[0, ["vt1_vo2_ml_kg_min", "rater2_vt2_hr_bpm"]].tolist() == [35, 150]


@pytest.mark.parametrize(("cell", "said"), [("none", "not a number"), ("9", "9 is outside")])
def test_an_exchange_ratio_that_cannot_be_is_unknown_with_one_note(folder, cell, said):
    tests = "athlete_id,date,protocol,power_w,hr_bpm,vo2_ml_min,rer\n"
    tests += f"A1,2026-03-20,cycle_stages_hr,150,140,2100,{cell}\n"
    found = folder.put(field_tests_csv=tests).inspect()
    (note,) = [p for p in found.problems if p.column == "rer"]
    assert said in note.what
    assert found.tables.field_tests["rer"].isna().all()
