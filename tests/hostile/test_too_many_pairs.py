"""A study of more athletes than a report that names everybody takes."""

import shutil

import pytest
from small_study import BARE, write_folder
from typer.testing import CliRunner

from agreement import cli
from agreement.report.run import reading


@pytest.fixture
def study(tmp_path, monkeypatch):

    monkeypatch.setattr(reading, "MOST_PAIRS", -1)
    return write_folder(BARE, tmp_path / "crew")


def report(study, out):
    return CliRunner().invoke(cli.app, ["report", str(study), "--out", str(out), "--no-cache"])


def test_too_many_pairs_are_said_early_and_nothing_is_written(study, tmp_path):
    done = report(study, tmp_path / "out")
    assert done.exit_code == 2
    (line,) = done.stderr.splitlines()
    assert "takes up to -1" in line
    assert "Move the field estimates into a folder 'field_estimates'" in line
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
def test_in_a_folder_they_become_a_page_for_a_registry(study, tmp_path):
    pytest.importorskip("pyarrow")
    parts = study / "field_estimates"
    parts.mkdir()
    shutil.move(study / "field_estimates.csv", parts / "part-1.csv")
    done = report(study, tmp_path / "out")
    assert done.exit_code == 0, done.stderr
    assert not (tmp_path / "out" / "athlete_cards.csv").exists()
    assert (tmp_path / "out" / "report.html").exists()
