"""A small registry whose estimates come in parts."""

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

START = np.datetime64("2026-01-01")
TOML = """
[study]
time_zone = "UTC"
[profile]
use = "stated"
[margin]
limit_ml_kg_min = 8
mean_limit_ml_kg_min = 2
agreed_on = 2025-12-01
"""


def estimates(rows: int, athletes: int, rng: np.random.Generator) -> pd.DataFrame:
    """Return dirty estimates: copies, a stale run, strangers, a missing and an impossible value."""
    who = rng.integers(0, athletes + 3, rows)  # the last three have no laboratory test
    who[who == 1] = 2  # the first one has nothing but the stale run below
    when = START + rng.integers(0, 120 * 24, rows).astype("timedelta64[h]")
    value = np.round(40 + who % 25 + rng.normal(0, 2, rows), 1)
    frame = pd.DataFrame(
        {
            "athlete_id": [f"p{i:03d}" for i in who],
            "taken_at": np.datetime_as_string(when, unit="s"),
            "method": np.array(["wrist", "chest"])[rng.integers(0, 2, rows)],
            "mode": np.array(["run", "cycle"])[(rng.random(rows) < 0.1).astype(int)],
            "vo2max_ml_kg_min": value,
            "sensor": np.array(["chest_strap", "wrist_optical"])[rng.integers(0, 2, rows)],
            "set_mass_kg": np.where(rng.random(rows) < 0.3, 80.0, 70.0),
        }
    )
    run = START + np.arange(60, 90).astype("timedelta64[D]") + np.timedelta64(7, "h")
    stale = pd.DataFrame(
        {
            "athlete_id": "p001",
            "taken_at": np.datetime_as_string(run, unit="s"),
            "method": "wrist",
            "mode": "run",
            "vo2max_ml_kg_min": 47.0,
            "sensor": "chest_strap",
            "set_mass_kg": 70.0,
        }
    )
    frame.loc[3, "vo2max_ml_kg_min"] = np.nan
    frame.loc[5, "vo2max_ml_kg_min"] = 400.0
    whole = pd.concat([frame, stale, frame.iloc[:40]], ignore_index=True)
    return whole.sample(frac=1, random_state=3, ignore_index=True)


def write_registry(folder: Path, *, athletes: int = 40, rows: int = 3000, parts: int = 3) -> Path:
    """Write the study; the parts are CSV, Parquet, CSV and so on."""
    rng = np.random.default_rng(7)
    (folder / "field_estimates").mkdir(parents=True)
    (folder / "study.toml").write_text(TOML)
    ids = [f"p{i:03d}" for i in range(athletes)]
    day = START + rng.integers(40, 110, athletes).astype("timedelta64[D]")
    first = pd.DataFrame(
        {
            "lab_test_id": [f"t{i:03d}a" for i in range(athletes)],
            "athlete_id": ids,
            "date": day.astype(str),
            "mode": "run",
            "vo2max_ml_kg_min": np.round(
                40 + np.arange(athletes) % 25 + rng.normal(0, 1, athletes), 1
            ),
            "averaging_rule": "moving 30 s",
            "mass_kg": 70,
        }
    )
    later = (day + np.timedelta64(30, "D")).astype(str)
    again = first.assign(lab_test_id=[f"t{i:03d}b" for i in range(athletes)], date=later)
    pd.concat([first, again[::2]]).to_csv(folder / "lab_tests.csv", index=False)
    profile = np.array(["low", "mixed", "high"])[np.arange(athletes) % 3]
    pd.DataFrame(
        {"athlete_id": ids, "training_profile": profile, "hr_limiting_drug": "no", "mass_kg": 70}
    ).to_csv(folder / "athletes.csv", index=False)
    whole = estimates(rows, athletes, rng)
    for part in range(parts):
        some = whole.iloc[part::parts]
        path = folder / "field_estimates" / f"part-{part}"
        if part % 2:
            times = pd.to_datetime(some["taken_at"], utc=True)
            some.assign(taken_at=times).to_parquet(path.with_suffix(".parquet"), index=False)
        else:
            some.to_csv(path.with_suffix(".csv"), index=False)
    return folder


@pytest.fixture(scope="session")
def registry_writer():
    """Return what writes a registry of any size."""
    pytest.importorskip("pyarrow", reason="studies in parts need the extra `scale`")
    return write_registry


@pytest.fixture(scope="session")
def registry_once(registry_writer, tmp_path_factory):
    """Write it once; nobody changes this one."""
    return registry_writer(tmp_path_factory.mktemp("registry") / "registry")


@pytest.fixture
def registry(registry_once, tmp_path):
    """Return a copy to break."""
    return shutil.copytree(registry_once, tmp_path / "registry")
