"""Pairing up to a million readings, against sorting and joining the same frames as of a date."""

import time
import tracemalloc
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from agreement.pairing import pair
from agreement.tables.options import StudyOptions
from agreement.terms import EXCLUSION_COLUMNS

SIZES = (50_000, 200_000, 1_000_000)  # readings; a tenth as many tests
PROMISED = 1_000_000


def text(values: object, size: int) -> pd.Series:
    """Return a text column, of one value or of many."""
    array = pd.array([values], dtype="str").repeat(size) if isinstance(values, str) else values
    return pd.Series(pd.array(array, dtype="str"))


def dates(days: np.ndarray) -> np.ndarray:
    return (np.datetime64("2026-01-01", "D") + days).astype("datetime64[us]")


@pytest.fixture(scope="module", params=SIZES)
def cohort(request: pytest.FixtureRequest) -> SimpleNamespace:
    """Two tests per athlete, readings of two methods around them, some far away, 2 % of them twice."""
    n_readings, n_tests = request.param, request.param // 10
    rng = np.random.default_rng(20260101)
    ids = np.array([f"athlete-{i:06d}" for i in range(n_tests // 2)])
    athlete = np.tile(np.arange(n_tests // 2), 2)
    test_day = np.repeat([60, 102], n_tests // 2) + rng.integers(-10, 11, n_tests)
    laboratory = pd.DataFrame({"lab_test_id": text([f"T{i:06d}" for i in range(n_tests)], n_tests)})
    laboratory = laboratory.assign(
        athlete_id=text(ids[athlete], n_tests),
        date=dates(test_day),
        mode=text("run", n_tests),
        lab=rng.normal(50, 6, n_tests),
        mass_kg=70.0,
        averaging_rule=text("moving 30 s", n_tests),
        max_confirmed=text("yes", n_tests),
        hr_max_bpm=190.0,
        sex=text("female", n_tests),
        age_years=30.0,
        hr_limiting_drug=text("no", n_tests),
        training_profile=text("steady", n_tests),
        profile_borderline=text("no", n_tests),
        file=text("lab_tests.csv", n_tests),
        row=np.arange(n_tests) + 2,
    )
    near = rng.integers(0, n_tests, n_readings)
    day = test_day[near] - rng.integers(-2, 18, n_readings)
    instant = dates(day) + rng.integers(0, 86_400, n_readings).astype("timedelta64[s]")
    frame = pd.DataFrame({"source": text("field_estimates", n_readings)}).assign(
        file=text("field_estimates.csv", n_readings),
        row=np.arange(n_readings) + 2,
        id=text(ids[athlete[near]], n_readings),
        athlete_id=text(ids[athlete[near]], n_readings),
        instant=instant,
        date=dates(day),
        method=text(
            np.array(["left wrist", "right wrist"])[rng.integers(0, 2, n_readings)], n_readings
        ),
        mode=text(
            np.array(["run", "walk"])[(rng.random(n_readings) < 0.1).astype(int)], n_readings
        ),
        field=np.round(rng.normal(50, 6, n_readings)),
        field_l_min=np.nan,
        sensor=text("chest_strap", n_readings),
        set_mass_kg=np.nan,
        set_hr_max_bpm=np.nan,
        set_age_years=np.nan,
    )
    again = np.arange(n_readings)
    again[rng.choice(n_readings, n_readings // 50, replace=False)] = 0  # copies of the first row
    again[: n_readings // 50] = rng.integers(0, n_readings, n_readings // 50)  # and of others
    frame = frame.iloc[again].reset_index(drop=True).assign(row=np.arange(n_readings) + 2)
    return SimpleNamespace(laboratory=laboratory, readings=frame)


def pair_cohort(cohort: SimpleNamespace) -> object:
    nothing = pd.DataFrame(columns=EXCLUSION_COLUMNS, dtype="str").astype({"row": "Int64"})
    study = SimpleNamespace(
        options=StudyOptions(),
        athletes=None,
        sessions=None,
        breaths={},
        samples={},
        many={},
        told=tuple,
        laboratory_only=False,
        set_aside=nothing,
        withdrawn={},
        rows_read={"lab_tests": len(cohort.laboratory), "field_estimates": len(cohort.readings)},
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


def work_and_size(cohort: SimpleNamespace) -> tuple[str, str]:
    return "pair unsorted estimates, with ledger", f"{len(cohort.readings):,}"


@pytest.mark.slow
def test_pairing_takes_little_more_than_a_sort_and_join(cohort, told):
    ours, yardstick = np.median(
        [(seconds(pair_cohort, cohort), seconds(sort_and_join, cohort)) for _ in range(5)], axis=0
    )
    work, size = work_and_size(cohort)
    must = 2.5 if len(cohort.readings) == PROMISED else None
    told(work, ours / yardstick, size=size, must=must, aim=must and 1.5)


@pytest.mark.slow
def test_pairing_needs_less_than_a_gigabyte_per_million_readings(cohort, told):
    pair_cohort(cohort)  # imports and caches are not counted
    tracemalloc.start()
    result = pair_cohort(cohort)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    text = sum(
        frame.memory_usage(deep=True).sum()  # text lies outside what is traced
        for frame in (result.pairs, result.exclusions, result.daily, result.repeats, result.units)
    )
    work, size = work_and_size(cohort)
    must = 1000 * len(cohort.readings) / PROMISED
    told(f"{work}: above the inputs", (peak + text) / 1e6, size=size, must=must, unit="MB")
