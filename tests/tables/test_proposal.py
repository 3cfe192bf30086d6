"""From messy exports to a study: few edits, each named by `check`, and never a wrong number."""

import re
import sys
import tomllib
from statistics import median

import numpy as np
import pandas as pd
import pytest
from messy_exports import CASES, LAB, READINGS, workbook
from turns import slowly

from agreement.errors import AgreementError, OutputError
from agreement.tables.proposal import propose_study
from agreement.tables.proposal_sources import blocks_of
from agreement.tables.proposal_tables import table_of
from agreement.tables.proposal_words import fits, taken_apart
from agreement.tables.study import inspect_study, read_study

EDITS = {}


def exported(folder, files):
    folder.mkdir()
    for name, content in files.items():
        (folder / name).parent.mkdir(exist_ok=True)
        if isinstance(content, dict):
            workbook(folder / name, content)
        elif isinstance(content, bytes):
            (folder / name).write_bytes(content)
        else:
            (folder / name).write_text(content, encoding="utf-8")
    return folder


def answered(study, answers):
    """Write the answers where the study file asks; return the number of lines changed."""
    path, edits, lines = study / "study.toml", 0, []
    for line in path.read_text(encoding="utf-8").splitlines():
        key, mark, value = line.partition(" = ")
        if mark and value.strip() == '"?"':
            answer = answers[key]
            line = f"{key} = {str(answer).lower()}" if answer is True else f'{key} = "{answer}"'
            edits += 1
        lines.append(line)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return edits


# each of the others meets what one of the quick ones meets, in another form
QUICK = (
    *("title rows with semicolons", "two header rows", "pounds not in the header"),
    *("words of a rowing club", "words of a squad's sheets, two field files"),
    *("litres a minute not in the header", "day first, not decided", "month first"),
    *("date and clock time apart", "comma decimals", "Spanish, sex H and M", "no mode anywhere"),
    *("unequal ids", "one file for each athlete, units apart", "a workbook with extra sheets"),
    *("typed dates and times in a workbook", "methods side by side with the laboratory"),
    *("a footer with means", "relative and absolute values", "treadmill and ergometer"),
    "tables below one another, and a column for each athlete",
)


@pytest.mark.parametrize("name", [*QUICK, *slowly(name for name in CASES if name not in QUICK)])
def test_messy_exports_become_a_study_with_the_right_numbers(tmp_path, name):
    files, answers, most = CASES[name]
    exports = exported(tmp_path / "desk", files)
    before = {p: p.read_bytes() for p in exports.rglob("*") if p.is_file()}
    found = propose_study(tmp_path / "study", [exports])
    text = (tmp_path / "study" / "study.toml").read_text(encoding="utf-8")
    tomllib.loads(text)
    study, problems = inspect_study(tmp_path / "study")
    if found.questions:  # nothing comes out before all is decided, and each is named
        assert study is None
        assert {p.reason for p in problems} == {"undecided"}
        assert (
            len(problems)
            == found.questions
            == len(re.findall(r'^[^#\n]* = "\?"$', text, re.MULTILINE))
        )
    EDITS[name] = edits = answered(tmp_path / "study", answers)
    assert edits <= most
    study, problems = inspect_study(tmp_path / "study")
    assert study is not None, "\n".join(map(str, problems))
    lab = study.lab_tests.sort_values("athlete_id", ignore_index=True)
    truth = LAB[: len(lab)]
    assert len(lab) >= 4
    assert lab["athlete_id"].tolist() == [one[0] for one in truth]
    assert lab["date"].dt.date.tolist() == [one[4] for one in truth]
    assert lab["mode"].tolist() == ["run"] * len(lab)
    np.testing.assert_allclose(lab["vo2max"], [one[6] for one in truth], rtol=2e-3)
    np.testing.assert_allclose(lab["mass_kg"], [one[5] for one in truth], rtol=1e-4)
    for column, at in (("rer_max", 7), ("hr_max_bpm", 8)):
        if lab[column].notna().any():
            np.testing.assert_allclose(lab[column], [one[at] for one in truth])
    if len(study.athletes) and "sex" in text:
        sexes = dict(zip(study.athletes["athlete_id"], study.athletes["sex"], strict=True))
        assert sexes == {one[0]: one[1] for one in LAB}
    if name.startswith("methods side by side"):
        assert study.field_estimates["vo2max"].tolist() == [round(one[6]) for one in LAB]
    else:
        rows = study.field_estimates.sort_values(["athlete_id", "date"], ascending=[True, False])
        got = list(zip(rows["athlete_id"], rows["date"].dt.date, rows["vo2max"], strict=True))
        assert got == [(w, d, float(v)) for w, d, v in READINGS]
    assert {p: p.read_bytes() for p in exports.rglob("*") if p.is_file()} == before
    kept = {p.read_bytes() for p in (tmp_path / "study").rglob("*") if p.is_file()}
    assert set(before.values()) <= kept  # every export is in the study, unchanged
    assert (found.preview["as we read them"] != "").all()


@pytest.mark.slow
def test_the_median_number_of_edits_is_at_most_two(tmp_path):
    edits = []
    for i, (files, _, _) in enumerate(CASES.values()):
        exports = exported(tmp_path / f"desk {i}", files)
        edits.append(propose_study(tmp_path / f"study {i}", [exports]).questions)
    assert len(edits) >= 25
    assert median(edits) <= 2
    assert max(edits) <= 4


def test_columns_that_a_table_written_anew_does_not_have_are_named(tmp_path):
    lab = (
        "Tests of the winter;;\nProbe;id;date;VO2max (mL/kg/min);shoe\nP7;A1;2026-03-04;52.4;blue\n"
    )
    watch = "id,taken_at,mode,VO2max\nA1,2026-03-01,run,50\n"
    desk = exported(tmp_path / "desk", {"lab.csv": lab, "watch.csv": watch})
    found = propose_study(tmp_path / "study", [desk])
    assert found.remarks == ("lab.csv: not read, because unknown: 'Probe', 'shoe'.",)


def test_masses_that_could_be_either_are_left_to_a_person(tmp_path):
    text = "id,date,mode,VO2max (mL/kg/min),weight\n" + "".join(
        f"A{i},2026-03-0{i},run,5{i},10{i}\n" for i in range(1, 6)
    )
    desk = exported(
        tmp_path / "desk",
        {"lab.csv": text, "watch.csv": "id,taken_at,mode,VO2max\nA1,2026-03-01,run,50\n"},
    )
    propose_study(tmp_path / "study", [desk])
    _, problems = inspect_study(tmp_path / "study")
    assert [p.reason for p in problems] == ["undecided"]
    assert "mass_kg in [files.lab_tests.units]" in problems[0].what
    assert '"kg" (101 kg) or "lb" (101 lb)' in problems[0].remedy


def test_a_header_that_its_values_contradict_is_left_to_a_person(tmp_path):
    text = "id,date,mode,VO2max (mL/kg/min),weight (kg)\n" + "".join(
        f"A{i},2026-03-0{i},run,5{i},16{i}\n" for i in range(1, 6)
    )
    desk = exported(
        tmp_path / "desk",
        {"lab.csv": text, "watch.csv": "id,taken_at,mode,VO2max\nA1,2026-03-01,run,50\n"},
    )
    propose_study(tmp_path / "study", [desk])
    _, (problem,) = inspect_study(tmp_path / "study")
    assert "the header says kg, the values do not" in problem.remedy


def test_session_lengths_in_clock_form_are_minutes(tmp_path):
    rows = "\n".join(f"S{i},A1,2026-03-0{i} 07:30,run,0:4{i}:30" for i in range(1, 6))
    files = {
        "lab.csv": "id,date,mode,VO2max (mL/kg/min),mass (kg),RER\nA1,2026-03-09,run,50,70,1.1\n",
        "activities.csv": f"Activity ID,Athlete,Start time,Sport,Duration\n{rows}\n",
    }
    propose_study(tmp_path / "study", [exported(tmp_path / "desk", files)])
    assert answered(tmp_path / "study", {"time_zone": "UTC"}) == 1
    sessions = read_study(tmp_path / "study").sessions
    assert sessions["duration_min"].tolist() == [41.5, 42.5, 43.5, 44.5, 45.5]


UNKNOWN = "Kennung;Wann;Zahl\n" + "".join(f"A0{i};2026-03-0{i};5{i}\n" for i in range(1, 6))


def test_a_file_that_nothing_decides_is_a_line_that_check_stops_at(tmp_path):
    files = {"lab.csv": CASES["plain columns, no test ids"][0]["lab.csv"], "zahlen.csv": UNKNOWN}
    found = propose_study(tmp_path / "study", [exported(tmp_path / "desk", files)])
    assert found.questions == 1
    study, (stop,) = inspect_study(tmp_path / "study")
    assert study is None  # and not taken for a study of the laboratory by itself
    assert '"zahlen.csv" in [files] is to be decided' in stop.what
    for said in ("Kennung (A01)", '"field_estimates" (one row', '"none" (no part of the study)'):
        assert said in stop.remedy
    assert answered(tmp_path / "study", {'"zahlen.csv"': "field_estimates"}) == 1
    _, problems = inspect_study(tmp_path / "study")
    stops = [p for p in problems if p.severity == "stop"]
    assert {p.file for p in stops} == {"zahlen.csv"}
    assert any("'Kennung', 'Wann', 'Zahl'" in p.remedy for p in stops)
    toml = tmp_path / "study" / "study.toml"
    columns = 'columns = { athlete_id = "Kennung", taken_at = "Wann", vo2max_ml_kg_min = "Zahl" }'
    constants = 'values = { mode = "run", method = "watch" }'
    toml.write_text(f"{toml.read_text()}\n[files.field_estimates]\n{columns}\n{constants}\n")
    assert read_study(tmp_path / "study").field_estimates["vo2max"].tolist() == [51, 52, 53, 54, 55]
    toml.write_text(f'{toml.read_text()}path = "other.csv"\n')
    _, problems = inspect_study(tmp_path / "study")
    assert any("Both 'other.csv' and 'zahlen.csv'" in p.what for p in problems)


def test_a_file_that_is_no_part_of_the_study_is_not_named_again(tmp_path):
    files = {"lab.csv": CASES["plain columns, no test ids"][0]["lab.csv"], "zahlen.csv": UNKNOWN}
    propose_study(tmp_path / "study", [exported(tmp_path / "desk", files)])
    answered(tmp_path / "study", {'"zahlen.csv"': "none"})
    study, problems = inspect_study(tmp_path / "study")
    assert study is not None
    assert not [p for p in problems if p.reason == "unused_file"]


def test_files_of_one_header_that_nothing_decides_are_one_question(tmp_path):
    files = {"lab.csv": CASES["plain columns, no test ids"][0]["lab.csv"]}
    files |= {f"{who}/zahlen.csv": UNKNOWN for who in ("x", "y", "z")}
    found = propose_study(tmp_path / "study", [exported(tmp_path / "desk", files)])
    assert found.questions == 1
    gathered = pd.read_csv(tmp_path / "study" / "zahlen and 2 more.csv")
    assert gathered.columns[0] == "from_file"
    assert len(gathered) == 15


def test_the_files_of_months_are_one_method(tmp_path):
    files, answers, _ = CASES["a folder for each athlete with a file for each month"]
    propose_study(tmp_path / "study", [exported(tmp_path / "desk", files)])
    answered(tmp_path / "study", answers)
    assert set(read_study(tmp_path / "study").field_estimates["method"]) == {"device"}


def test_a_workbook_whose_library_is_not_installed_is_said(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "python_calamine", None)
    files, _, _ = CASES["an open document workbook in two languages"]
    found = propose_study(tmp_path / "study", [exported(tmp_path / "desk", files)])
    assert "python-calamine" in found.remarks[0]
    assert "save the workbook as XLSX" in found.remarks[0]


def test_what_cannot_be_used_is_said(tmp_path):
    files = {
        "lab.csv": CASES["unequal ids"][0]["lab.csv"],
        "notes.docx": "x",
        "recording.fitx": "x",
    }
    found = propose_study(tmp_path / "study", [exported(tmp_path / "desk", files)])
    assert [remark.split(":")[0] for remark in found.remarks] == ["notes.docx", "recording.fitx"]
    assert (tmp_path / "study" / "originals" / "notes.docx").is_file()
    with pytest.raises(OutputError, match="not empty"):
        propose_study(tmp_path / "study", [tmp_path / "desk"])
    with pytest.raises(AgreementError, match="no file"):
        propose_study(tmp_path / "other", [tmp_path / "nowhere"])
    (tmp_path / "odd").mkdir()
    (tmp_path / "odd" / "x.csv").write_text("1,2\n3,4\n")
    with pytest.raises(AgreementError, match="No table"):
        propose_study(tmp_path / "other", [tmp_path / "odd"])
    assert not (tmp_path / "other").exists()


def test_the_preview_shows_three_values_and_how_they_are_read(tmp_path):
    files, _, _ = CASES["pounds in the header"]
    found = propose_study(tmp_path / "study", [exported(tmp_path / "desk", files)])
    row = found.preview[found.preview["ours"] == "mass_kg"].iloc[0]
    assert (row["your column"], row["unit"]) == ("Weight (lb)", "lb")
    assert row["as we read them"] == "72.5; 61; 80.25"
    assert isinstance(found.preview, pd.DataFrame)


def test_a_gathered_table_shows_the_headers_of_the_exports(tmp_path):
    lab = "id,date,mode,VO2max\n" + "".join(f"A{i},2026-03-09,run,5{i}.5\n" for i in range(5))
    one = "id,Date,Sport,HR sensor,Number (mL/kg/min) VO2max\nA1,2026-03-01,run,chest,50.5\n"
    two = "Number (mL/kg/min) VO2max,Sport,Weight in profile (kg),id,Date\n51.5,run,70,A2,2026-03-01\n"
    files = {"lab.csv": lab, "watch one.csv": one, "watch two.csv": two}
    found = propose_study(tmp_path / "study", [exported(tmp_path / "desk", files)]).preview
    rows = found[found["table"] == "field_estimates"].set_index("ours")
    assert rows["your column"].to_dict() == {
        "athlete_id": "id",
        "taken_at": "Date",
        "mode": "Sport",
        "vo2max_ml_kg_min": "Number (mL/kg/min) VO2max",
        "sensor": "HR sensor",
        "set_mass_kg": "Weight in profile (kg)",
        "method": "method",
    }


@pytest.mark.parametrize(("theirs", "ours"), [("Whose", "athlete_id"), ("Noted", "taken_at")])
def test_a_file_without_athletes_or_dates_is_left_out_and_named(tmp_path, theirs, ours):
    """No file name stands for the athlete of a whole squad, and no row goes without its day."""
    lab = "id,date,mode,VO2max\n" + "".join(f"A{i},2026-03-09,run,5{i}.5\n" for i in range(5))
    head = "id,taken_at,mode,VO2max".replace("id" if ours == "athlete_id" else ours, theirs)
    rows = "".join(f"A{i},2026-03-0{d},run,5{i}.1\n" for i in range(5) for d in range(1, 7))
    files = {
        "lab.csv": lab,
        "band.csv": f"{head}\n{rows}",
        "watch.csv": "id,taken_at,mode,VO2max\n" + rows,
    }
    found = propose_study(tmp_path / "study", [exported(tmp_path / "desk", files)])
    (told,) = found.remarks
    assert told.startswith(
        f"band.csv: left out of field_estimates, because none of its columns is known as {ours}: "
    )
    assert f"'{theirs}'" in told
    assert told.endswith(f"Call that column {ours} and run this again.")
    study = read_study(tmp_path / "study")
    assert set(study.field_estimates["athlete_id"]) == {f"A{i}" for i in range(5)}
    assert len(study.field_estimates) == 30


def test_the_command_takes_files_and_prints_what_it_read(tmp_path):
    from typer.testing import CliRunner

    from agreement import cli

    desk = exported(tmp_path / "desk", CASES["no mode anywhere"][0])
    study = tmp_path / "study"
    command = ["new", str(study), "--from", str(desk / "lab.csv"), str(desk / "watch.csv")]
    done = CliRunner().invoke(cli.app, command)
    assert done.exit_code == 0, done.output
    assert done.stdout.splitlines() == [str(study)]
    assert "your column" in done.stderr
    assert "2 lines of study.toml to decide" in done.stderr
    checked = CliRunner().invoke(cli.app, ["check", str(study)])
    assert checked.exit_code == 2
    assert "mode in [files.lab_tests.values] is to be decided" in checked.stdout


def test_a_file_with_many_rows_of_each_person_is_no_list_of_people(tmp_path):
    rows = [f"A{i};2026-03-0{day} 07:00;{50 + i}" for i in range(8) for day in (1, 2, 3)]
    source = tmp_path / "device.csv"
    source.write_text("\n".join(["Athlete;Time;Reading", *rows]) + "\n", encoding="utf-8")
    (block,), _ = blocks_of(source)
    assert table_of(block) is None


@pytest.mark.parametrize(
    ("uptake", "ours"), [("VO2 (mL/min)", "vo2_ml_min"), ("VO2 (mL/kg/min)", "vo2_ml_kg_min")]
)
def test_one_long_file_of_breaths_is_proposed_with_the_test_of_each_row(tmp_path, uptake, ours):
    per_kg = "kg" in uptake
    rows = [
        f"{test};{10 * i};{(40 + i / 6) * (1 if per_kg else 70):.2f};{100 + i}"
        for test in ("T1", "T2")
        for i in range(60)
    ]
    long, lab = tmp_path / "all tests.csv", tmp_path / "lab.csv"
    long.write_text("\n".join([f"Test ID;Time (s);{uptake};HR", *rows]) + "\n")
    lab.write_text(
        "Test ID,Athlete,Date,Mode,VO2max (mL/kg/min)\nT1,A1,2026-03-20,run,50\nT2,A2,2026-03-21,run,50\n"
    )
    propose_study(tmp_path / "study", [long, lab])
    text = (tmp_path / "study" / "study.toml").read_text()
    assert 'lab_test_id = "Test ID"' in text.split("[files.breaths.columns]")[1]
    assert f'{ours} = "{uptake}"' in text
    assert 'hr_bpm = "HR"  # no unit in the header; ours is bpm' in text  # as beside other tables
    study, problems = inspect_study(tmp_path / "study")
    assert study is not None, problems
    assert set(study.breaths) == {"T1", "T2"}


def test_recordings_of_one_name_stay_with_their_person(tmp_path):
    rows = "".join(f"{3 * i},{800 + 9 * i},{90 + i // 3}\n" for i in range(250))
    files = {f"{who}/pre.csv": f"t_s,vo2_ml_min,hr_bpm\n{rows}" for who in ("P1", "P2")}
    head = "test id,athlete,date,mode,mass (kg),VO2max (mL/kg/min)\n"
    tests = "P1_pre,P1,2026-03-02,run,70,50\nP2_pre,P2,2026-03-03,run,72,51\n"
    propose_study(
        tmp_path / "study", [exported(tmp_path / "desk", files | {"lab.csv": head + tests})]
    )
    assert set(read_study(tmp_path / "study").breaths) == {"P1_pre", "P2_pre"}


def test_a_laboratory_list_without_vo2max_is_one_where_breaths_have_it(tmp_path):
    breaths = "t_s,vo2_ml_min\n" + "".join(f"{3 * i},{1000 + 20 * i}\n" for i in range(60))
    listed = "lab_test_id,athlete_id,date,mode,mass_kg\nT1,A01,2026-03-04,cycle,72.5\n"
    watch = "rider,when,mode,VO2max\nA01,2026-03-02,cycle,52.4\n"
    files = {"lab.csv": listed, "watch.csv": watch, "T1.csv": breaths}
    found = propose_study(tmp_path / "study", [exported(tmp_path / "desk", files)])
    assert found.questions == 0
    assert {"lab_test_id", "taken_at"} <= set(found.preview["ours"])


def test_columns_without_a_unit_are_proposed_as_they_are(tmp_path):
    """A stage is a number of order, a rating one of feeling: neither has a unit to decide."""
    desk = exported(
        tmp_path / "desk",
        {
            "shuttle runs.csv": "athlete_id,date,protocol,stage\n"
            + "".join(f"A0{i},2026-03-0{i},shuttle_20m_1982,{i + 4}.5\n" for i in range(1, 6)),
            "lab.csv": "athlete_id,date,mode,vo2max_ml_kg_min,rpe_max\n"
            + "".join(f"A0{i},2026-03-1{i},run,{50 + i},{14 + i}\n" for i in range(1, 6)),
        },
    )
    found = propose_study(tmp_path / "study", [desk])
    shown = found.preview.set_index("ours")
    assert found.questions == 0
    for column, first in (("stage", "5.5; 6.5; 7.5"), ("rpe_max", "15; 16; 17")):
        assert list(shown.loc[column, ["unit", "as we read them"]]) == ["", first]


@pytest.mark.parametrize(
    "header", ["Takes heart-slowing drug", "Beta blockers", "beta-blocker", "Medication"]
)
def test_a_drug_that_limits_heart_rate_is_read_by_its_plain_words(header):
    assert fits("hr_limiting_drug", taken_apart(header))


def test_of_times_with_and_without_a_zone_one_without_is_the_example(tmp_path):
    (tmp_path / "desk").mkdir()
    lab = (
        "athlete_id,date,mode,vo2max_ml_kg_min\nA01,2026-03-04,run,52.4\nA02,2026-03-05,run,48.1\n"
    )
    (tmp_path / "desk" / "lab.csv").write_text(lab, encoding="utf-8")
    times = ("2026-03-01T07:30+01:00", "2026-03-02 07:31", "2026-03-03T07:32Z")
    rows = "".join(f"A01,{time},run,50\n" for time in times)
    head = "athlete_id,taken_at,mode,vo2max_ml_kg_min\n"
    (tmp_path / "desk" / "watch.csv").write_text(head + rows, encoding="utf-8")
    propose_study(tmp_path / "study", [tmp_path / "desk"])
    (stop,) = (p for p in inspect_study(tmp_path / "study")[1] if "time_zone" in p.what)
    assert stop.remedy.endswith('like "Europe/Oslo": 2026-03-02 07:31 has none.')
