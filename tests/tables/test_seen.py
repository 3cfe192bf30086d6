"""`check` sees everything that lies in the folder, and says how a study file is put right."""

import tomllib

import pytest

from agreement.cohort import read_cohort
from agreement.tables.study import inspect_study
from agreement.tables.study_lines import toml_fault

LAB = "lab_test_id,athlete_id,date,mode,vo2max_ml_kg_min\nT1,A1,2026-03-20,run,52.4\n"
SESSIONS = "session_id,athlete_id,started_at,mode,duration_min\nS1,A1,2026-03-15T09:00:00Z,run,40\n"


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "study.toml").write_text("")
    (tmp_path / "lab_tests.csv").write_text(LAB)
    (tmp_path / "sessions.csv").write_text(SESSIONS)
    return tmp_path


def said(folder, reason):
    return [p for p in inspect_study(folder)[1] if p.reason == reason]


def test_files_and_folders_that_no_table_uses_are_named_with_the_line_that_would_use_them(folder):
    for name in ("cart export.csv", "watch.parquet", "ride.rec", ".hidden", "README.txt"):
        (folder / name).write_text("x")
    (folder / "season").mkdir()
    (folder / "originals").mkdir()
    found = {p.file: p.remedy for p in said(folder, "unused_file")}
    assert set(found) == {"cart export.csv", "watch.parquet", "ride.rec", "season"}
    assert 'set path = "cart export.csv" in [files.' in found["cart export.csv"]
    assert "as CSV" in found["ride.rec"]
    assert 'path = "season" in [files.samples]' in found["season"]


@pytest.mark.parametrize(
    "key", ['[files.lab_tests]\npath = "."', '[files.samples]\npath = "."', '[study]\nid_map = "."']
)
def test_the_study_folder_itself_as_the_place_of_a_table_ends_in_no_error(folder, key):
    """Not one file in it has the name or the columns that it would need, and that is said."""
    (folder / "study.toml").write_text(f"{key}\n")
    stops = [p.reason for p in inspect_study(folder)[1] if p.severity == "stop"]
    assert stops
    assert set(stops) <= {"undated_export", "missing_column", "missing_file"}


def test_a_file_of_somebody_who_withdrew_is_not_named(folder):
    (folder / "athletes.csv").write_text("athlete_id,withdrawn\nA1,no\nA2,yes\n")
    (folder / "A2 watch.csv").write_text("x")
    (folder / "A1 watch.csv").write_text("x")
    assert [p.file for p in said(folder, "unused_file")] == ["A1 watch.csv"]


def test_recordings_in_another_form_are_lines_of_the_ledger(folder):
    (folder / "samples").mkdir()
    (folder / "samples" / "S1.rec").write_bytes(b"\x00\x01")
    (folder / "samples" / "S9.rec").write_bytes(b"\x00\x01")
    (folder / "samples" / "notes.pdf").write_bytes(b"%PDF")
    study, _ = inspect_study(folder)
    lines = study.set_aside[study.set_aside["reason"] == "unread_recording"]
    assert lines["id"].tolist() == ["S1", "S9.rec"]
    assert study.rows_read["samples"] == 2
    assert "columns t_s, hr_bpm" in said(folder, "unread_recording")[0].remedy


def test_recordings_beside_the_file_that_is_read_have_lines_of_their_own(folder):
    (folder / "samples").mkdir()
    (folder / "samples" / "S1.csv").write_text(
        "t_s,hr_bpm,speed_m_s\n" + "".join(f"{t},{140 + t % 7},3.1\n" for t in range(900))
    )
    for ending in ("rec", "raw"):
        (folder / "samples" / f"S1.{ending}").write_bytes(b"\x00\x01")
    cohort = read_cohort(folder)
    lines = cohort.exclusions[cohort.exclusions["reason"] == "unread_recording"]
    assert lines["id"].tolist() == ["S1.raw", "S1.rec"]
    (samples,) = cohort.flow[cohort.flow["file"] == "samples"].to_dict("records")
    assert samples["rows_read"] == 3  # which add up, or pairing had stopped


def test_a_unit_in_the_header_against_the_one_assumed_stops(folder):
    text = LAB.replace("\n", ",Weight (lb)\n", 1).replace("52.4", "52.4,160")
    (folder / "lab_tests.csv").write_text(text)
    stated = '[files.lab_tests]\ncolumns = { mass_kg = "Weight (lb)" }\n'
    (folder / "study.toml").write_text(stated)
    (problem,) = said(folder, "unit")
    assert (problem.severity, problem.column) == ("stop", "Weight (lb)")
    assert 'units = { mass_kg = "lb" }' in problem.remedy
    (folder / "study.toml").write_text(stated + 'units = { mass_kg = "lb" }\n')
    study, _ = inspect_study(folder)
    assert study.lab_tests["mass_kg"].round(2).tolist() == [72.57]


def test_what_a_column_of_unknown_codes_brings_is_told_once(folder):
    text = LAB.replace(",run,", ",Laufen,") + "T2,A2,2026-03-21,Laufen,50\n"
    (folder / "lab_tests.csv").write_text(text, encoding="utf-8")
    _, problems = inspect_study(folder)
    (stop,) = [p for p in problems if p.severity == "stop"]
    assert stop.what == "Unknown code 'Laufen' in 2 rows."
    assert not [p for p in problems if p.severity == "set_aside"]


def test_rows_of_a_table_that_lacks_its_ids_are_not_told_one_by_one(folder):
    text = (folder / "lab_tests.csv").read_text(encoding="utf-8")
    (folder / "lab_tests.csv").write_text(text.replace("lab_test_id", "number"), encoding="utf-8")
    (folder / "breaths").mkdir()
    (folder / "breaths" / "T1.csv").write_text("t_s,vo2_ml_min\n0,3000\n", encoding="utf-8")
    _, problems = inspect_study(folder)
    assert any(p.severity == "stop" for p in problems)
    assert not [p for p in problems if p.severity == "set_aside"]


def test_titles_of_two_cells_above_unknown_names_are_not_taken_for_the_names(folder):
    (folder / "lab_tests.csv").write_text("Report,2026,,\nCode,Datum,Wert,Art\nA1,x,50,run\n")
    _, problems = inspect_study(folder)
    assert any("'Code', 'Datum', 'Wert', 'Art'" in p.remedy for p in problems)
    assert any("set header_rows" in p.remedy for p in problems)


def test_titles_above_unknown_names_are_not_taken_for_the_names(folder):
    (folder / "lab_tests.csv").write_text("Report 2026\n\nA,B,C,D\n1,2,3,4\n")
    problems = inspect_study(folder)[1]
    assert any("names found in row 3" in p.what and "header_rows" in p.remedy for p in problems)
    assert any("'A', 'B', 'C', 'D'" in p.remedy for p in problems)


@pytest.mark.parametrize(
    ("wrong", "right"),
    [
        ("time_zone = Europe/Oslo", 'time_zone = "Europe/Oslo"'),
        ('title = "Spring', 'title = "Spring"'),
        ("same_day = yes", "same_day = true"),
        ("same_day = True", "same_day = true"),
        ("limit_ml_kg_min = 3,5", "limit_ml_kg_min = 3.5"),
        ("title = “Spring”", 'title = "Spring"'),
        ("title: x", 'title = "x"'),
        ("[pairing", "[pairing]"),
        (r'path = "C:\new\x.csv"', r"path = 'C:\new\x.csv'"),
    ],
)
def test_a_line_that_is_no_toml_is_shown_and_put_right(folder, wrong, right):
    (folder / "study.toml").write_text(
        f"# a study\n{wrong}\n[report]\nseed = 1\n", encoding="utf-8"
    )
    (problem,) = [p for p in inspect_study(folder)[1] if p.file == "study.toml"]
    assert problem.what == f"Line 2 does not follow the TOML form: {wrong}."
    assert problem.remedy == f"Write it as: {right}"
    tomllib.loads(right)


def test_the_unread_column_most_like_vo2max_is_named(folder):
    path = folder / "lab_tests.csv"
    for header, ours in (
        ("VO2 peak rel", "vo2max_ml_kg_min"),
        ("VO2max (L/min)", "vo2max_l_min"),
    ):
        text = path.read_text().splitlines()
        names = text[0].split(",")
        at = next(i for i, name in enumerate(names) if name.casefold().startswith("vo2"))
        names[at] = header
        path.write_text("\n".join([",".join(names), *text[1:]]) + "\n")
        remedies = [p.remedy for p in inspect_study(folder)[1] if p.reason == "missing_column"]
        assert any(f'columns = {{ {ours} = "{header}" }}' in one for one in remedies), remedies


def test_nothing_else_is_said_while_the_study_file_cannot_be_read(folder):
    (folder / "sessions.csv").write_text(SESSIONS.replace("Z", ""))
    (folder / "study.toml").write_text('[study]\ntime_zone = "UTC"\n[margin]\nlimit = seven\n')
    (problem,) = inspect_study(folder)[1]  # not that the times have no zone
    assert problem.file == "study.toml"
    (folder / "study.toml").write_text("[margin]\nlimit_ml_kg_min = 7\n")
    assert any("time_zone" in one.remedy for one in inspect_study(folder)[1])


def test_a_line_that_nobody_can_put_right_is_shown_with_the_reason():
    for text, words in (
        ("a = 1\nagreed_on = 10.01.2026\n", "Line 2"),
        ("[study]\n[study]\n", "Line 2 names again"),
        ("seed = 1\nseed = 2\n", "Line 2 names again"),
        ("x\n", "Line 1"),
    ):
        with pytest.raises(tomllib.TOMLDecodeError) as caught:
            tomllib.loads(text)
        assert words in toml_fault(text, caught.value)[0]
