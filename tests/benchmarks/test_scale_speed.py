"""
A registry, against reading its Parquet and no more, at three sizes.

The everyday sizes take a minute; `AGREEMENT_BENCHMARK_FULL=1` asks for 5e6, 2e7 and 5e7 rows.
"""

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from agreement.scale.cluster import cluster
from agreement.scale.engine import Engine, LocalEngine
from agreement.scale.streamed import inspect_streamed

pa = pytest.importorskip("pyarrow", reason="studies in parts need the extra `scale`")
parquet = pytest.importorskip("pyarrow.parquet")
pytestmark = pytest.mark.slow

FULL = os.environ.get("AGREEMENT_BENCHMARK_FULL") == "1"
SIZES = (5_000_000, 20_000_000, 50_000_000) if FULL else (250_000, 500_000, 1_000_000)
PROMISED = SIZES[1] if FULL else None  # below, starting the workers weighs more than the work
ATHLETES = 20_000 if FULL else 2_000  # the same for all sizes: what grows is the rows
PART = 1_000_000
DAY_0 = np.datetime64("2026-01-01")
TOML = '[study]\ntime_zone = "UTC"\n[profile]\nuse = "stated"\n'


def part(rows: int, seed: int) -> "pa.Table":
    rng = np.random.default_rng(seed)
    who = rng.integers(0, ATHLETES, rows)
    when = DAY_0 + rng.integers(0, 300 * 86_400, rows).astype("timedelta64[s]")
    lab = 40.0 + who % 25
    ids = pa.array([f"p{i:06d}" for i in range(ATHLETES)])
    return pa.table(
        {
            "athlete_id": ids.take(pa.array(who)),
            "taken_at": pa.array(when.astype("datetime64[us]")).cast(pa.timestamp("us", tz="UTC")),
            "method": pa.array(["wrist", "chest"]).take(pa.array(rng.integers(0, 2, rows))),
            "mode": pa.array(["run"]).take(pa.array(np.zeros(rows, np.int64))),
            "vo2max_ml_kg_min": np.round(lab + rng.normal(1, 2, rows), 1),
            "lab": lab,
        }
    )


@pytest.fixture(scope="module", params=SIZES, ids="{:,} rows".format)
def registry(request, tmp_path_factory):
    rows, folder = request.param, tmp_path_factory.mktemp("registry")
    (folder / "field_estimates").mkdir()
    (folder / "study.toml").write_text(TOML)
    size = min(PART, rows // 4)
    for number in range(rows // size):
        path = folder / "field_estimates" / f"part-{number:04d}.parquet"
        parquet.write_table(part(size, number), path, row_group_size=250_000)
    rng = np.random.default_rng(1)
    dates = DAY_0 + rng.integers(60, 240, ATHLETES).astype("timedelta64[D]")
    tests = {
        "lab_test_id": [f"t{i:06d}" for i in range(ATHLETES)],
        "athlete_id": [f"p{i:06d}" for i in range(ATHLETES)],
        "date": dates.astype(str),
        "vo2max_ml_kg_min": np.round(40 + np.arange(ATHLETES) % 25 + rng.normal(0, 1, ATHLETES), 1),
    }
    frame = pd.DataFrame(tests).assign(mode="run", averaging_rule="moving 30 s", mass_kg=70)
    frame.to_csv(folder / "lab_tests.csv", index=False)
    yield folder, rows
    for path in (folder / "field_estimates").iterdir():  # gigabytes at the full size
        path.unlink()


def seconds_to_read(folder: Path) -> float:
    """Return how long the Parquet alone takes, once it is in the system's cache."""
    paths = sorted((folder / "field_estimates").iterdir())
    taken = []
    for _ in range(3):
        start = time.perf_counter()
        for path in paths:
            parquet.read_table(path)
        taken.append(time.perf_counter() - start)
    return float(np.median(taken))


PEAKS: dict[int, float] = {}


def test_check_and_pair_streaming_with_two_workers(registry, seconds_of, peak_of, told, tmp_path):
    folder, rows = registry
    start = [sys.executable, "-m", "agreement"]
    workers = ["--workers", "2"]
    check = [*start, "check", str(folder), *workers]
    pair = [*start, "pair", str(folder), "--out", str(tmp_path / "o"), *workers]
    yardsticks, seconds = [seconds_to_read(folder)], 0.0
    for command in (check, pair):  # the yardstick in between: a machine is not always as fast
        seconds += seconds_of(command)
        yardsticks.append(seconds_to_read(folder))
    PEAKS[rows] = max(peak_of(check), peak_of(pair))
    promised = rows == PROMISED
    told(
        "check + pair streaming, two workers",
        seconds / float(np.median(yardsticks)),
        size=f"{rows:,}",
        must=25 if promised else None,
        aim=15 if promised else None,
        megabytes=PEAKS[rows],
    )
    left_out = pd.read_csv(tmp_path / "o" / "flow.csv")["excluded"].sum()
    told(
        "ledger on disk per million rows left out",
        sum(path.stat().st_size for path in (tmp_path / "o").glob("exclusions*/*")) / left_out,
        size=f"{rows:,}",
        must=20,
        aim=10,
        unit="MB",
    )
    told("memory while streaming", PEAKS[rows], size=f"{rows:,}", must=600, aim=450, unit="MB")


def test_memory_does_not_grow_with_the_rows(told):
    if set(PEAKS) != set(SIZES):
        pytest.skip("needs the measurements above")
    growth = PEAKS[SIZES[2]] / PEAKS[SIZES[0]] - 1
    size = f"{SIZES[0]:,} -> {SIZES[2]:,}"
    told("growth of that memory", 100 * growth, size=size, must=10 if FULL else None, unit="%")


def test_a_second_worker_helps(registry, seconds_of, told, tmp_path):
    folder, rows = registry
    if rows != SIZES[1]:
        pytest.skip("one size is enough")
    start = [sys.executable, "-m", "agreement", "pair", str(folder), "--out", str(tmp_path / "o")]
    taken: dict[int, list[float]] = {1: [], 2: []}
    gains = []
    for _ in range(2):  # in turns, and the better of each: a machine is not always as fast
        gains.append(gain_of_two_loops())
        for workers, seconds in taken.items():
            seconds.append(seconds_of([*start, "--workers", str(workers)]))
    gain = float(np.mean(gains))
    told("two plain loops: gain of a second processor", gain, unit="times")
    told(
        "the same over what a second worker gains in pair",
        gain * min(taken[2]) / min(taken[1]),
        size=f"{rows:,}",
        must=1 / 0.9 if FULL else None,  # starting workers weighs more at everyday sizes
        aim=1,
    )


def gain_of_two_loops():
    """Return how much more two processes do than one in plain Python: what the machine itself gives."""
    loop = [sys.executable, "-c", "s = 0\nfor i in range(30_000_000): s += i * i"]

    def seconds(count):
        begun = time.perf_counter()
        for process in [subprocess.Popen(loop) for _ in range(count)]:
            process.wait()
        return time.perf_counter() - begun

    return min(2.0, 2 * seconds(1) / seconds(2))


@pytest.fixture
def two_workers(registry, tmp_path):
    """Give the scheduler file of a cluster of two processes on this machine."""
    if registry[1] != SIZES[0]:
        pytest.skip("one size is enough")
    pytest.importorskip("distributed", reason="clusters need the extra `scale`")
    file = tmp_path / "scheduler.json"
    plain = ["--no-dashboard", "--scheduler-file", str(file)]
    plain += ["--interface", "lo"] if sys.platform == "linux" else []
    worker = ["dask_worker", "--nthreads", "1", "--no-nanny"]
    started = [
        subprocess.Popen(
            [sys.executable, "-m", f"distributed.cli.{name}", *more, *plain],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for name, *more in (["dask_scheduler", "--port", "0"], worker, worker)
    ]
    yield file
    for process in reversed(started):
        process.terminate()
    for process in started:
        try:
            process.wait(15)
        except subprocess.TimeoutExpired:  # a worker may wait for its scheduler
            process.kill()
            process.wait()


@pytest.mark.filterwarnings("ignore::DeprecationWarning:distributed")
@pytest.mark.filterwarnings("ignore::FutureWarning:distributed")
@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_a_warm_cluster_is_hardly_slower_than_processes(registry, two_workers, told, tmp_path):
    folder, rows = registry
    deadline = time.monotonic() + 60
    while not two_workers.exists():
        assert time.monotonic() < deadline
        time.sleep(0.1)

    def seconds(mapper: Engine, name: str) -> float:
        (tmp_path / name).mkdir()
        start = time.perf_counter()
        found, _ = inspect_streamed(folder, tmp_path / name, mapper)
        assert found is not None
        taken = time.perf_counter() - start
        shutil.rmtree(tmp_path / name)
        return taken

    with cluster(str(two_workers)) as mapper:
        seconds(mapper, "cold")
        warm = seconds(mapper, "warm")
    processes = min(seconds(LocalEngine(2), name) for name in ("first", "second"))
    told(
        "check and pair: warm cluster of two over two processes",
        warm / processes,
        size=f"{rows:,}",
        must=1.5,
    )
