"""Every message of the package: file, row, column, what with the value, and what to do."""

import ast
from dataclasses import dataclass
from pathlib import Path

import pytest
from small_study import BARE, write_folder

import agreement
from agreement.cohort import inspect_cohort
from agreement.tables.paths import require_unchanged
from agreement.terms import DOUBTS, REASONS, declared

LAB = BARE["lab.csv"].decode()
ESTIMATES = BARE["field_estimates.csv"].decode()
TOML = BARE["study.toml"].decode()
EST, LABS, TESTS, SESSIONS = "field_estimates.csv", "lab.csv", "field_tests.csv", "sessions.csv"
FIELD = "athlete_id,date,protocol,distance_m,completed\n"
TRAINED = "session_id,athlete_id,started_at,mode,duration_min,tag,zone1_min\n"
PEOPLE = "athlete_id,withdrawn\n007,\nNA,\nK3,\nK9,\n"
BREATHS = "t_s,vo2_ml_min\n" + "".join(f"{3 * i},{1500 + 10 * i}\n" for i in range(120))


@dataclass
class Said:
    """A tiny study, and the place, value and remedy that its message must name."""

    files: dict[str, str]
    file: str
    row: int | None
    column: str | None
    value: str
    remedy: str
    why_no_column: str = ""


def estimate(*lines):
    return {EST: ESTIMATES.splitlines()[0] + "\n" + "\n".join(lines) + "\n"}


def estimated(lines, keys=""):
    return estimate(*lines) | {"study.toml": f"[study]\ntime_zone='UTC'\n{keys}\n[files.lab_tests]\n"
                               "path='lab.csv'\n"}  # fmt: skip


FIRST, SECOND = (f"field_tests/2026-0{month}.csv" for month in (3, 4))  # two exports of a table
SHUTTLE = "007,2026-03-05,run_12min_1968,2850,yes\n"

# of each reason for leaving something out that `check` tells row by row
SET_ASIDE = {
    "corrected": Said({FIRST: FIELD + SHUTTLE.replace("2850", "2750"), SECOND: FIELD + SHUTTLE}, FIRST, 2, None, "2026-04.csv corrects", "newest", "a row"),
    "conflicting_copy": Said(BARE, EST, 5, "taken_at", "47 mL/kg/min", "Keep the right row"),
    "missing_value": Said({LABS: LAB.replace(",52.4", ",n/a")}, LABS, 2, "vo2max_ml_kg_min", "the cell holds no value", "Fill the cell"),
    "no_mass": Said(
        {EST: "athlete_id,taken_at,method,mode,vo2max_l_min\n007,2026-02-25,m,run,3.7\n"},
        EST, 2, "set_mass_kg", "3.7 L/min", "Give set_mass_kg",
    ),
    "out_of_range": Said({EST: ESTIMATES.replace("run,46", "run,146")}, EST, 4, "vo2max_ml_kg_min", "146", "Correct it"),
    "unknown_athlete": Said({"athletes.csv": PEOPLE.replace("K9,\n", "")}, EST, 9, "athlete_id", "'K9'", "Add the athlete"),
    "unknown_test": Said({"breaths/T7.csv": BREATHS}, "breaths/T7.csv", None, None, "'T7'", "Add the laboratory test", "the whole file"),
    "unread_recording": Said({"breaths/T1.rec": "x"}, "breaths/T1.rec", None, None, "'T1'", "Save it as CSV", "the whole file"),
    "row_left_out": Said(
        {"breaths/T1.csv": BREATHS, LABS: LAB.replace(",2026-03-02", ",")},
        "breaths/T1.csv", None, None, "'T1'", "See what is said of the row", "the whole file",
    ),
    "too_few_sessions": Said(
        {SESSIONS: TRAINED + "S1,007,2026-02-20T17:00,run,40,,40\n"},
        SESSIONS, 2, None, "1 session,", "Add the athlete's other sessions", "all sessions of a window together",
    ),
    "too_little_heart_rate": Said(
        {SESSIONS: TRAINED + "".join(f"S{i},007,2026-02-{1 + 2 * i:02}T17:00,run,60,,\n" for i in range(14))},
        SESSIONS, 2, None, "heart rate in 0 %", "Add the heart rate of these sessions", "all sessions of a window together",
    ),
    "profile_stated": Said(
        {SESSIONS: TRAINED + "S1,007,2026-02-20T17:00,run,40,,40\n", "study.toml": TOML + "[profile]\nuse='stated'\n"},
        SESSIONS, 2, None, "its zones are not needed", "Add its sample file", "the whole row",
    ),
    "session_quality": Said(
        {SESSIONS: TRAINED + "S1,007,2026-02-20T17:00,run,40,illness,40\n", "samples/S1.csv": "t_s,hr_bpm,speed_m_s\n" + "".join(f"{i},140,3\n" for i in range(0, 1500, 5))},
        SESSIONS, 2, "tag", "illness", "Correct the cell",
    ),
    "not_completed": Said({TESTS: FIELD + "007,2026-03-05,run_12min_1968,2850,no\n"}, TESTS, 2, "completed", "'no'", "Repeat the test"),
    "extrapolation_refused": Said(
        {TESTS: "field_test_id,athlete_id,date,protocol,hr_bpm,power_w,mass_kg,hr_max_bpm\n" + "".join(f"F,007,2026-03-05,cycle_stages_hr,{hr},{w},70,190\n" for hr, w in ((120, 60), (123, 70), (126, 80)))},
        TESTS, 2, "hr_bpm", "6 bpm", "Ride more stages",
    ),
    "withdrawn": Said({"athletes.csv": PEOPLE.replace("K9,", "K9,yes")}, EST, None, None, "1 row", "written before still hold them", "nobody is pointed at"),
}  # fmt: skip
ONE = ("007,2026-02-25,m,run,50",)
TWO = ("007,2026-02-25,m,run,50", "007,2026-02-26,m,run,51")
STALE = [f"007,2026-02-{day:02},m,run,50" for day in range(10, 15)]
# of each reason that only the ledger tells, as the rows are many: the key that decides, or what to do
IN_LEDGER = {
    "control": Said({"study.toml": TOML + "[control]\nathlete_id='NA'\n"}, LABS, 3, None, "own control", "[control]"),
    "re_exported": Said({FIRST: FIELD + SHUTTLE, SECOND: FIELD + SHUTTLE}, FIRST, 2, None, "2026-04.csv holds", "newest"),
    "copy": Said(estimate(*TWO, TWO[0]), EST, 4, None, "2 identical rows", "kept one"),
    "stale": Said(
        estimated(STALE, "[pairing]\nstale_after_days=3"), EST, 3, None, "5 days", "`stale_after_days`"
    ),
    "athlete_without_laboratory_test": Said(BARE, EST, 9, None, "no usable", "add one"),
    "mode_mismatch": Said(estimate("007,2026-02-25,m,cycle,50"), EST, 2, None, "cycle", "`mode_match`"),
    "outside_window": Said(estimate("007,2026-01-25,m,run,50"), EST, 2, None, "36 days", "`days_before`"),
    "same_day": Said(estimate("007,2026-03-02,m,run,50"), EST, 2, None, "day of", "`same_day`"),
    "after_test": Said(estimate("007,2026-03-05,m,run,50"), EST, 2, None, "3 days", "`days_after`"),
    "too_few_readings": Said(estimate(*ONE), EST, 2, None, "1 day", "`minimum_days`"),
    "no_estimate_in_window": Said(estimate(*TWO), LABS, 3, None, "no estimate", "collect some"),
    "not_summarised": Said(
        estimated(TWO, "[pairing]\nsummary='last'"), EST, 2, None, "Another day", "`last`"
    ),
}  # fmt: skip


# of each reason that stops
STOPS = {
    "averaging_rule_mixed": Said({LABS: "lab_test_id,athlete_id,date,mode,vo2max_ml_kg_min,averaging_rule\nT1,007,2026-03-02,run,52,moving 30 s\nT2,NA,2026-03-02,run,50,moving 15 s\n"}, LABS, 2, "averaging_rule", "'moving 15 s' in 1", "allow_mixed"),
    "code": Said({LABS: LAB.replace("walk", "wander")}, LABS, 4, "mode", "'wander'", "walk"),
    "date_order": Said({LABS: LAB.replace("2026-03-02", "02/03/2026").replace("2026-03-13", "03/03/2026").replace("2026-03-20", "04/03/2026")}, LABS, 2, "date", "02/03/2026", "date_order"),
    "decimal_mark": Said({"study.toml": TOML + "decimal=','\n"}, LABS, None, "vo2max_ml_kg_min", "'.'", "decimal"),
    "duplicate_column": Said({LABS: LAB.replace("mode", "date", 1)}, LABS, None, "date", "2 columns", "Rename"),
    "duplicate_key": Said({LABS: LAB.replace("T2", "T1")}, LABS, 3, "lab_test_id", "'T1'", "id"),
    "list_shrank": Said({"athletes/2026-03.csv": PEOPLE, "athletes/2026-04.csv": PEOPLE.split("NA")[0]}, "athletes/2026-04.csv", None, None, "lacks 3 of the 4", "whole list", "a list"),
    "long_label": Said({EST: ESTIMATES.replace("007,2026-02-25", "007,2026-02-25").replace(",m,", "," + 250 * "m" + ",")}, EST, 2, "method", "250 letters", "Shorten it"),
    "missing_column": Said({LABS: LAB.replace("mode", "how", 1)}, LABS, None, "mode", "'mode'", "Add it"),
    "missing_file": Said({"study.toml": TOML.replace("lab.csv", "labs.csv")}, "labs.csv", None, None, "lab_tests", "Correct path", "the whole file"),
    "missing_key": Said({"study.toml": "[margin]\nlimit_ml_kg_min=3\n" + TOML}, "study.toml", None, None, "agreed_on", "Set the day", "a key"),
    "missing_value": Said({TESTS: FIELD + "007,2026-03-05,run_13min_1968,2850,yes\n"}, TESTS, 2, "protocol", "run_13min_1968", "agreement protocols"),
    "name_like_id": Said({LABS: LAB.replace("007", "Ada Berg")}, LABS, 2, "athlete_id", "A... B...", "Use codes"),
    "no_control": Said({"study.toml": TOML + "[control]\nathlete_id='nobody'\n"}, "study.toml", None, None, "'nobody'", "Correct athlete_id", "a key"),
    "not_a_date": Said({LABS: LAB.replace("2026-03-13", "soon")}, LABS, 3, "date", "'soon'", "Write it like"),
    "not_a_number": Said({LABS: LAB.replace("48.0", "high")}, LABS, 3, "vo2max_ml_kg_min", "'high'", "Write the number"),
    "one_for_two": Said({"study.toml": TOML + "[files.sessions]\npath='lab.csv'\n"}, "lab.csv", None, None, "sessions", "Correct path", "a file"),
    "path_outside": Said({"study.toml": TOML.replace("lab.csv", "../lab.csv")}, "study.toml", None, None, "files.lab_tests.path", "Copy the file", "a key"),
    "ragged_row": Said({LABS: LAB.replace("48.0", "48,0")}, LABS, 3, None, "'0' stands after the last", "Correct the row", "the cell after the last column"),
    "time_zone": Said({"study.toml": TOML.replace("time_zone = 'UTC'", "")}, EST, 3, "taken_at", "2026-02-26 09:00", "time_zone"),
    "two_files": Said({"breaths/T1.csv": BREATHS, "breaths/T1.CSV": BREATHS}, "breaths", None, None, "'T1'", "Keep it in one", "a file"),
    "undecided": Said({"study.toml": TOML.replace("'UTC'", '"?"')}, "study.toml", None, None, "time_zone", "Write in place", "a key"),
    "undated_export": Said({FIRST: FIELD, "field_tests/last.csv": FIELD}, "field_tests/last.csv", None, None, "no date", "Put the day", "a file"),
    "unit": Said({LABS: LAB.replace("52.4", "5240").replace("48.0", "4800")}, LABS, None, "vo2max_ml_kg_min", "5020", "units"),
    "unknown_key": Said({"study.toml": TOML + "sheets='x'\n"}, "study.toml", None, None, "sheets", "sheet", "a key"),
    "unreadable_file": Said({LABS: LAB.replace(",007", ',"007')}, LABS, 2, None, "has no partner", "double it", "the rest of the file"),
    "unread_athletes": Said({"athlets.csv": PEOPLE}, "athlets.csv", None, None, "looks like the athletes table", "Call it athletes.csv", "the whole file"),
    "unread_withdrawn": Said({"athletes.csv": PEOPLE.replace("withdrawn", "withdrew")}, "athletes.csv", None, "withdrew", "those who withdrew", "columns = { withdrawn"),
    "withdrawal_lost": Said({"withdrawn.keyed": "zz"}, "withdrawn.keyed", None, None, "pseudonyms.key", "from a copy", "the whole file"),
    "wrong_value": Said({"study.toml": TOML.replace("'UTC'", "'Moon'")}, "study.toml", None, None, '"Moon"', "Correct it", "a key"),
}  # fmt: skip


def found(said, root):
    """Return what is found in a case's study."""
    folder = BARE | {n: c.encode() if isinstance(c, str) else c for n, c in said.files.items()}
    return inspect_cohort(write_folder(folder, root))


def told(problems, severity, reason, said):
    """Return the problem that a case is about; fail with all of them where it is missing."""
    own = [p for p in problems if (p.severity, p.reason) == (severity, reason)]
    places = [p for p in own if (p.file, p.row, p.column) == (said.file, said.row, said.column)]
    assert places, [str(p) for p in own] or [str(p) for p in problems]
    return places[0]


@pytest.mark.parametrize("reason", SET_ASIDE)
def test_what_is_set_aside_has_place_value_and_remedy(tmp_path, reason):
    said = SET_ASIDE[reason]
    problem = told(found(said, tmp_path / "study")[1], "set_aside", reason, said)
    assert said.value in problem.what
    assert said.remedy in problem.remedy
    assert (said.column is None) == bool(said.why_no_column)


@pytest.mark.parametrize("reason", IN_LEDGER)
def test_a_line_of_the_ledger_has_place_value_and_remedy(tmp_path, reason):
    said = IN_LEDGER[reason]
    cohort, _ = found(said, tmp_path / "study")
    lines = cohort.exclusions
    line = lines[(lines["reason"] == reason) & (lines["file"] == said.file)]
    line = line[line["row"] == said.row].iloc[0]
    assert said.value in line["message"]
    assert said.remedy in line["message"]


@pytest.mark.parametrize("reason", STOPS)
def test_what_stops_has_place_value_and_remedy(tmp_path, reason):
    said = STOPS[reason]
    cohort, problems = found(said, tmp_path / "study")
    problem = told(problems, "stop", reason, said)
    assert cohort is None
    assert said.value in problem.what
    assert said.remedy in problem.remedy
    assert (said.column is None) == bool(said.why_no_column)


def test_a_file_changed_while_it_was_read_is_named_with_what_to_do(tmp_path):
    root = write_folder(BARE, tmp_path / "study")
    cohort, _ = inspect_cohort(root)
    (root / LABS).write_text(LAB + "\n")
    with pytest.raises(ValueError, match=r"^lab\.csv: The file was changed .*\. \w.*\.$"):
        require_unchanged(root, cohort.study.inputs)


def test_no_reason_is_without_a_study_that_provokes_it():
    # a mixture of averaging rules stops, or is allowed: no row leaves for it
    assert set(SET_ASIDE) | set(IN_LEDGER) == set(REASONS) - {"averaging_rule_mixed"}
    assert not set(SET_ASIDE) & set(IN_LEDGER)
    # doubts have studies of their own in tests/doubts
    assert stop_reasons() - set(DOUBTS) == {*STOPS, "changed_while_read"}


def stop_reasons():
    """Return every reason with which the package's source stops a run."""
    reasons = {one["stop"] for one in declared("messages.toml").values() if "stop" in one}
    for path in Path(agreement.__file__).parent.rglob("*.py"):
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(call, ast.Call):
                name = getattr(call.func, "attr", getattr(call.func, "id", ""))
                words = [a.value for a in call.args[:2] if isinstance(a, ast.Constant)]
                if name == "stop" and words:
                    reasons.add(words[0])
                elif name in ("each", "Problem") and words[:1] == ["stop"]:
                    reasons |= set(words[1:])
    return reasons
