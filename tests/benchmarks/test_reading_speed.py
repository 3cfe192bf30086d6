"""Reading and checking estimates, against reading the same file and parsing its times alone."""

import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import NamedTuple

import numpy as np
import pandas as pd
import pytest

from agreement.tables.study import read_study

SIZES = (50_000, 200_000, 1_000_000)
PROMISED = 1_000_000


class Study(NamedTuple):
    """A study folder, and how many estimates it has with which times."""

    folder: Path
    rows: int
    times: str


@pytest.fixture(
    scope="module",
    params=[*((rows, "one zone") for rows in SIZES), (200_000, "times as written")],
    ids=str,
)
def study(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Study:
    """Estimates of two methods, with offsets of summer and winter, and a test for each athlete."""
    rows, times = request.param
    athletes = rows // 50
    rng = np.random.default_rng(20260101)
    folder = tmp_path_factory.mktemp("reading")
    ids = np.array([f"A{i:05d}" for i in range(athletes)])
    days = pd.Timestamp("2024-01-01") + pd.to_timedelta(
        rng.integers(0, 700 * 86_400, rows), unit="s"
    )
    offsets = np.where((days.month > 3) & (days.month < 11), "+02:00", "+01:00")
    pd.DataFrame(
        {
            "athlete_id": ids[rng.integers(0, athletes, rows)],
            "taken_at": days.strftime("%Y-%m-%dT%H:%M:%S") + offsets,
            "method": np.array(["wrist a", "wrist b"])[rng.integers(0, 2, rows)],
            "mode": "run",
            "vo2max_ml_kg_min": np.round(rng.normal(50, 6, rows).clip(16, 79), 1),
            "sensor": np.array(["chest_strap", "wrist_optical"])[rng.integers(0, 2, rows)],
            "set_mass_kg": np.round(rng.normal(70, 8, rows).clip(40, 120), 1),
        }
    ).to_csv(folder / "field_estimates.csv", index=False)
    tests = {"lab_test_id": [f"T{i}" for i in range(athletes)], "athlete_id": ids}
    same = {"date": "2025-01-01", "mode": "run", "vo2max_ml_kg_min": 50.5}
    pd.DataFrame(tests | same | {"averaging_rule": "moving 30 s"}).to_csv(
        folder / "lab_tests.csv", index=False
    )
    zone = 'time_zone = "Europe/Oslo"\n' if times == "one zone" else ""
    (folder / "study.toml").write_text(f"[study]\n{zone}")
    return Study(folder, rows, times)


def seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


@pytest.mark.slow
def test_reading_and_checking_costs_little_more_than_reading(study: Study, told) -> None:
    path = study.folder / "field_estimates.csv"

    def yardstick() -> None:
        pd.to_datetime(pd.read_csv(path)["taken_at"], utc=True)

    def ours() -> None:
        tables = read_study(study.folder)
        assert len(tables.field_estimates) == study.rows

    ours()
    yardstick()
    ratio = median(seconds(ours) / seconds(yardstick) for _ in range(5))
    must, aim = (2.5, 1.7) if study.rows == PROMISED else (None, None)
    told(
        f"read and check estimates, {study.times}",
        ratio,
        size=f"{study.rows:,}",
        must=must,
        aim=aim,
    )
