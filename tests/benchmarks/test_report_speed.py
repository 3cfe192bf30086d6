"""
The demo's reports: time against running and rendering one cell, peak memory, size of the page.

Memory is the largest sum over all processes, shared pages in each, seen every 20 ms.
"""

import shutil
import statistics
import subprocess
import sys
import time
from pathlib import Path

import pytest

DEMO = Path(__file__).parents[2] / "demo_cohort"
ONE_CELL = """
import nbformat
from nbclient import NotebookClient
from nbconvert import HTMLExporter
notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell("1 + 1")])
HTMLExporter().from_notebook_node(NotebookClient(notebook).execute())
"""
MUST = {"squad": 4.0, "validation": 4.5, "audit": 4.5}  # times the yardstick
AIM = 2.0
MUST_MB, AIM_MB, MUST_PAGE_MB, AIM_PAGE_MB = 700, 450, 4, 2
RUNS = 3


def peak_of(command):
    """Return the peak memory [MB] of a command with all its children."""
    import psutil

    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    watched, peak = psutil.Process(process.pid), 0
    while process.poll() is None:
        try:
            family = [watched, *watched.children(recursive=True)]
            peak = max(peak, sum(one.memory_info().rss for one in family))
        except psutil.Error:  # one of them ended meanwhile
            pass
        time.sleep(0.02)
    assert process.returncode == 0
    return peak / 1e6


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    return shutil.copytree(DEMO, tmp_path_factory.mktemp("speed") / "demo")


@pytest.mark.slow
@pytest.mark.parametrize("kind", MUST)
def test_a_report_of_the_demo(kind, demo, seconds_of, tmp_path, told):
    out = tmp_path / "out"
    command = [sys.executable, "-m", "agreement", "report", demo, "--out", out, "--report", kind]
    command = list(map(str, command))
    yardstick = [sys.executable, "-c", ONE_CELL]
    # in turns: a machine is not always as fast
    ratio = statistics.median(seconds_of(command) / seconds_of(yardstick) for _ in range(RUNS))
    peak = peak_of(command)
    page = (out / "report.html").stat().st_size / 1e6
    work = f"{kind} report of the demo"
    told(f"{work}: page", page, must=MUST_PAGE_MB, aim=AIM_PAGE_MB, unit="MB")
    told(f"{work}: all processes", peak, must=MUST_MB, aim=AIM_MB, unit="MB")
    told(work, ratio, must=MUST[kind], aim=AIM, megabytes=peak)
