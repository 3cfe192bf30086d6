"""From a folder to results, through the face that people and reports use."""

import subprocess
import sys
from datetime import date

import pytest

from agreement.cohort import Cohort, inspect_cohort, read_cohort
from agreement.errors import TableError

LAB = """lab_test_id,athlete_id,date,mode,vo2max_ml_kg_min,averaging_rule,mass_kg
T1,A,2026-03-20,run,50,moving 30 s,70
T2,B,2026-03-22,run,44,moving 30 s,60
"""
WATCH = """athlete_id,taken_at,method,mode,vo2max_ml_kg_min,set_mass_kg
A,2026-03-17T09:00:00,left wrist,run,51,70
A,2026-03-19T09:00:00,left wrist,run,53,70
B,2026-03-18T09:00:00,left wrist,run,47,66
B,2026-03-21T09:00:00,left wrist,run,49,66
B,2026-03-21T09:00:00,left wrist,run,49,66
"""


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "study.toml").write_text('[study]\ntime_zone = "UTC"\n', encoding="utf-8")
    (tmp_path / "lab_tests.csv").write_text(LAB, encoding="utf-8")
    (tmp_path / "field_estimates.csv").write_text(WATCH, encoding="utf-8")
    return tmp_path


def test_a_folder_gives_pairs_and_the_account_of_its_rows(folder):
    cohort = read_cohort(folder)
    assert cohort.pairs["difference"].tolist() == [2, 4]
    assert cohort.exclusions["reason"].tolist() == ["copy"]
    assert cohort.flow.to_numpy().tolist() == [
        ["lab_tests.csv", 2, 2, 0, 0],
        ["field_estimates.csv", 5, 0, 4, 1],
    ]


def test_the_evidence_is_what_statistics_need(folder):
    cohort = read_cohort(folder)
    evidence = cohort.evidence
    assert evidence.pairs is cohort.pairs
    assert len(evidence.daily) == 4
    assert evidence.repeats["lab"].tolist() == [50, 44]
    assert evidence.first_lab_date == date(2026, 3, 20)
    assert evidence.heart_rate_based == {"left wrist": True}
    assert evidence.options is cohort.study.options


def test_results_are_computed_once(folder):
    cohort = read_cohort(folder)
    assert cohort.results is cohort.results
    assert cohort.method("left wrist", "run").method == "left wrist"


def test_the_results_of_a_method_show_their_names_and_not_their_arrays(folder):
    found = read_cohort(folder).method("left wrist", "run")
    assert repr(found).startswith("<MethodResults: left wrist, run; 2 athletes, 2 pairs; found: ")
    assert repr(found).endswith(f"{', '.join(found)}>")
    assert all(f'<th scope="row">{name}</th>' in found._repr_html_() for name in found)


def test_problems_of_all_stages_come_in_order_of_severity(folder):
    problems = read_cohort(folder).problems
    found = [(p.severity, p.reason, p.row) for p in problems if p.reason != "found_format"]
    assert ("note", "copy", 6) in found
    assert ("note", "mass_mismatch", 4) in found
    assert [p.severity for p in problems] == sorted((p.severity for p in problems), reverse=True)


def test_a_study_without_pairs_is_no_error(folder):
    (folder / "field_estimates.csv").write_text(
        WATCH.splitlines()[0] + "\nA,2026-05-01T09:00,x,run,50,70\n"
    )
    cohort = read_cohort(folder)
    assert cohort.pairs.empty
    assert cohort.exclusions["reason"].tolist() == [
        "no_estimate_in_window",
        "no_estimate_in_window",
        "outside_window",
    ]


def test_what_stops_a_study_is_raised_or_returned(folder):
    (folder / "lab_tests.csv").write_text(LAB.replace("T2", "T1"), encoding="utf-8")
    with pytest.raises(TableError, match="T1"):
        read_cohort(folder)
    cohort, problems = inspect_cohort(folder)
    assert cohort is None
    assert {p.severity for p in problems} >= {"stop"}


def test_an_unknown_protocol_stops_with_what_was_found_before(folder):
    rows = "athlete_id,date,protocol,distance_m\nA,2026-03-19,run_for_fun,3000\n"
    (folder / "field_tests.csv").write_text(rows, encoding="utf-8")
    cohort, problems = inspect_cohort(folder)
    assert cohort is None
    assert problems[0].severity == "stop"
    assert "run_for_fun" in str(problems[0])


def test_inspecting_a_good_study_gives_the_cohort_and_its_problems(folder):
    cohort, problems = inspect_cohort(folder)
    assert isinstance(cohort, Cohort)
    assert problems == cohort.problems


def test_reading_and_pairing_import_no_statistics_beyond_their_inputs(folder):
    code = (
        "import sys\n"
        "from agreement.cohort import read_cohort\n"
        f"read_cohort({str(folder)!r})\n"
        "print([m for m in ('statsmodels', 'pingouin', 'matplotlib') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
