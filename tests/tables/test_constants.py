"""One value for all rows of a file: `values` in `[files.NAME]`."""

import pytest

TOML = '[files.lab_tests]\nvalues = { mode = "run", mass_kg = 70 }\n'
LAB = "lab_test_id,athlete_id,date,vo2max_l_min\nL1,A1,2026-03-02,3.5\nL2,A2,2026-03-03,4.2\n"


def test_a_column_that_the_file_lacks_gets_the_stated_value(folder):
    kept = folder.put(study_toml=folder.ZONE + TOML, lab_tests_csv=LAB).inspect()
    lab = kept.tables.lab_tests
    assert lab["mode"].astype(str).tolist() == ["run", "run"]
    assert lab["vo2max"].tolist() == pytest.approx([50.0, 60.0])


def test_a_value_beside_the_files_own_column_stops(folder):
    lab = "lab_test_id,athlete_id,date,mode,vo2max_ml_kg_min\nL1,A1,2026-03-02,run,50\n"
    toml = folder.ZONE + '[files.lab_tests]\nvalues = { mode = "cycle" }\n'
    found = folder.put(study_toml=toml, lab_tests_csv=lab).inspect()
    stops = [p for p in found.problems if p.severity == "stop"]
    assert [(p.file, p.column, p.reason) for p in stops] == [
        ("lab_tests.csv", "mode", "duplicate_column")
    ]


def test_a_value_that_is_no_code_stops_like_a_cell(folder):
    toml = folder.ZONE + '[files.lab_tests]\nvalues = { mode = "swimming" }\n'
    lab = "lab_test_id,athlete_id,date,vo2max_ml_kg_min\nL1,A1,2026-03-02,50\n"
    found = folder.put(study_toml=toml, lab_tests_csv=lab).inspect()
    assert any(p.severity == "stop" and p.column == "mode" for p in found.problems)
