"""Memory and processor seconds of a report on very many athletes, or methods: bounded."""

import sys
import time

import numpy as np
import pandas as pd
import psutil
import pytest

ATHLETES = 20_000
MEMORY = 1.5e9  # bytes of all processes together, shared pages counted once
SECONDS = 150.0  # of a processor; 47 measured
METHODS = 300
SECONDS_OF_METHODS = 120.0  # of a processor: a minute of two
STUDY = """[study]
time_zone = "UTC"
[margin]
limit_ml_kg_min = 7
agreed_on = 2026-01-10
against = "laboratory test"
[reference]
sem_ml_kg_min = 1.8
sem_degrees_of_freedom = 20
"""


def study(root):
    """Two laboratory tests and six readings before each, of every athlete."""
    rng = np.random.default_rng(1)
    ids = np.char.add("A", np.char.zfill(np.arange(ATHLETES).astype(str), 6))
    truth, mass = rng.normal(48, 7, ATHLETES), rng.normal(72, 10, ATHLETES).round(1)
    first = np.datetime64("2026-03-02") + rng.integers(0, 20, ATHLETES).astype("timedelta64[D]")
    own, tests, readings = truth + rng.normal(1, 2.2, ATHLETES), [], []
    for visit in (0, 60):
        day = first + np.timedelta64(visit, "D")
        told = {"athlete_id": ids, "mode": "run"}
        value = (truth + rng.normal(0, 1.8, ATHLETES)).round(1)
        test = {"lab_test_id": np.char.add(ids, f"-{visit}"), "date": day, "mass_kg": mass}
        test |= {"vo2max_ml_kg_min": value, "averaging_rule": "moving 30 s"}
        test |= {"rer_max": rng.normal(1.16, 0.03, ATHLETES).round(2)}
        tests.append(pd.DataFrame(told | test))
        for back in range(6, 0, -1):
            at = (day - np.timedelta64(back, "D")).astype(str)
            minute = np.char.zfill(rng.integers(0, 60, ATHLETES).astype(str), 2)
            reading = {"taken_at": np.char.add(np.char.add(at, "T07:"), minute), "method": "wrist"}
            reading |= {"vo2max_ml_kg_min": (own + rng.normal(0, 0.8, ATHLETES)).round(1)}
            readings.append(pd.DataFrame(told | reading))
    return written(root, tests, readings)


def of_many_methods(root):
    """Two laboratory tests of 30 athletes, two readings of each of 300 methods before each."""
    rng, people = np.random.default_rng(1), 30
    ids = np.char.add("A", np.char.zfill(np.arange(people).astype(str), 3))
    truth, mass = rng.normal(48, 7, people), rng.normal(72, 10, people).round(1)
    first = np.datetime64("2026-03-02") + rng.integers(0, 20, people).astype("timedelta64[D]")
    told, tests, readings = {"athlete_id": ids, "mode": "run"}, [], []
    for visit in (0, 60):
        day = first + np.timedelta64(visit, "D")
        test = {"lab_test_id": np.char.add(ids, f"-{visit}"), "date": day, "mass_kg": mass}
        test |= {"vo2max_ml_kg_min": (truth + rng.normal(0, 1.8, people)).round(1)}
        tests.append(pd.DataFrame(told | test | {"averaging_rule": "moving 30 s", "rer_max": 1.15}))
        for method in range(METHODS):
            own = truth + np.random.default_rng(method).normal(method % 5 - 2, 2.2, people)
            for back in (2, 1):
                at = np.char.add((day - np.timedelta64(back, "D")).astype(str), "T07:30")
                value = (own + rng.normal(0, 0.8, people)).round(1)
                reading = {"taken_at": at, "method": f"m{method:03d}", "vo2max_ml_kg_min": value}
                readings.append(pd.DataFrame(told | reading))
    return written(root, tests, readings)


def written(root, tests, readings):
    root.mkdir()
    pd.concat(tests).to_csv(root / "lab_tests.csv", index=False)
    pd.concat(readings).to_csv(root / "field_estimates.csv", index=False)
    (root / "study.toml").write_text(STUDY)
    return root


def measured(study, out):
    """Return bytes of all processes of a report at once, shared pages once, and processor seconds."""
    command = [sys.executable, "-m", "agreement", "report", study, "--out", out, "--no-cache"]
    most, seconds, process = 0.0, {}, psutil.Popen([*map(str, command)])
    while process.poll() is None:
        now = 0
        for one in (process, *process.children(recursive=True)):
            try:
                now += one.memory_full_info().pss
                seconds[one.pid] = sum(one.cpu_times()[:2])
            except psutil.Error:  # it has just ended
                continue
        most = max(most, now)
        time.sleep(0.5)
    assert process.returncode == 0
    print(f"{most / 1e6:.0f} MB, {sum(seconds.values()):.0f} s of a processor")  # noqa: T201 -s shows it
    return most, sum(seconds.values())


@pytest.mark.slow
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="shared pages are told on Linux")
def test_a_report_of_twenty_thousand_athletes_is_bounded(tmp_path):
    most, seconds = measured(study(tmp_path / "study"), tmp_path / "out")
    assert most < MEMORY
    assert seconds < SECONDS


@pytest.mark.slow
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="shared pages are told on Linux")
def test_a_report_of_three_hundred_methods_is_bounded(tmp_path):
    _, seconds = measured(of_many_methods(tmp_path / "study"), tmp_path / "out")
    assert seconds < SECONDS_OF_METHODS
