"""What is said at the end of a run fits one screen of 24 lines and 80 letters (common practice)."""

import textwrap
from dataclasses import replace
from threading import active_count

import pytest

from agreement.errors import Problem
from agreement.report.run.any_size import ALONE, report_study
from agreement.report.run.talk import (
    closing_talk,
    grouped_findings,
    progress_bar,
    proposal_text,
)
from agreement.report.run.write import FIRST_FILES
from agreement.tables.proposal import propose_study

LONG = (
    "In 14 athletes the estimate from training sessions' heart rate (run) reads 0.0 mL/kg/min on "
    "average; for one athlete expect it between 10.4 low and 10.3 high; whether the agreed limit of "
    "7 mL/kg/min is met is undecided: at this bias and spread no number of athletes would show it."
)
SHORT = (
    "In 54 athletes the estimate 'run_12min_1968' (run) reads 1.6 mL/kg/min low on average; for one "
    "athlete expect it between 8.5 low and 5.3 high; the agreed limit of 7 mL/kg/min is not met."
)
REMARK = (
    "Left out: 3153 rows; exclusions.csv says why. 89 notes on the files: 'agreement check "
    "demo_cohort' shows them."
)
MORE = (
    "  A report may leave out more rows than these: such as can be used, but fit no laboratory test or "
    "no summary."
)


def test_verdict_remarks_and_paths_stand_on_one_screen():
    said = closing_talk([SHORT, LONG, *[SHORT] * 7], [REMARK])
    paths = [f"reports/demo_cohort-squad/{name}" for name in FIRST_FILES]
    lines = [line for text in (*said, *paths) for line in textwrap.wrap(text, 80)]
    assert len(lines) <= 24
    assert "And 4 more methods" in " ".join(lines)
    assert said[-1] == REMARK


def test_check_says_that_a_report_may_leave_out_more_rows():
    """It names 32 findings of the demo, whose report leaves out 3153 rows."""
    aside = Problem("set_aside", "copy", "a.csv", 2, None, "Again.", "Nothing to do.")
    head, found, more = grouped_findings([aside]).splitlines()
    assert head == "Set aside, the run goes on without these rows (1 finding):"
    assert (found, more) == (f"  {aside}", MORE)
    assert MORE not in grouped_findings([replace(aside, severity="note")])


def test_few_methods_are_all_told():
    assert closing_talk(["one", "two"], []) == ["one", "two"]


def test_a_report_is_told_of_without_a_thread_beside_which_no_process_splits(monkeypatch):
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    before = active_count()
    with progress_bar(ticking=False) as progress:
        progress(1, 2, "Reading sessions")
        assert active_count() == before
    with progress_bar() as progress:
        progress(1, 2, "Reading sessions")
        assert active_count() > before


def test_files_that_say_nothing_of_themselves_bring_no_empty_table(tmp_path):
    export = tmp_path / "numbers.csv"
    export.write_text(
        "Subject,VO2,Date\nS1,47.5,2026-03-04\nS2,44.2,2026-03-05\n", encoding="utf-8"
    )
    said = proposal_text(propose_study(tmp_path / "study", [export]), tmp_path / "study")
    assert said.startswith("Nothing decides yet what the files are.")
    assert "your column" not in said
    assert "1 line of study.toml to decide" in said
    assert "nothing decides which table it is" in (tmp_path / "study/study.toml").read_text()


@pytest.mark.parametrize("way", [{"workers": 2}, {"scheduler": "tcp://127.0.0.1:1"}, {}])
def test_a_report_that_needs_no_workers_says_so(small_study, tmp_path, way):
    written = report_study(small_study(tmp_path / "crew"), tmp_path / "out", kind="brief", **way)
    assert (ALONE in closing_talk(written.verdict, written.remarks)) == bool(way)
