"""
Samples of a registry's training sessions, in parts of many sessions, streamed by two workers.

`AGREEMENT_BENCHMARK_FULL=1` asks for 5e6 and 5e7 rows, generated in a temporary place.
"""

import os
import sys
import time

import numpy as np
import pandas as pd
import pytest

pa = pytest.importorskip("pyarrow", reason="studies in parts need the extra `scale`")
parquet = pytest.importorskip("pyarrow.parquet")

FULL = os.environ.get("AGREEMENT_BENCHMARK_FULL") == "1"
SIZES = (5_000_000, 50_000_000) if FULL else (250_000, 1_000_000)
pytestmark = pytest.mark.long if FULL else pytest.mark.slow
SAMPLES = 1000  # of a session: one every two seconds
SESSIONS = 250  # of a part
TEST = np.datetime64("2026-06-01T07:00:00")  # each athlete trains every day before it
PEOPLE = 500  # the same for all sizes: what grows is the sessions of each


def write_part(path, first, rng):
    """Write the samples of some sessions: steady runs, each a little faster than the one before."""
    speed = np.repeat(rng.uniform(2.4, 3.6, SESSIONS), SAMPLES)
    pulse = 60 + 2.5 * (3.5 + 0.2 * 60 * speed) + rng.normal(0, 1, speed.size)
    number = np.repeat(np.arange(SESSIONS, dtype=np.int32), SAMPLES)
    names = [f"s{first + i:06d}" for i in range(SESSIONS)]
    columns = {
        "session_id": pa.DictionaryArray.from_arrays(pa.array(number), names),
        "t_s": np.tile(2.0 * np.arange(SAMPLES), SESSIONS),
        "hr_bpm": np.rint(pulse),
        "speed_m_s": np.round(speed + rng.normal(0, 0.03, speed.size), 2),
    }
    parquet.write_table(pa.table(columns), path)


@pytest.fixture(params=SIZES, ids="{:,} samples".format)
def season(request, tmp_path):
    root, rows = tmp_path / "season", request.param
    (root / "samples").mkdir(parents=True)
    (root / "field_estimates").mkdir()
    (root / "study.toml").write_text('[study]\ntime_zone = "UTC"\n', encoding="utf-8")
    rng = np.random.default_rng(1)
    count = rows // SAMPLES
    for first in range(0, count, SESSIONS):
        write_part(root / "samples" / f"part-{first:06d}.parquet", first, rng)
    people, days_before = np.arange(count) % PEOPLE, 1 + np.arange(count) // PEOPLE
    sessions = {
        "session_id": [f"s{i:06d}" for i in range(count)],
        "athlete_id": [f"p{i:03d}" for i in people],
        "started_at": np.datetime_as_string(TEST - days_before.astype("timedelta64[D]"), unit="s"),
        "mode": "run",
        "duration_min": SAMPLES / 30,
    }
    pd.DataFrame(sessions).to_csv(root / "sessions.csv", index=False)
    ids = [f"p{i:03d}" for i in range(PEOPLE)]
    tests = pd.DataFrame({"lab_test_id": [f"t{i}" for i in ids], "athlete_id": ids})
    tests = tests.assign(date="2026-06-01", mode="run", vo2max_ml_kg_min=52, hr_max_bpm=190)
    tests.to_csv(root / "lab_tests.csv", index=False)
    one = {"athlete_id": ids, "taken_at": "2026-05-30T07:00:00Z", "method": "wrist", "mode": "run"}
    few = pd.DataFrame(one).assign(vo2max_ml_kg_min=50.0)
    few.to_parquet(root / "field_estimates" / "part.parquet", index=False)
    yield root, rows
    for path in (root / "samples").iterdir():  # gigabytes at the full size
        path.unlink()


def seconds_to_read(folder):
    """Return how long the Parquet alone takes, once it is in the system's cache."""
    taken = []
    for _ in range(2):
        start = time.perf_counter()
        for path in sorted(folder.iterdir()):
            parquet.read_table(path)
        taken.append(time.perf_counter() - start)
    return taken[-1]


PEAKS = {}


def test_samples_streamed_by_two_workers(season, seconds_of, peak_of, told, tmp_path):
    root, rows = season
    out = tmp_path / "out"
    command = [sys.executable, "-m", "agreement", "pair", str(root), "--out", str(out)]
    command += ["--workers", "2"]
    seconds, PEAKS[rows] = seconds_of(command), peak_of(command)
    flow = pd.read_csv(out / "flow.csv", index_col="file")
    assert flow.loc["samples", "rows_read"] == rows // SAMPLES
    if rows >= 5_000_000:  # ten sessions each, enough for estimates
        assert len(pd.read_csv(out / "pairs.csv")) > PEOPLE / 2
    size = f"{rows:,}"
    ratio = seconds / seconds_to_read(root / "samples")
    told("samples in parts, two workers", ratio, size=size, megabytes=PEAKS[rows])
    must, aim = 600, 400
    told("memory while streaming samples", PEAKS[rows], size=size, must=must, aim=aim, unit="MB")


def test_growth_of_memory_with_the_sessions(told):
    if set(PEAKS) != set(SIZES):
        pytest.skip("needs the measurements above")
    growth = 100 * (PEAKS[SIZES[1]] / PEAKS[SIZES[0]] - 1)
    size = f"{SIZES[0]:,} -> {SIZES[1]:,}"
    # ten times the sessions too, whose table is held as in any study
    told(
        "growth of that memory with the samples",
        growth,
        size=size,
        must=10 if FULL else None,
        unit="%",
    )
