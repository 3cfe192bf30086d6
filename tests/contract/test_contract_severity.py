"""What stops, what is set aside, what is noted: code, severity, reason, file, row, column."""

import re

import pytest

KEYS = {"severity", "file", "row", "column", "reason", "what", "remedy"}


def good(study, people=3):
    for i in range(1, people + 1):
        study.athlete(f"A{i}", sex="female", age_years=30, mass_kg=70)
        study.lab(f"A{i}", 40, 50.25 + i, hr_max_bpm=188, rer_max=1.12).two(f"A{i}", 40, 52.5 + i)
    return study


def assert_stops(study, **where):
    checked = study.check()
    assert checked.code == 2
    hits = checked.find(severity="stop", **where)
    assert hits, checked.problems
    return hits[0]


def test_a_good_study_passes_and_every_problem_has_all_keys(study):
    good(study).rows["lab_tests"][0]["rer_max"] = 110
    checked = study.check()
    assert checked.code == 0
    assert checked.find(severity="stop") == []
    assert checked.problems
    assert all(set(p) == KEYS for p in checked.problems)


# --- stop -----------------------------------------------------------------------------------------


def test_no_study_file(study, run_quickly):
    good(study).save()
    (study.root / "study.toml").unlink()
    ran = run_quickly("check", study.root)
    assert ran.code == 2
    assert "study.toml" in ran.stdout + ran.stderr


def test_a_study_file_that_is_no_toml(study):
    good(study).text("study.toml", "[study\ntitle = ")
    assert_stops(study, file="study.toml")


def test_no_laboratory_tests(study):
    good(study)
    del study.rows["lab_tests"]
    checked = study.check()
    assert checked.code == 2
    assert "lab_tests" in str(checked.find(severity="stop"))


def test_no_field_values_at_all_is_a_study_of_the_laboratory_itself(study):
    good(study)
    del study.rows["field_estimates"]
    checked = study.check()
    assert checked.code == 0
    assert "field_estimates" in str(checked.find(severity="note"))


@pytest.mark.parametrize(
    ("table", "column"),
    [
        ("lab_tests", "lab_test_id"),
        ("lab_tests", "athlete_id"),
        ("lab_tests", "date"),
        ("lab_tests", "mode"),
        ("field_estimates", "athlete_id"),
        ("field_estimates", "taken_at"),
        ("field_estimates", "method"),
        ("field_estimates", "mode"),
        ("field_estimates", "vo2max_ml_kg_min"),
        ("athletes", "athlete_id"),
    ],
)
def test_a_missing_required_column(study, table, column):
    for row in good(study).rows[table]:
        del row[column]
    stop = assert_stops(study, file=f"{table}.csv")
    assert column in stop["what"] + stop["remedy"] + str(stop["column"])


@pytest.mark.parametrize(
    ("table", "column", "row"), [("athletes", "athlete_id", 3), ("lab_tests", "lab_test_id", 3)]
)
def test_duplicate_keys(study, table, column, row):
    rows = good(study).rows[table]
    rows[1][column] = rows[0][column]
    assert_stops(study, file=f"{table}.csv", row=row, column=column)


def test_duplicate_session_ids(study):
    good(study).session("A1", 30, session_id="S1").session("A2", 31, session_id="S1")
    assert_stops(study, file="sessions.csv", row=3, column="session_id")


@pytest.mark.parametrize(
    ("table", "column"),
    [("lab_tests", "vo2max_ml_kg_min"), ("field_estimates", "vo2max_ml_kg_min")],
)
def test_text_in_a_required_number_column(study, table, column):
    good(study).rows[table][1][column] = "fifty"
    stop = assert_stops(study, file=f"{table}.csv", row=3, column=column)
    assert "fifty" in stop["what"]


def test_text_in_a_required_date_column(study):
    good(study).rows["lab_tests"][1]["date"] = "last Tuesday"
    stop = assert_stops(study, file="lab_tests.csv", row=3, column="date")
    assert "last Tuesday" in stop["what"]


@pytest.mark.parametrize("name", ["Anna Berg", "Berg, Anna"])
def test_ids_that_look_like_names(study, name):
    good(study)
    for row in study.rows["athletes"] + study.rows["lab_tests"] + study.rows["field_estimates"]:
        row["athlete_id"] = row["athlete_id"].replace("A1", name)
    assert_stops(study, column="athlete_id")


def test_an_unknown_mode_stops_or_leaves_but_is_named(study):
    good(study).rows["lab_tests"][1]["mode"] = "hop"
    hits = study.check().find(file="lab_tests.csv", column="mode")
    assert any("hop" in p["what"] for p in hits)


def test_all_problems_at_once(study):
    good(study)
    study.rows["lab_tests"][0]["vo2max_ml_kg_min"] = "fifty"
    study.rows["lab_tests"][2]["lab_test_id"] = "T2"
    study.rows["field_estimates"][0]["vo2max_ml_kg_min"] = "many"
    study.toml = "[pairing]\ndays_befor = 3\n"
    places = study.check().places("stop")
    assert {
        ("lab_tests.csv", 2, "vo2max_ml_kg_min"),
        ("lab_tests.csv", 4, "lab_test_id"),
        ("field_estimates.csv", 2, "vo2max_ml_kg_min"),
    } <= places
    assert any(file == "study.toml" for file, _, _ in places)


def test_at_most_twenty_of_a_kind_are_shown_with_the_count_of_the_rest(study, run_quickly):
    good(study, people=27)
    for row in study.rows["lab_tests"]:
        row["vo2max_ml_kg_min"] = "fifty"
    ran = run_quickly("check", study.save())
    assert ran.code == 2
    text = ran.stdout + ran.stderr
    assert text.count("fifty") == 20
    assert re.search(r"\b7\b", text)


def test_nothing_is_written_when_something_stops(study, run_quickly):
    good(study).rows["lab_tests"][0]["vo2max_ml_kg_min"] = "fifty"
    ran = run_quickly("pair", study.save(), "--out", study.parent / "out")
    assert ran.code == 2
    assert not (study.parent / "out").exists()
    assert "lab_tests.csv" in ran.stderr
    assert "fifty" in ran.stderr
    assert "Traceback" not in ran.stderr


# --- set aside ------------------------------------------------------------------------------------


EMPTY = ("", " ", "NA", "N/A", "nan", "null", "-", ".")


def test_missing_values_in_required_cells_set_the_row_aside(study):
    rows = good(study, people=20).rows
    for i, empty in enumerate(EMPTY):
        rows["lab_tests"][i]["vo2max_ml_kg_min"] = empty
        rows["lab_tests"][i + 8]["date"] = empty
        rows["field_estimates"][i]["vo2max_ml_kg_min"] = empty
        rows["field_estimates"][i + 8]["taken_at"] = empty
    checked = study.check()
    assert checked.code == 0
    named = {(p["file"], p["row"]) for p in checked.find(reason="missing_value")}
    assert {
        (file, row) for file in ("lab_tests.csv", "field_estimates.csv") for row in range(2, 18)
    } <= named
    paired = study.pair()
    assert len(paired.pairs) == 4
    for file in ("lab_tests.csv", "field_estimates.csv"):
        missing = [row for row, reason in paired.reasons(file).items() if reason == "missing_value"]
        assert missing == list(range(2, 18))


@pytest.mark.slow
def test_missing_values_in_optional_cells_are_simply_unknown(study):
    rows = good(study, people=8).rows
    for row, empty in zip(rows["lab_tests"], EMPTY, strict=True):
        row["rer_max"] = row["hr_max_bpm"] = empty
    checked = study.check()
    assert checked.code == 0
    assert not checked.find(column="rer_max")
    assert not checked.find(column="hr_max_bpm")
    assert len(study.pair().pairs) == 8


@pytest.mark.slow
def test_the_edges_of_the_range_that_a_person_can_reach(study):
    good(study, people=10)
    for row, value in zip(study.rows["lab_tests"], ("7.9", "8", "100", "100.1"), strict=False):
        row["vo2max_ml_kg_min"] = value
    checked = study.check()
    assert checked.code == 0
    hits = {
        p["row"]: p["severity"]
        for p in checked.find(file="lab_tests.csv", column="vo2max_ml_kg_min")
        if p["row"] is not None
    }
    assert hits == {2: "set_aside", 3: "note", 4: "note", 5: "set_aside"}
    assert study.pair().reasons("lab_tests.csv") == {2: "out_of_range", 5: "out_of_range"}


def test_an_estimate_out_of_range(study):
    good(study).reading("A1", 36, 135)
    paired = study.pair()
    assert paired.reasons() == {8: "out_of_range"}
    line = paired.exclusions.iloc[0]
    assert line.id == "A1"
    assert "135" in line.message


@pytest.mark.slow
def test_odd_optional_cells_become_unknown_and_are_noted(study):
    good(study, people=4)
    odd = [("rer_max", "110"), ("hr_max_bpm", "24"), ("rer_max", "n.a."), ("lactate_mmol_l", "31")]
    for row, (column, value) in zip(study.rows["lab_tests"], odd, strict=True):
        row[column] = value
    checked = study.check()
    assert checked.code == 0
    for row, (column, value) in enumerate(odd, start=2):
        notes = checked.find(severity="note", file="lab_tests.csv", row=row, column=column)
        assert len(notes) == 1, (column, value)
        assert value in notes[0]["what"]
    assert len(study.pair().pairs) == 4


def test_respiratory_exchange_ratio_in_percent_confirms_nothing(study):
    study.athlete("A1", age_years=30)
    study.lab("A1", 40, rer_max=110, hr_max_bpm=188).two("A1", 40, 52)
    assert study.pair().one().max_confirmed == "unknown"


# --- note -----------------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_warn_range(study):
    good(study)
    for row, value in zip(study.rows["lab_tests"], ("80", "80.1", "14.9"), strict=True):
        row["vo2max_ml_kg_min"] = value
    notes = study.check().find(severity="note", file="lab_tests.csv", column="vo2max_ml_kg_min")
    assert {p["row"] for p in notes if p["row"]} == {3, 4}
    assert len(study.pair().pairs) == 3


@pytest.mark.slow
def test_whole_numbers_are_noted_as_rounding(study):
    good(study)
    for i, row in enumerate(study.rows["field_estimates"]):
        row["vo2max_ml_kg_min"] = 50 + i
    text = study.check().text("note").lower()
    assert "round" in text or "whole" in text


@pytest.mark.slow
def test_a_mass_mismatch_above_two_per_cent(study):
    good(study)
    masses = {"A1": 71.3, "A2": 71.5, "A3": 68.5}  # the laboratory has 70 kg
    for row in study.rows["field_estimates"]:
        row["set_mass_kg"] = masses[row["athlete_id"]]
    text = study.check().text("note")
    assert "71.3" not in text
    assert "71.5" in text
    assert "68.5" in text
    mismatch = study.pair().pairs.mass_mismatch_pct
    assert mismatch.tolist() == pytest.approx([130 / 70, 150 / 70, -150 / 70], abs=1e-9)


@pytest.mark.slow
def test_a_set_maximal_heart_rate_that_looks_wrong(study):
    good(study)
    for row in study.rows["field_estimates"]:
        row["set_hr_max_bpm"] = 160 if row["athlete_id"] == "A1" else 188
    notes = [p for p in study.check().find(severity="note") if "160" in p["what"]]
    assert notes
    assert study.pair().one(athlete_id="A1").hr_max_mismatch_bpm == 160 - 188
    assert study.pair().one(athlete_id="A2").hr_max_mismatch_bpm == 0


def test_zero_pairs_is_no_error(study):
    study.lab("A1", 40).reading("A1", 5, 52)
    assert study.check().code == 0
    paired = study.pair()
    assert paired.pairs.empty
    assert paired.reasons("lab_tests.csv") == {2: "no_estimate_in_window"}


@pytest.mark.slow
def test_problems_go_to_the_stream_of_their_kind(study, run):
    good(study).rows["lab_tests"][1]["rer_max"] = 110
    ran = run("check", study.save(), "--json")
    assert ran.code == 0
    assert ran.stdout.lstrip().startswith("[")
    assert ran.stdout.rstrip().endswith("]")
