"""A season of sessions of 60 people, estimated file by file: memory does not hold the season."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

STATUS = Path("/proc/self/status")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not STATUS.exists(), reason="the system does not tell a process's memory"),
]
# what the system tells of a child begins with the memory of the runner that it was forked from
RUN = """
import atexit, runpy, sys
from pathlib import Path
def tell():
    lines = Path("/proc/self/status").read_text().splitlines()
    sys.stderr.write(next(line for line in lines if line.startswith("VmHWM")) + "\\n")
atexit.register(tell)
runpy.run_module("agreement", run_name="__main__", alter_sys=True)
"""
PEOPLE, SESSIONS, SAMPLES = 60, 84, 1000  # 5 040 000 samples
FIRST = pd.Timestamp("2026-01-05T07:00:00Z")


def run_text(speed, rng):
    """Return the samples of one steady run, every 2 s, as a file holds them."""
    pulse = 60 + 2.5 * (3.5 + 0.2 * speed * 1000 / 60) + rng.normal(0, 1, SAMPLES)
    frame = pd.DataFrame(
        {
            "t_s": 2 * np.arange(SAMPLES),
            "hr_bpm": np.rint(pulse).astype(int),
            "speed_m_s": np.round(speed / 3.6 + rng.normal(0, 0.05, SAMPLES), 2),
        }
    )
    return frame.to_csv(index=False)


@pytest.fixture
def season(tmp_path):
    root = tmp_path / "season"
    (root / "samples").mkdir(parents=True)
    (root / "study.toml").write_text('[study]\ntime_zone = "UTC"\n', encoding="utf-8")
    rng = np.random.default_rng(1)
    texts = [run_text(speed, rng) for speed in np.linspace(9, 12.5, SESSIONS)]
    people = [f"P{i:02}" for i in range(PEOPLE)]
    rows = [
        {
            "session_id": f"{name}S{j:02}",
            "athlete_id": name,
            "started_at": (FIRST + pd.Timedelta(days=j)).isoformat(),
            "mode": "run",
            "duration_min": SAMPLES / 30,
        }
        for name in people
        for j in range(SESSIONS)
    ]
    for i, row in enumerate(rows):
        (root / "samples" / f"{row['session_id']}.csv").write_text(texts[i * 5 % SESSIONS])
    pd.DataFrame(rows).to_csv(root / "sessions.csv", index=False)
    tests = pd.DataFrame({"lab_test_id": [f"T{p}" for p in people], "athlete_id": people})
    tests = tests.assign(date="2026-03-20", mode="run", vo2max_ml_kg_min=52, hr_max_bpm=190)
    tests.to_csv(root / "lab_tests.csv", index=False)
    return root


def test_a_season_of_60_people_takes_less_than_a_gigabyte(season, told, tmp_path):
    out = tmp_path / "estimates.csv"
    command = [sys.executable, "-c", RUN, "estimate", str(season), "--out", str(out)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert len(pd.read_csv(out)) > PEOPLE * SESSIONS / 2
    peak = int(done.stderr.split("VmHWM:")[1].split()[0]) / 1e3
    size = f"{PEOPLE * SESSIONS * SAMPLES:,} samples"
    told("memory for a season of 60 people", peak, size=size, must=1000, aim=400, unit="MB")
