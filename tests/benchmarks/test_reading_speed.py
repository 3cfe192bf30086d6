"""
Reading and checking estimates, against reading the same file and parsing its times and no more.

The everyday size takes seconds; `AGREEMENT_BENCHMARK_FULL=1` asks for the full one.
"""

import os
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

import numpy as np
import pandas as pd
import pytest

from agreement.tables.study import read_study

FULL = os.environ.get("AGREEMENT_BENCHMARK_FULL") == "1"
ROWS = 1_000_000 if FULL else 200_000
MUST = 2.5 if FULL else 4.0  # times the yardstick; fixed costs weigh more in a small study
ATHLETES = ROWS // 50


@pytest.fixture(scope="module", params=["one zone", "times as written"])
def study(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Estimates of two methods, with offsets of summer and winter, and a test for each athlete."""
    rng = np.random.default_rng(20260101)
    folder = tmp_path_factory.mktemp("reading")
    ids = np.array([f"A{i:05d}" for i in range(ATHLETES)])
    days = pd.Timestamp("2024-01-01") + pd.to_timedelta(
        rng.integers(0, 700 * 86_400, ROWS), unit="s"
    )
    offsets = np.where((days.month > 3) & (days.month < 11), "+02:00", "+01:00")
    pd.DataFrame(
        {
            "athlete_id": ids[rng.integers(0, ATHLETES, ROWS)],
            "taken_at": days.strftime("%Y-%m-%dT%H:%M:%S") + offsets,
            "method": np.array(["wrist a", "wrist b"])[rng.integers(0, 2, ROWS)],
            "mode": "run",
            "vo2max_ml_kg_min": np.round(rng.normal(50, 6, ROWS).clip(16, 79), 1),
            "sensor": np.array(["chest_strap", "wrist_optical"])[rng.integers(0, 2, ROWS)],
            "set_mass_kg": np.round(rng.normal(70, 8, ROWS).clip(40, 120), 1),
        }
    ).to_csv(folder / "field_estimates.csv", index=False)
    tests = {"lab_test_id": [f"T{i}" for i in range(ATHLETES)], "athlete_id": ids}
    same = {"date": "2025-01-01", "mode": "run", "vo2max_ml_kg_min": 50.5}
    pd.DataFrame(tests | same | {"averaging_rule": "moving 30 s"}).to_csv(
        folder / "lab_tests.csv", index=False
    )
    zone = 'time_zone = "Europe/Oslo"\n' if request.param == "one zone" else ""
    (folder / "study.toml").write_text(f"[study]\n{zone}")
    return folder


def seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


@pytest.mark.slow
def test_reading_and_checking_costs_little_more_than_reading(study: Path, capsys) -> None:
    path = study / "field_estimates.csv"

    def yardstick() -> None:
        pd.to_datetime(pd.read_csv(path)["taken_at"], utc=True)

    def ours() -> None:
        tables = read_study(study)
        assert len(tables.field_estimates) == ROWS

    ours()
    yardstick()
    ratios = [seconds(ours) / seconds(yardstick) for _ in range(5)]
    with capsys.disabled():
        print(f"\nread and check {ROWS:,} estimates: {median(ratios):.2f} x (must {MUST})")  # noqa: T201  # the measurement is the point
    assert median(ratios) <= MUST
