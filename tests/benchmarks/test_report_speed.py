"""
Reports: time against running and rendering one cell, peak memory, size of the page.

Of the demo for the first time, after a changed question, after one corrected laboratory row, while
watched; of 16 athletes with two tables. Memory is the largest sum over all processes, shared pages
once, seen every 20 ms. All run as installed programs do: compiled once, whatever the environment of
the tests says.
"""

import os
import shutil
import signal
import statistics
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

DEMO = Path(__file__).parents[2] / "demo_cohort"
ONE_CELL = """
import nbformat
from nbclient import NotebookClient
from nbconvert import HTMLExporter
notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell("1 + 1")])
HTMLExporter().from_notebook_node(NotebookClient(notebook).execute())
"""
MUST = {"squad": 2.2, "validation": 3.0, "audit": 3.0}  # times the yardstick
AIM = 1.6
MUST_MB, AIM_MB, MUST_PAGE_MB, AIM_PAGE_MB = 560, 450, 2, 1
RUNS = 3
YARDSTICK = [sys.executable, "-c", ONE_CELL]


def report_of(study, out, *more):
    """Return the command that writes a report."""
    return [sys.executable, "-m", "agreement", *map(str, ("report", study, "--out", out, *more))]


def peak_of(command):
    """Return the peak memory [MB] of a command with all its children."""
    import psutil

    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    watched, peak = psutil.Process(process.pid), 0
    while process.poll() is None:
        try:
            family = [watched, *watched.children(recursive=True)]
            held = (one.memory_full_info() for one in family)
            peak = max(peak, sum(getattr(one, "pss", one.rss) for one in held))
        except psutil.Error:  # one of them ended meanwhile
            pass
        time.sleep(0.02)
    assert process.returncode == 0
    return peak / 1e6


@pytest.fixture(autouse=True, scope="module")
def compiled(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patched:
        patched.delenv("PYTHONDONTWRITEBYTECODE", raising=False)
        patched.setenv("PYTHONPYCACHEPREFIX", str(tmp_path_factory.mktemp("compiled")))
        study = shutil.copytree(DEMO, tmp_path_factory.mktemp("first") / "demo")
        for one in (YARDSTICK, report_of(study, study.parent / "out", "--no-cache")):
            subprocess.run(one, capture_output=True, check=True)
        yield


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    return shutil.copytree(DEMO, tmp_path_factory.mktemp("speed") / "demo")


@pytest.mark.slow
@pytest.mark.parametrize("kind", MUST)
def test_a_report_of_the_demo(kind, demo, seconds_of, tmp_path, told):
    out = tmp_path / "out"
    command = report_of(demo, out, "--report", kind, "--no-cache")
    # in turns: a machine is not always as fast
    ratio = statistics.median(seconds_of(command) / seconds_of(YARDSTICK) for _ in range(RUNS))
    peak = peak_of(command)
    page = (out / "report.html").stat().st_size / 1e6
    work = f"{kind} report of the demo"
    told(f"{work}: page", page, must=MUST_PAGE_MB, aim=AIM_PAGE_MB, unit="MB")
    told(f"{work}: all processes", peak, must=MUST_MB, aim=AIM_MB, unit="MB")
    told(work, ratio, must=MUST[kind], aim=AIM, megabytes=peak)


@pytest.fixture
def kept(monkeypatch, tmp_path):
    """A place of this test's own for what reports keep."""
    monkeypatch.setenv("AGREEMENT_CACHE", str(tmp_path / "cache"))


def ask(study, number):
    """Change the question of a study."""
    toml = study / "study.toml"
    lines = toml.read_text(encoding="utf-8").splitlines()
    lines = [
        f'question = "Is {number} enough?"' if one.startswith("question") else one for one in lines
    ]
    toml.write_text("\n".join(lines) + "\n", encoding="utf-8")


def correct(study, number):
    """Change one value of the laboratory: of a test without breaths, so that it counts."""
    table = study / "laboratory.csv"
    text = table.read_text(encoding="latin-1")
    head, first, second, rest = text.split("\n", 3)
    cells = second.split(";")
    assert not (study / "breaths" / f"{cells[0]}.csv").exists()
    cells[head.split(";").index("vo2max_ml_kg_min")] = f"53,{number}"
    table.write_text("\n".join([head, first, ";".join(cells), rest]), encoding="latin-1")


@pytest.mark.slow
@pytest.mark.usefixtures("kept")
@pytest.mark.parametrize(
    ("change", "work", "must", "aim"),
    [
        (ask, "the same after a changed question", 0.7, 0.5),
        (correct, "the same after one corrected laboratory row", 1.2, 0.8),
    ],
)
def test_a_report_again(change, work, must, aim, seconds_of, tmp_path, told):
    study, out = shutil.copytree(DEMO, tmp_path / "demo"), tmp_path / "out"
    seconds_of(report_of(study, out))
    seconds_of(report_of(study, out))
    ratios = []
    for number in range(RUNS):
        change(study, number)
        ratios.append(seconds_of(report_of(study, out)) / seconds_of(YARDSTICK))
    told(work, statistics.median(ratios), must=must, aim=aim)


@pytest.mark.slow
@pytest.mark.usefixtures("kept")
def test_a_watched_report_after_a_changed_question(seconds_of, tmp_path, told):
    study, out = shutil.copytree(DEMO, tmp_path / "demo"), tmp_path / "out"
    seconds_of(report_of(study, out))
    quiet = {"stdout": subprocess.PIPE, "stderr": subprocess.DEVNULL}
    with subprocess.Popen(report_of(study, out, "--watch"), **quiet) as watching:
        watching.stdout.readline()
        ratios = []
        for number in range(RUNS):
            ask(study, number)
            start = time.perf_counter()
            watching.stdout.readline()
            ratios.append((time.perf_counter() - start) / seconds_of(YARDSTICK))
        os.kill(watching.pid, signal.SIGINT)
        assert watching.wait(60) == 0
    told("the same while watched", statistics.median(ratios), must=0.3, aim=0.15)


@pytest.mark.slow
def test_a_report_of_sixteen_athletes(seconds_of, tmp_path, told):
    study = tmp_path / "crew"
    study.mkdir()
    lines = ["[study]", 'time_zone = "UTC"']
    (study / "study.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    rng = np.random.default_rng(1)
    tests, readings = [], []
    for one in range(16):
        value = rng.normal(50, 6)
        tests.append(f"T{one},A{one},2026-03-20,run,{value:.1f}")
        readings += [
            f"A{one},2026-03-{day}T07:00:00,watch,run,{value + rng.normal(1, 3):.1f}"
            for day in (15, 17, 19)
        ]
    heads = {
        "lab_tests": ("lab_test_id,athlete_id,date,mode,vo2max_ml_kg_min", tests),
        "field_estimates": ("athlete_id,taken_at,method,mode,vo2max_ml_kg_min", readings),
    }
    for name, (head, rows) in heads.items():
        (study / f"{name}.csv").write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    command = report_of(study, tmp_path / "out", "--no-cache")
    ratio = statistics.median(seconds_of(command) / seconds_of(YARDSTICK) for _ in range(RUNS))
    told("16 athletes, two tables", ratio, must=0.9, aim=0.6)
