"""A watched report: written again at each change, and a plain report once nobody watches."""

import signal
import sys
import threading
from contextlib import closing

import pytest

from agreement.errors import OutputError, TableError
from agreement.report.run import watch
from agreement.report.run.own_report import changed_files, seal
from agreement.report.run.write import WrittenReport
from agreement.signals import HEARD, hear

PAGE = '<html>\n<head>\n<meta charset="utf-8">\n<title>t</title>'


def written(out):
    """Write what stands for a report."""
    (out / "report.html").write_text(PAGE)
    (out / "provenance.json").write_text('{"written_by": "agreement"}')
    (out / "mine.txt").write_text("not a report's")
    seal(out)
    return WrittenReport(out, ("report.html",), (), ())


def test_an_interrupt_leaves_a_plain_page_though_nothing_else_is_written_after_one(
    tmp_path, monkeypatch
):
    for module, name in ((sys, "unraisablehook"), (threading, "excepthook")):
        monkeypatch.setattr(module, name, getattr(module, name))  # which `hear` replaces
    monkeypatch.setattr(watch, "write_report", lambda *_: written(tmp_path))
    monkeypatch.setattr(watch, "_wait", lambda _: hear(signal.SIGINT, None))
    try:
        reports = watch.watched_reports(tmp_path, tmp_path)
        assert next(reports).folder == tmp_path
        assert (tmp_path / "report.html").read_text() != PAGE
        with pytest.raises(KeyboardInterrupt):
            next(reports)
    finally:
        HEARD.clear()
    assert (tmp_path / "report.html").read_text() == PAGE
    assert changed_files(tmp_path) == []


def test_each_change_is_written_a_fault_is_told_and_the_end_leaves_a_plain_page(
    tmp_path, monkeypatch
):
    study, out = tmp_path / "crew", tmp_path / "out"
    for folder in (study, out):
        folder.mkdir()
    (study / "lab_tests.csv").write_text("a")
    runs = []

    def write(*_, **ways):
        runs.append(ways)
        if len(runs) == 2:
            raise OutputError("full")
        return written(out)

    changes = []

    def wait(changed):
        assert not changed()
        changes.append(1)
        (study / "lab_tests.csv").write_text("a" * (1 + len(changes)))
        assert changed()
        (study / ".lock").write_text("x")  # ours: a run writes such files
        (study / "reports").mkdir(exist_ok=True)

    monkeypatch.setattr(watch, "write_report", write)
    monkeypatch.setattr(watch, "_wait", wait)
    with closing(watch.watched_reports(study, out, kind="squad")) as reports:
        assert next(reports).folder == out
        assert '<meta http-equiv="refresh"' in (out / "report.html").read_text()
        assert changed_files(out) == []
        assert isinstance(next(reports), OutputError)
        assert not isinstance(next(reports), TableError)
        (out / "theirs.txt").write_text("laid there meanwhile")
    assert (out / "report.html").read_text() == PAGE
    assert changed_files(out) == ["theirs.txt was added afterwards."]
    assert runs == [{"kind": "squad"}] * 3


def test_reports_inside_the_study_are_no_change_of_it(tmp_path):
    before = watch._stamps(tmp_path)
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "provenance.json").write_text("{}")
    (tmp_path / "out" / "results.csv").write_text("x")
    (tmp_path / ".out.agreement-lock").write_text("")
    assert watch._stamps(tmp_path) == before


def test_links_that_meet_are_looked_into_once(tmp_path):
    (tmp_path / "study").mkdir()
    (tmp_path / "raw").mkdir()
    for name in ("a", "b", "c"):
        (tmp_path / "study" / name).symlink_to(".")
    (tmp_path / "study" / "linked").symlink_to(tmp_path / "raw")
    before = watch._stamps(tmp_path / "study")
    (tmp_path / "raw" / "new.csv").write_text("x")
    assert watch._stamps(tmp_path / "study").keys() - before.keys()
