"""
Pairing a million readings, against sorting and joining the same frames as of a date.

The everyday size takes seconds; `AGREEMENT_BENCHMARK_FULL=1` asks for the full one.
"""

import os
import sys
import time
import tracemalloc
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from agreement.pairing import pair
from agreement.tables.options import StudyOptions
from agreement.terms import EXCLUSION_COLUMNS

FULL = os.environ.get("AGREEMENT_BENCHMARK_FULL") == "1"
READINGS, TESTS = (1_000_000, 100_000) if FULL else (200_000, 20_000)
MUST = 2.5 if FULL else 4.0  # times the yardstick; fixed costs weigh more in a small study
MUST_BYTES = 1_000_000_000 * READINGS // 1_000_000  # above the inputs


def text(values: object, size: int) -> pd.Series:
    """Return a text column, of one value or of many."""
    array = pd.array([values], dtype="str").repeat(size) if isinstance(values, str) else values
    return pd.Series(pd.array(array, dtype="str"))


def dates(days: np.ndarray) -> np.ndarray:
    return (np.datetime64("2026-01-01", "D") + days).astype("datetime64[us]")


@pytest.fixture(scope="module")
def cohort() -> SimpleNamespace:
    """Two tests per athlete, readings of two methods around them, some far away, 2 % of them twice."""
    rng = np.random.default_rng(20260101)
    ids = np.array([f"athlete-{i:06d}" for i in range(TESTS // 2)])
    athlete = np.tile(np.arange(TESTS // 2), 2)
    test_day = np.repeat([60, 102], TESTS // 2) + rng.integers(-10, 11, TESTS)
    laboratory = pd.DataFrame({"lab_test_id": text([f"T{i:06d}" for i in range(TESTS)], TESTS)})
    laboratory = laboratory.assign(
        athlete_id=text(ids[athlete], TESTS),
        date=dates(test_day),
        mode=text("run", TESTS),
        lab=rng.normal(50, 6, TESTS),
        mass_kg=70.0,
        averaging_rule=text("moving 30 s", TESTS),
        max_confirmed=text("yes", TESTS),
        hr_max_bpm=190.0,
        sex=text("female", TESTS),
        age_years=30.0,
        hr_limiting_drug=text("no", TESTS),
        training_profile=text("steady", TESTS),
        profile_borderline=text("no", TESTS),
        file=text("lab_tests.csv", TESTS),
        row=np.arange(TESTS) + 2,
    )
    near = rng.integers(0, TESTS, READINGS)
    day = test_day[near] - rng.integers(-2, 18, READINGS)
    instant = dates(day) + rng.integers(0, 86_400, READINGS).astype("timedelta64[s]")
    frame = pd.DataFrame({"source": text("field_estimates", READINGS)}).assign(
        file=text("field_estimates.csv", READINGS),
        row=np.arange(READINGS) + 2,
        id=text(ids[athlete[near]], READINGS),
        athlete_id=text(ids[athlete[near]], READINGS),
        instant=instant,
        date=dates(day),
        method=text(
            np.array(["left wrist", "right wrist"])[rng.integers(0, 2, READINGS)], READINGS
        ),
        mode=text(np.array(["run", "walk"])[(rng.random(READINGS) < 0.1).astype(int)], READINGS),
        field=np.round(rng.normal(50, 6, READINGS)),
        field_l_min=np.nan,
        sensor=text("chest_strap", READINGS),
        set_mass_kg=np.nan,
        set_hr_max_bpm=np.nan,
        set_age_years=np.nan,
    )
    again = np.arange(READINGS)
    again[rng.choice(READINGS, READINGS // 50, replace=False)] = 0  # copies of the first row
    again[: READINGS // 50] = rng.integers(0, READINGS, READINGS // 50)  # and of others
    frame = frame.iloc[again].reset_index(drop=True).assign(row=np.arange(READINGS) + 2)
    return SimpleNamespace(laboratory=laboratory, readings=frame)


def pair_cohort(cohort: SimpleNamespace) -> object:
    nothing = pd.DataFrame(columns=EXCLUSION_COLUMNS, dtype="str").astype({"row": "Int64"})
    study = SimpleNamespace(
        options=StudyOptions(),
        athletes=None,
        sessions=None,
        breaths={},
        samples={},
        parts=None,
        set_aside=nothing,
        withdrawn={},
        rows_read={"lab_tests": TESTS, "field_estimates": READINGS},
        names={"lab_tests": "lab_tests.csv", "field_estimates": "field_estimates.csv"},
    )
    readings = SimpleNamespace(
        frame=cohort.readings,
        members=pd.DataFrame({"reading": np.array([], np.int64)}),
        profile_rows=None,
        set_aside=nothing,
        heart_rate_based={},
    )
    laboratory = SimpleNamespace(frame=cohort.laboratory, set_aside=nothing)
    return pair(study, laboratory, readings)


def sort_and_join(cohort: SimpleNamespace) -> object:
    """Sort both by date and join each reading with the next test: no ledger, no summary."""
    readings = cohort.readings.sort_values("date")
    tests = cohort.laboratory.sort_values("date")
    return pd.merge_asof(
        readings,
        tests,
        on="date",
        by="athlete_id",
        direction="forward",
        tolerance=pd.Timedelta(days=14),
    )


def seconds(work: object, cohort: SimpleNamespace) -> float:
    start = time.perf_counter()
    work(cohort)
    return time.perf_counter() - start


@pytest.mark.slow
def test_pairing_takes_at_most_two_and_a_half_times_a_sort_and_join(cohort, capsys):
    ours, yardstick = np.median(
        [(seconds(pair_cohort, cohort), seconds(sort_and_join, cohort)) for _ in range(5)], axis=0
    )
    with capsys.disabled():
        sys.stdout.write(
            f"\npair {READINGS} readings: {ours:.2f} s, {ours / yardstick:.2f} x sort and join\n"
        )
    assert ours <= MUST * yardstick


@pytest.mark.slow
def test_pairing_needs_less_than_a_gigabyte_per_million_readings(cohort, capsys):
    pair_cohort(cohort)  # imports and caches are not counted
    tracemalloc.start()
    result = pair_cohort(cohort)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    text = sum(
        frame.memory_usage(deep=True).sum()  # text lies outside what is traced
        for frame in (result.pairs, result.exclusions, result.daily, result.repeats, result.units)
    )
    with capsys.disabled():
        megabytes = (peak + text) / 1e6
        sys.stdout.write(f"\npair {READINGS} readings: {megabytes:.0f} MB above the inputs\n")
    assert peak + text < MUST_BYTES
