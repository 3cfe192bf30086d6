"""The guide: its scripts run, its links lead somewhere, its commands and words exist."""

import re
import runpy
import shutil
import sys
from pathlib import Path

import pytest
from typer.main import get_command

from agreement import cli
from agreement.report.run.explaining import explained

ROOT = Path(__file__).parents[1]
GUIDE = ROOT / "notebooks" / "guide"
PAGES = sorted(GUIDE.glob("*.md"))
SCRIPTS = sorted((GUIDE / "scripts").glob("*.py"))


@pytest.mark.parametrize(
    "script",
    [s if s.stem == "two_arrays" else pytest.param(s, marks=pytest.mark.slow) for s in SCRIPTS],
    ids=lambda path: path.stem,
)
def test_a_script_is_short_and_runs(script, tmp_path, monkeypatch, capsys):
    lines = [line for line in script.read_text(encoding="utf-8").splitlines() if line.strip()]
    assert len(lines) <= 11  # its docstring is the first
    study = tmp_path / "demo"
    shutil.copytree(ROOT / "demo_cohort", study)
    monkeypatch.setattr(sys, "argv", [script.name, str(study), str(tmp_path / "figure.svg")])
    if script.stem == "two_arrays":
        with pytest.warns(UserWarning, match="10 athletes"):
            runpy.run_path(str(script))
    else:
        runpy.run_path(str(script))
    assert capsys.readouterr().out or (tmp_path / "figure.svg").stat().st_size > 5000


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.stem)
def test_links_commands_and_words_of_a_page_exist(page):
    text = page.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)]+)\)", text):
        assert (GUIDE / target).exists(), target
    commands = get_command(cli.app).commands
    for name in re.findall(r"(?m)(?:`|^ *)agreement ([a-z]+)\b", text):
        assert name in commands, name
    for word in re.findall(r"`agreement explain ([a-z_]+)`", text):
        assert explained(word)
