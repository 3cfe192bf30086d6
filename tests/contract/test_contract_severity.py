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


def test_no_field_values_at_all(study):
    good(study)
    del study.rows["field_estimates"]
    checked = study.check()
    assert checked.code == 2
    assert "field_estimates" in str(checked.find(severity="stop"))


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


@pytest.mark.parametrize("empty", ["", " ", "NA", "N/A", "nan", "null", "-", "."])
def test_missing_values_in_required_cells_set_the_row_aside(study, empty):
    good(study)
    study.rows["lab_tests"][0]["vo2max_ml_kg_min"] = empty
    study.rows["lab_tests"][1]["date"] = empty
    study.rows["field_estimates"][4]["vo2max_ml_kg_min"] = empty
    study.rows["field_estimates"][5]["taken_at"] = empty
    checked = study.check()
    assert checked.code == 0
    assert {("lab_tests.csv", 2), ("lab_tests.csv", 3)} <= {
        (p["file"], p["row"]) for p in checked.find(severity="set_aside", reason="missing_value")
    }
    paired = study.pair()
    assert paired.reasons("lab_tests.csv") == {
        2: "missing_value",
        3: "missing_value",
        4: "no_estimate_in_window",
    }
    reasons = paired.reasons()
    assert (reasons[6], reasons[7]) == ("missing_value", "missing_value")


@pytest.mark.parametrize("empty", ["", " ", "NA", "N/A", "nan", "null", "-", "."])
def test_missing_values_in_optional_cells_are_simply_unknown(study, empty):
    good(study)
    for row in study.rows["lab_tests"]:
        row["rer_max"] = row["hr_max_bpm"] = empty
    checked = study.check()
    assert checked.code == 0
    assert not checked.find(column="rer_max")
    assert len(study.pair().pairs) == 3


@pytest.mark.parametrize(
    ("value", "leaves"), [("7.9", True), ("8", False), ("100", False), ("100.1", True)]
)
def test_the_edges_of_the_range_that_a_person_can_reach(study, value, leaves):
    good(study, people=4)
    study.rows["lab_tests"][1]["vo2max_ml_kg_min"] = value
    checked = study.check()
    assert checked.code == 0
    hits = checked.find(file="lab_tests.csv", row=3, column="vo2max_ml_kg_min")
    assert [p["severity"] for p in hits] == ["set_aside" if leaves else "note"]
    assert study.pair().reasons("lab_tests.csv") == ({3: "out_of_range"} if leaves else {})


def test_an_estimate_out_of_range(study):
    good(study).reading("A1", 36, 135)
    paired = study.pair()
    assert paired.reasons() == {8: "out_of_range"}
    line = paired.exclusions.iloc[0]
    assert line.id == "A1"
    assert "135" in line.message


@pytest.mark.parametrize(
    ("column", "value"),
    [("rer_max", "110"), ("hr_max_bpm", "24"), ("rer_max", "n.a."), ("lactate_mmol_l", "31")],
)
def test_an_odd_optional_cell_becomes_unknown_and_is_noted(study, column, value):
    good(study).rows["lab_tests"][1][column] = value
    checked = study.check()
    assert checked.code == 0
    notes = checked.find(severity="note", file="lab_tests.csv", row=3, column=column)
    assert len(notes) == 1
    assert value in notes[0]["what"]
    assert len(study.pair().pairs) == 3


def test_respiratory_exchange_ratio_in_percent_confirms_nothing(study):
    study.athlete("A1", age_years=30)
    study.lab("A1", 40, rer_max=110, hr_max_bpm=188).two("A1", 40, 52)
    assert study.pair().one().max_confirmed == "unknown"


# --- note -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("value", "noted"), [("80", False), ("80.1", True), ("14.9", True)])
def test_the_warn_range(study, value, noted):
    good(study).rows["lab_tests"][1]["vo2max_ml_kg_min"] = value
    notes = study.check().find(severity="note", file="lab_tests.csv", row=3)
    assert bool(notes) == noted
    assert len(study.pair().pairs) == 3


def test_whole_numbers_are_noted_as_rounding(study):
    good(study)
    for i, row in enumerate(study.rows["field_estimates"]):
        row["vo2max_ml_kg_min"] = 50 + i
    text = study.check().text("note").lower()
    assert "round" in text or "whole" in text


@pytest.mark.parametrize(("set_mass", "noted"), [(71.3, False), (71.5, True), (68.5, True)])
def test_a_mass_mismatch_above_two_per_cent(study, set_mass, noted):
    good(study)
    for row in study.rows["field_estimates"]:
        row["set_mass_kg"] = set_mass if row["athlete_id"] == "A1" else 70
    notes = [p for p in study.check().find(severity="note") if "mass" in p["what"].lower()]
    assert bool(notes) == noted
    mismatch = study.pair().one(athlete_id="A1").mass_mismatch_pct
    assert mismatch == pytest.approx(100 * (set_mass - 70) / 70, abs=1e-9)


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


def test_problems_go_to_the_stream_of_their_kind(study, run):
    good(study).rows["lab_tests"][1]["rer_max"] = 110
    ran = run("check", study.save(), "--json")
    assert ran.code == 0
    assert ran.stdout.lstrip().startswith("[")
    assert ran.stdout.rstrip().endswith("]")
