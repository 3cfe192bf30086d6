"""Breath files as laboratories keep them: a folder per person, one long file, any header."""

import gzip
from types import SimpleNamespace

import pandas as pd
import pytest

from agreement.errors import TableError
from agreement.physiology.breath_notes import on_the_recordings_clock
from agreement.physiology.laboratory import laboratory_values
from agreement.report.privacy.privacy import without_files_of_people
from agreement.tables.options import FileFormat
from agreement.tables.part_folders import read_breaths
from agreement.tables.readers import InputFile

LAB = (
    "lab_test_id,athlete_id,date,mode,mass_kg\n"
    "A1_pre,A1,2026-03-20,run,70\nA2_pre,A2,2026-03-20,run,70\n"
)
ONE = "t_s,vo2_ml_min\n1,3000\n2,3100\n"
LONG = "test,time,VO2\nA1_pre,1,3000\nA1_pre,2,3100\nA2_pre,1,2900\nA2_pre,2,2950\n"
NAMED = '[files.breaths]\ncolumns = { lab_test_id = "test", t_s = "time", vo2_ml_min = "VO2" }\n'


def files_of(found):
    return {i: path.name for i, path in found.tables.breaths.items()}


@pytest.fixture
def raw(folder):
    """Return a study of two tests whose values only breath files can give."""
    return folder.put(lab_tests_csv=LAB)


@pytest.mark.parametrize(
    "names", [("A1/pre", "A2/pre"), ("A1/A1_pre", "A2/A2_pre"), ("A1_pre", "x/A2_pre")]
)
def test_a_folder_per_person(raw, names):
    raw.files |= {
        f"breaths/{name}.csv": ONE.replace("3100", f"310{i}") for i, name in enumerate(names)
    }
    found = raw.inspect()
    assert list(found.tables.breaths) == ["A1_pre", "A2_pre"]
    assert [one.name for one in found.tables.inputs if "breaths" in one.name] == [
        f"breaths/{name}.csv" for name in names
    ]
    assert found.tables.rows_read["breaths"] == 2


def test_a_file_in_the_folder_of_another_person_stops(raw):
    raw.files |= {"breaths/A1/A2_pre.csv": ONE, "breaths/A1/pre.csv": ONE.replace("31", "32")}
    stop = raw.inspect().one("stop", "two_files")
    assert stop.file == "breaths/A1/A2_pre.csv"
    assert "folder of 'A1'" in stop.what
    assert "is of 'A2'" in stop.what


def test_a_file_in_a_folder_that_belongs_to_no_test_is_accounted_for(raw):
    raw.files |= {"breaths/A1/pre.csv": ONE, "breaths/A2/pre.csv": ONE, "breaths/A2/post.csv": ONE}
    found = raw.inspect()
    lines = found.tables.set_aside
    assert lines[["file", "id", "reason"]].to_numpy().tolist() == [
        ["breaths", "A2/post", "unknown_test"]
    ]
    assert found.one("set_aside", "unknown_test").file == "breaths/A2/post.csv"


def test_nobody_hears_of_the_folder_of_a_person_who_withdrew(raw):
    raw.put(athletes_csv="athlete_id,withdrawn\nA1,no\nA2,yes\n")
    raw.files |= {"breaths/A1/pre.csv": ONE, "breaths/A2/pre.csv": ONE, "breaths/A2/old.csv": ONE}
    found = raw.inspect()
    assert list(found.tables.breaths) == ["A1_pre"]
    assert found.tables.withdrawn["breaths"] == 2
    assert "A2" not in " ".join(str(problem) for problem in found.problems)
    assert not [one for one in found.tables.inputs if "A2" in one.name]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "latin-1"])
@pytest.mark.parametrize(
    "name", ["breaths.csv", "breaths.csv.gz", "breaths/all.csv", "raw/lab.csv"]
)
def test_one_long_file_with_a_test_id(raw, name, encoding):
    stated = f'path = "{name}"\n' if name.startswith("raw") else ""
    raw.put(study_toml=raw.ZONE + NAMED.replace('test"', 'prüfung"') + stated)
    long = LONG.replace("test", "prüfung").encode(encoding)
    raw.files[name] = gzip.compress(long) if name.endswith("gz") else long
    found = raw.inspect()
    assert set(files_of(found)) == {"A1_pre", "A2_pre"}
    assert [one.name for one in found.tables.inputs if one.rows is None][1:] == [name]
    assert "unused_file" not in {problem.reason for problem in found.problems}


def test_one_file_without_a_test_id_stops_with_the_key(raw):
    raw.put(breaths_csv=ONE)
    stop = raw.inspect().one("stop", "missing_column")
    assert (stop.file, stop.column) == ("breaths.csv", "lab_test_id")
    assert 'columns = { lab_test_id = "its header" } in [files.breaths]' in stop.remedy


def test_one_value_for_every_row_of_a_breath_file(raw):
    toml = (
        '[files.breaths]\nvalues = { lab_test_id = "A1_pre", phase = "exercise", speed_m_s = 3 }\n'
    )
    raw.put(study_toml=raw.ZONE + toml, breaths_csv=ONE)
    assert set(files_of(raw.inspect())) == {"A1_pre"}
    form = FileFormat(values={"phase": "exercise", "speed_m_s": "3"})
    (raw.path / "A1.csv").write_text(ONE)
    breaths, _ = read_breaths(raw.path / "A1.csv", form=form)
    assert breaths[["phase", "speed_m_s"]].to_numpy().tolist() == [["exercise", 3.0]] * 2
    for values, said in (
        ({"phase": "sprint"}, "'sprint'"),
        ({"t_s": "1"}, "has a column for 't_s'"),
    ):
        with pytest.raises(TableError, match=said):
            read_breaths(raw.path / "A1.csv", form=FileFormat(values=values))


def test_an_id_made_of_two_columns_and_days_given_to_visits(folder):
    lab = "rider,visit,VO2\n1,pre,52\n1,post,55\n"
    toml = (
        '[files.lab_tests]\nvalues = { mode = "cycle" }\n'
        'columns = { lab_test_id = "rider + visit", athlete_id = "rider", date = "visit", '
        'vo2max_ml_kg_min = "VO2" }\ncodes.date = { pre = "2026-01-05", post = "2026-03-02" }\n'
    )
    tests = folder.put(study_toml=folder.ZONE + toml, lab_tests_csv=lab).inspect().tables.lab_tests
    assert tests["lab_test_id"].tolist() == ["1-pre", "1-post"]
    assert tests["athlete_id"].tolist() == ["1", "1"]
    assert tests["date"].astype(str).tolist() == ["2026-01-05", "2026-03-02"]
    folder.put(lab_tests_csv=lab.replace("visit", "Besuch"))
    missing = folder.inspect().of("stop", "missing_column")
    assert "There is no column 'visit'" in missing[0].what


def test_a_visit_without_a_day_stops_by_name(folder):
    toml = folder.ZONE + '[files.lab_tests]\ncodes.date = { pre = "2026-01-05" }\n'
    lab = folder.LAB.replace("2026-03-20", "pre").replace("2026-03-21", "post")
    stop = folder.put(study_toml=toml, lab_tests_csv=lab).inspect().one("stop", "not_a_date")
    assert "'post'" in stop.what


def test_one_file_may_be_two_tables_where_each_says_which_columns_are_its_own(folder):
    wide = "id,VO2,Uhr\nA1,52,50\nA2,48,49\n"
    both = (
        '[files.lab_tests]\npath = "wide.csv"\nvalues = { mode = "run", date = "2026-03-20" }\n'
        'columns = { lab_test_id = "id", athlete_id = "id", vo2max_ml_kg_min = "VO2" }\n'
        '[files.field_estimates]\npath = "wide.csv"\n'
        'values = { mode = "run", taken_at = "2026-03-18T08:00", method = "wrist" }\n'
    )
    own = 'columns = { athlete_id = "id", vo2max_ml_kg_min = "Uhr" }\n'
    del folder.files["lab_tests.csv"], folder.files["field_estimates.csv"]
    folder.put(study_toml=folder.ZONE + both + own, wide_csv=wide)
    found = folder.inspect()
    assert found.tables.lab_tests["vo2max"].tolist() == [52, 48]
    assert found.tables.field_estimates["vo2max"].tolist() == [50, 49]
    assert found.tables.names == {
        "lab_tests": "wide.csv (lab_tests)",
        "field_estimates": "wide.csv (field_estimates)",
    }
    assert [one.name for one in found.tables.inputs] == ["study.toml", "wide.csv"]
    folder.put(study_toml=folder.ZONE + both)
    stop = folder.inspect().one("stop", "one_for_two")
    assert "say for each table by columns" in stop.remedy


@pytest.mark.parametrize(
    ("cells", "said", "column"),
    [
        ("400,300", "Exercise ends at 300 s and starts at 400 s", "exercise_end_s"),
        ("soon,300", "'soon' is not a number", "exercise_start_s"),
        ("-5,300", "-5 is outside 0 to 14400", "exercise_start_s"),
        ("60,99999", "99999 is outside 0 to 14400", "exercise_end_s"),
    ],
)
def test_a_start_or_end_of_exercise_that_cannot_be_is_unknown_with_one_note(
    folder, cells, said, column
):
    head, *rows = folder.LAB.splitlines()
    lab = f"{head},exercise_start_s,exercise_end_s\n{rows[0]},{cells}\n{rows[1]},,\n"
    found = folder.put(lab_tests_csv=lab).inspect()
    notes = [p for p in found.problems if p.column == column]
    assert [p.row for p in notes] == [2]
    assert said in notes[0].what
    stated = found.tables.lab_tests[["exercise_start_s", "exercise_end_s"]]
    assert stated[column].isna().all()


def test_start_and_end_of_exercise_in_minutes(folder):
    head, *rows = folder.LAB.splitlines()
    lab = f"{head},exercise_start_s,exercise_end_s\n{rows[0]},2:30,12:00\n"
    toml = '[files.lab_tests]\nunits = { exercise_start_s = "mm:ss", exercise_end_s = "mm:ss" }\n'
    tests = folder.put(study_toml=folder.ZONE + toml, lab_tests_csv=lab).inspect().tables.lab_tests
    assert tests[["exercise_start_s", "exercise_end_s"]].to_numpy().tolist() == [[150, 720]]


def test_an_audit_keeps_back_the_checksums_of_files_in_folders_of_people():
    files = [InputFile("lab.csv", "a", 2), InputFile("breaths/A1/pre.csv", "b", None)]
    files += [InputFile("breaths/A2.csv", "c", None), InputFile("breaths.csv", "d", None)]
    files += [InputFile("wrist/of_ann.csv", "e", 9)]
    names = {"breaths": "breaths", "samples": None}
    study = SimpleNamespace(inputs=files, names=names, many={"wrist": ("wrist/of_ann.csv",)})
    keyed, other = (without_files_of_people(study, key) for key in (b"key", b"another"))
    assert [(one.name, one.rows) for one in keyed] == [
        ("lab.csv", 2),
        ("breaths.csv", None),
        ("breaths/", 2),
        ("wrist/", 1),
    ]
    sums = [(one.sha256, two.sha256) for one, two in zip(keyed, other, strict=True)]
    assert all(one.startswith("keyed:") and one != two for one, two in sums)
    files[2] = InputFile("breaths/A2.csv", "C", None)
    again = without_files_of_people(study, b"key")
    assert [one.name for one, old in zip(again, keyed, strict=True) if one != old] == ["breaths/"]


@pytest.mark.parametrize(
    ("first", "start", "end", "window"),
    [
        ("12:41:00", "12:43:00", "12:49:59", (120, 539)),
        ("23:58:00", "00:00:00", "00:05:00", (120, 420)),
        ("12:41:00", "12:43:00", "", (120, float("nan"))),
    ],
)
def test_start_and_end_of_exercise_as_times_of_day(folder, first, start, end, window):
    moments = pd.date_range(f"2026-03-20 {first}", periods=600, freq="s")
    breaths = "t_s,vo2_ml_min\n" + "".join(f"{m:%H:%M:%S},3500\n" for m in moments)
    head, row = folder.LAB.splitlines()[:2]
    lab = f"{head},mass_kg,exercise_start_s,exercise_end_s\n{row},70,{start},{end}\n"
    folder.put(lab_tests_csv=lab, study_toml=folder.ZONE)
    folder.files["breaths/T1.csv"] = breaths
    found = folder.inspect()
    assert not [p for p in found.problems if p.column in {"exercise_start_s", "exercise_end_s"}]
    ((test,),) = [found.tables.lab_tests.to_dict("records")]
    read, _ = read_breaths(found.tables.breaths["T1"])
    told, notes = on_the_recordings_clock(read, test, "breaths/T1.csv")
    assert not notes
    assert (told["exercise_start_s"], told["exercise_end_s"]) == pytest.approx(window, nan_ok=True)


def test_a_time_of_day_beside_a_recording_of_seconds_is_one_note(folder):
    head, row = folder.LAB.splitlines()[:2]
    lab = f"{head},mass_kg,exercise_start_s\n{row},70,12:43:00\n"
    folder.put(lab_tests_csv=lab, study_toml=folder.ZONE)
    folder.files["breaths/T1.csv"] = "t_s,vo2_ml_min\n" + "".join(
        f"{t},{3500 + t}\n" for t in range(600)
    )
    problems = laboratory_values(folder.inspect().tables).problems
    (note,) = [p for p in problems if p.column == "exercise_start_s"]
    assert "It is a time of day, and the recording of breaths/T1.csv counts seconds" in note.what


@pytest.mark.parametrize("mass", ["80", ""])
def test_breaths_per_kilogram_alone_need_no_mass(folder, mass):
    head, row = folder.LAB.splitlines()[:2]
    lab = f"{head},mass_kg\n{row},{mass}\n".replace("52.4", "")
    folder.put(lab_tests_csv=lab, study_toml=folder.ZONE)
    folder.files["breaths/T1.csv"] = "t_s,vo2_ml_kg_min,vco2_ml_min\n" + "".join(
        f"{t},{40 + t / 60:.3f},{80 * (42 + t / 60):.0f}\n" for t in range(0, 600, 2)
    )
    values = laboratory_values(folder.inspect().tables)
    (test,) = values.frame.to_dict("records")
    assert test["lab"] == pytest.approx(40 + 583 / 60, abs=0.05)  # the last 30 s
    assert (test["rer_max"] > 1) == bool(mass)  # carbon dioxide is not per kilogram


def test_breaths_with_neither_uptake_stop(folder):
    folder.files["breaths/T1.csv"] = "t_s,hr_bpm\n" + "".join(f"{t},120\n" for t in range(60))
    tables = folder.inspect().tables
    with pytest.raises(TableError, match="The column 'vo2_ml_min' is missing"):
        laboratory_values(tables)
