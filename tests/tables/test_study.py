"""A whole folder: what comes out of a clean one, what stops, what is accounted for."""

import hashlib
import os

import numpy as np
import pandas as pd
import pytest

from agreement.errors import TableError
from agreement.tables.study import inspect_study, read_study

ATHLETES = (
    "athlete_id,sex,age_years,mass_kg,hr_limiting_drug,withdrawn\n"
    "A1,female,31,60,no,no\nA2,male,40,80,no,yes\nA3,male,25,70,unknown,\n"
)


def test_a_clean_folder_says_nothing(folder):
    found = folder.inspect()
    assert found.problems == ()
    assert len(found.tables.lab_tests) == len(found.tables.field_estimates) == 3


def test_dates_are_days_of_the_studys_zone_and_instants_are_utc(folder):
    folder.put(
        field_estimates_csv=folder.FIELD.replace(
            "2026-03-15T09:00:00+01:00", "2026-03-14T23:30:00Z"
        )
    )
    first = folder.inspect().tables.field_estimates.iloc[0]
    assert first["instant"] == pd.Timestamp("2026-03-14 23:30")
    assert first["date"] == pd.Timestamp("2026-03-15")  # half past midnight in Oslo


@pytest.mark.parametrize(
    ("table", "columns"),
    [
        (
            "athletes",
            "athlete_id sex birth_year age_years stature_cm mass_kg training_profile hr_limiting_drug",
        ),
        (
            "field_tests",
            "field_test_id athlete_id date instant protocol mode sensor completed distance_m",
        ),
        (
            "sessions",
            "session_id athlete_id instant date mode duration_min sensor intermittent temperature_c",
        ),
    ],
)
def test_a_table_that_is_not_there_has_its_columns(folder, table: str, columns: str):
    frame = getattr(folder.inspect().tables, table)
    assert len(frame) == 0
    assert list(frame.columns)[: len(columns.split())] == columns.split()
    assert list(frame.columns)[-2:] == ["file", "row"]


def test_text_is_text_and_numbers_are_floats_with_or_without_rows(folder):
    study = folder.inspect().tables
    for frame in (study.lab_tests, study.field_estimates, study.sessions, study.field_tests):
        kinds = {str(kind) for kind in frame.dtypes}
        assert kinds == {"str", "float64", "datetime64[us]", "int64"}


def test_every_file_is_named_with_its_hash_and_rows(folder):
    study = folder.inspect().tables
    by_name = {one.name: one for one in study.inputs}
    assert set(by_name) == {"study.toml", "lab_tests.csv", "field_estimates.csv"}
    assert by_name["lab_tests.csv"].sha256 == hashlib.sha256(folder.LAB.encode()).hexdigest()
    assert by_name["lab_tests.csv"].rows == 3
    assert study.rows_read == {"lab_tests": 3, "field_estimates": 3}
    assert study.names == {"lab_tests": "lab_tests.csv", "field_estimates": "field_estimates.csv"}


def test_all_stops_come_at_once_and_read_study_raises_them(folder):
    folder.put(
        study_toml="[margin]\nlimit_ml_kg_min = 'three'\n[pairng]\n",
        lab_tests_csv=folder.LAB.replace("T2", "T1").replace("52.4", "high"),
        field_estimates_csv=folder.FIELD.replace("+01:00", ""),
    )
    found = folder.inspect()
    assert found.study is None
    assert {p.reason for p in found.of("stop")} == {
        "wrong_value",
        "missing_key",
        "unknown_key",
        "duplicate_key",
        "not_a_number",
        "time_zone",
    }
    with pytest.raises(TableError) as error:
        read_study(folder.path)
    assert set(error.value.problems) == set(found.of("stop"))


def test_no_folder_and_no_files(tmp_path):
    study, problems = inspect_study(tmp_path / "nowhere")
    assert study is None
    assert "There is no such study folder." in str(problems[0])
    (tmp_path / "lab.csv").touch()
    _, (problem,) = inspect_study(tmp_path / "lab.csv")
    (tmp_path / "lab.csv").unlink()
    assert str(problem).endswith("This is no folder. Name the folder that holds study.toml.")
    study, problems = inspect_study(tmp_path)
    assert study is None
    assert [(p.file, p.reason) for p in problems] == [("study.toml", "missing_file")]
    (tmp_path / "study.toml").write_text("", encoding="utf-8")
    study, problems = inspect_study(tmp_path)
    assert [(p.file, p.reason) for p in problems] == [("lab_tests.csv", "missing_file")]


@pytest.mark.skipif(os.name != "posix", reason="elsewhere a name is always text")
def test_a_folder_whose_name_is_no_text_stops_before_it_is_read(tmp_path):
    """As of a folder unpacked from an archive of another system."""
    place = tmp_path / os.fsdecode(b"Pr\xfcfung")
    place.mkdir()
    (place / "study.toml").write_text("")
    _, problems = inspect_study(place)
    assert [(p.severity, p.file, p.reason) for p in problems] == [
        ("stop", "Pr?fung", "unreadable_file")
    ]


def test_a_study_without_a_field_table_is_of_the_laboratory_and_says_so(folder):
    del folder.files["field_estimates.csv"]
    note = folder.inspect().one("note", "laboratory_only")
    assert "the laboratory by itself" in note.what
    assert "field_estimates.csv, field_tests.csv, sessions.csv" in note.remedy


def test_tables_without_rows_are_noted(folder):
    head = folder.LAB.partition("\n")[0] + "\n", folder.FIELD.partition("\n")[0] + "\n"
    found = folder.put(lab_tests_csv=head[0], field_estimates_csv=head[1]).inspect()
    told = found.of("note")
    assert [p.reason for p in told] == ["empty_table"] * 2
    assert [p.file for p in told] == ["lab_tests.csv", "field_estimates.csv"]


@pytest.mark.parametrize(("day", "late"), [("2026-03-20", False), ("2026-03-21", True)])
def test_a_limit_agreed_after_the_first_test_is_noted(folder, day, late):
    margin = f"[margin]\nlimit_ml_kg_min = 5\nagreed_on = {day}\n"
    found = folder.put(study_toml=folder.ZONE + margin).inspect()
    assert [p.reason for p in found.problems] == ["against_not_stated", *["late_margin"] * late]


def test_two_files_for_one_table_stop(folder):
    folder.put(lab_tests_txt=folder.LAB)
    stop = folder.inspect().one("stop", "two_files")
    assert "lab_tests.csv and lab_tests.txt" in stop.what
    assert "[files.lab_tests]" in stop.remedy


def test_a_file_named_in_the_study_file_is_read(folder):
    folder.files["data/lab.csv"] = folder.files.pop("lab_tests.csv")
    folder.put(study_toml=folder.ZONE + '[files.lab_tests]\npath = "data\\\\lab.csv"\n')
    assert folder.inspect().tables.names["lab_tests"] == "data/lab.csv"
    folder.put(study_toml=folder.ZONE + '[files.lab_tests]\npath = "other.csv"\n')
    assert folder.inspect().one("stop", "missing_file").file == "other.csv"


@pytest.mark.parametrize("path", ["/etc/hosts", "../lab.csv", "C:\\lab.csv", "a/../../lab.csv", ""])
def test_paths_stay_in_the_folder(folder, path: str):
    folder.put(study_toml=f"{folder.ZONE}[files.lab_tests]\npath = '{path}'\n")
    stop = folder.inspect().one("stop", "path_outside")
    assert "files.lab_tests.path" in stop.what


def test_a_link_that_leads_outside_is_not_followed(folder, tmp_path):
    (tmp_path / "elsewhere.csv").write_text(folder.LAB)
    del folder.files["lab_tests.csv"]
    folder.path.mkdir()
    (folder.path / "lab_tests.csv").symlink_to(tmp_path / "elsewhere.csv")
    stop = folder.inspect().one("stop", "path_outside")
    assert "leads out of the study folder" in stop.what


def test_withdrawn_people_leave_every_table_and_every_message(folder):
    folder.put(
        athletes_csv=ATHLETES,
        lab_tests_csv=folder.LAB.replace(
            "T2,A2,2026-03-20,run,48.1", "T2, A2 ,2026-03-20,swim,480"
        ),
        sessions_csv="session_id,athlete_id,started_at,mode,duration_min\nS1,A2,2026-03-01,run,30\n",
    )
    folder.files["breaths/T2.csv"] = folder.files["samples/S1.csv"] = "t_s\n1\n"
    found = folder.inspect()
    study = found.tables
    assert study.withdrawn == {
        "athletes.csv": 1,
        "lab_tests.csv": 1,
        "field_estimates.csv": 1,
        "sessions.csv": 1,
        "breaths": 1,
        "samples": 1,
    }
    lines = study.set_aside
    assert set(lines["reason"]) == {"withdrawn"}
    assert lines["row"].isna().all()
    assert lines["id"].isna().all()
    assert lines["message"].iloc[0] == "1 row removed at the participant's own request."
    assert "A2" not in str(found.problems)
    assert "A2" not in pd.concat([study.athletes, study.lab_tests, study.field_estimates]).to_csv()
    assert not study.breaths
    assert not study.samples


def test_rows_read_are_rows_kept_and_rows_accounted_for(folder):
    folder.put(
        athletes_csv=ATHLETES,
        field_estimates_csv=folder.FIELD
        + "A9,2026-03-15T09:00:00Z,wrist,run,50\nA1,,wrist,run,50\n\n"
        "A1,2026-03-15T10:00:00Z,wrist,run,101\n",
    )
    found = folder.inspect()
    study = found.tables
    left = study.set_aside[study.set_aside["file"] == "field_estimates.csv"]
    withdrawn = study.withdrawn["field_estimates.csv"]
    lines = int((left["reason"] != "withdrawn").sum())
    assert study.rows_read["field_estimates"] == len(study.field_estimates) + lines + withdrawn == 6
    # row 5, of an athlete who is not in the table, stays: it may yet turn out to be a copy
    assert found.reasons() == {6: "missing_value", 8: "out_of_range"}
    ids = left.dropna(subset="row").set_index("row")["id"]
    assert ids.to_dict() == {6: "A1", 8: "A1"}


def test_the_first_cause_in_the_order_of_reasons_counts(folder):
    folder.put(
        athletes_csv=ATHLETES,
        lab_tests_csv="lab_test_id,athlete_id,date,mode,vo2max_ml_kg_min,vo2max_l_min\n"
        "T1,A9,,run,300,\n"  # unknown athlete, no date, out of range
        "T2,A9,2026-03-20,run,300,\n"
        "T3,A9,2026-03-20,run,,3.5\n"  # no mass
        "T4,A9,2026-03-20,run,50,\n"
        "T5,A1,2026-03-20,run,50,\nT6,A3,2026-03-20,run,51,\n",
    )
    assert folder.inspect().reasons() == {
        2: "missing_value",
        3: "out_of_range",
        4: "no_mass",
        5: "unknown_athlete",
    }


def test_a_missing_required_column_names_what_to_do(folder):
    folder.put(lab_tests_csv=folder.LAB.replace("athlete_id", "person"))
    stop = folder.inspect().one("stop", "missing_column")
    assert (stop.file, stop.column) == ("lab_tests.csv", "athlete_id")
    assert 'columns = { athlete_id = "its header" }' in stop.remedy
    folder.put(lab_tests_csv=folder.LAB.replace("vo2max_ml_kg_min", "vo2"))
    assert "needs one of vo2max_ml_kg_min" in folder.inspect().one("stop", "missing_column").what


def test_problems_of_one_kind_are_shown_twenty_times_and_counted(folder):
    rows = "".join(f"A1,2026-01-{i % 28 + 1:02d}T09:00:00Z,wrist,run,\n" for i in range(50))
    found = folder.put(field_estimates_csv=folder.FIELD + rows).inspect()
    aside = found.of("set_aside", "missing_value")
    assert len(aside) == 21
    assert aside[-1].what == "30 more rows have the same problem."
    assert len(found.tables.set_aside) == 50


def test_breath_files_are_matched_by_name_and_orphans_accounted_for(folder):
    folder.put(
        lab_tests_csv=folder.LAB.replace(
            "T1,A1,2026-03-20,run,52.4", "T1,A1,2026-03-20,run,"
        ).replace("T3,A3,2026-03-21,run,61.0", "T3,A3,,run,61.0")
    )
    for name in ("T1.csv", "T3.csv", "T9.csv", "notes.md"):
        folder.files[f"breaths/{name}"] = "t_s,vo2_ml_min\n1,300\n"
    found = folder.inspect()
    study = found.tables
    assert list(study.breaths) == ["T1"]
    assert np.isnan(study.lab_tests.set_index("lab_test_id").loc["T1", "vo2max"])
    assert study.rows_read["breaths"] == 3
    lines = study.set_aside[study.set_aside["file"] == "breaths"].set_index("id")
    assert dict(lines["reason"]) == {"T3": "row_left_out", "T9": "unknown_test"}
    assert "'T9'" in lines.loc["T9", "message"]
    folder.files["breaths/T1.parquet"] = b"x"
    assert "T1.csv and T1.parquet" in folder.inspect().one("stop", "two_files").what


def test_an_athletes_table_without_rows_makes_nobody_unknown(folder):
    found = folder.put(athletes_csv="athlete_id,sex\n").inspect()
    assert len(found.tables.field_estimates) == 3
    assert found.problems == ()


@pytest.mark.parametrize(("rows", "said"), [(21, "1 more row has"), (22, "2 more rows have")])
def test_the_rows_that_are_not_shown_are_counted_in_words(folder, rows, said):
    folder.put(field_estimates_csv=folder.FIELD + "A1,2026-03-01T09:00Z,wrist,run,\n" * rows)
    told = [p.what for p in folder.inspect().of("set_aside", "missing_value")]
    assert told[-1] == f"{said} the same problem."


def test_a_single_test_without_averaging_rule_is_one_test(folder):
    folder.put(lab_tests_csv=folder.LAB.replace("61.0,moving 30 s", "61.0,"))
    note = folder.inspect().one("note", "averaging_rule_unknown")
    assert note.what == "The averaging rule of 1 test is unknown."


def test_a_missing_column_lists_the_headers_that_are_not_read_and_spares_the_rows(folder):
    text = folder.LAB.replace("date", "Datum").replace("vo2max_ml_kg_min", "VO2")
    found = folder.put(lab_tests_csv=text).inspect()
    stops = {p.column: p for p in found.of("stop")}
    assert stops.keys() == {"date", None}
    assert stops["date"].remedy.endswith("Headers that are not read: 'Datum', 'VO2'.")
    assert not found.of("set_aside")


def test_conversions_that_are_not_shown_are_counted(folder):
    rows = "".join(f"T{i},A{i},2026-03-20,run,3.5,70,moving 30 s\n" for i in range(22))
    head = "lab_test_id,athlete_id,date,mode,vo2max_l_min,mass_kg,averaging_rule\n"
    note = folder.put(lab_tests_csv=head + rows).inspect().one("note", "converted")
    assert note.what.endswith("row 21, 3.5 L/min at 70 kg is 50.0 mL/kg/min; and 2 more rows.")


def test_two_unknown_codes_are_two(folder):
    folder.put(lab_tests_csv=folder.LAB.replace("T1,A1,2026-03-20,run", "T1,A1,2026-03-20,loop"))
    assert folder.inspect().one("stop", "code").what == "Unknown code 'loop'."
    folder.put(lab_tests_csv=folder.files["lab_tests.csv"].replace("run", "hop"))
    assert folder.inspect().one("stop", "code").what == "Unknown codes 'loop' and 'hop' in 3 rows."


@pytest.mark.parametrize("ending", ["csv.gz", "xls", "zip"])
def test_a_table_that_cannot_be_read_is_no_missing_table(folder, ending):
    folder.files[f"field_estimates.{ending}"] = folder.files.pop("field_estimates.csv")
    (stop,) = folder.inspect().of("stop")
    assert (stop.reason, stop.file) == ("unreadable_file", f"field_estimates.{ending}")
    assert "files ending in .csv, .tsv, .txt, .xlsx, .parquet" in stop.what
    assert stop.remedy.startswith("Unpack it")


def test_a_packed_copy_beside_a_table_is_noted(folder):
    folder.files["LAB_TESTS.csv.gz"] = b"\x1f\x8b"
    note = folder.inspect().one("note", "unread_file")
    assert note.file == "LAB_TESTS.csv.gz"
    assert "Another file is read as lab_tests." in note.what


def test_an_optional_table_that_cannot_be_read_stops_too(folder):
    stop = folder.put(athletes_ods=b"PK").inspect().one("stop", "unreadable_file")
    assert stop.file == "athletes.ods"


def test_packed_parts_stop_and_unread_raw_files_are_noted(folder):
    rows = folder.files.pop("field_estimates.csv")
    folder.files["field_estimates/1.csv"] = rows
    folder.files["field_estimates/2.csv.gz"] = b"\x1f\x8b"
    folder.files["breaths/T1.xlsx"] = b"PK"
    found = folder.inspect()
    assert found.one("stop", "unreadable_file").file == "field_estimates/2.csv.gz"
    left = found.one("set_aside", "unread_recording")
    assert left.file == "breaths/T1.xlsx"
    assert "in a form that is not read; .csv, .tsv" in left.what
