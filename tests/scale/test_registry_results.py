"""Very many athletes: exact from all pairs, with intervals from groups of athletes."""

import numpy as np
import pandas as pd
import pytest

from agreement.scale import registry_results
from agreement.scale.registry_results import athlete_hashes, exact_data, exact_parts
from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.evidence import Evidence
from agreement.stats.indices.error import errors_of_estimate
from agreement.stats.limits.limits import limits_by_athlete
from agreement.stats.lines.regression import regression
from agreement.stats.lines.trend import trend
from agreement.stats.result import rows_frame
from agreement.tables.options import StudyOptions
from agreement.terms import PAIR_COLUMNS

ATHLETES, PAIRS = 350, 900


def frame(athlete, rng, *, slope=0.1):
    """Return pairs whose difference and spread grow with the level."""
    level = rng.normal(50, 7, ATHLETES)[athlete]
    own = rng.normal(0, 1.5, ATHLETES)[athlete]
    lab = level + rng.normal(0, 1, len(athlete))
    field = lab + slope * (level - 50) + own + rng.normal(1, 1 + level / 50)
    made = {
        "athlete_id": [f"a{i:05d}" for i in athlete],
        "lab_test_id": [f"t{i:05d}" for i in range(len(athlete))],
        "method": "wrist",
        "mode": "run",
        "field": field,
        "lab": lab,
        "difference": field - lab,
        "hr_limiting_drug": "no",
        "max_confirmed": np.where(lab > 45, "yes", "no"),
        "sensor": "chest_strap",
        "training_profile": np.where(np.asarray(athlete) % 2, "low", "mixed"),
    }
    return pd.DataFrame(made).reindex(columns=PAIR_COLUMNS)


def data_of(pairs):
    """Return the pairs as the registry's results take them."""
    daily = pairs[["athlete_id", "lab_test_id", "method", "mode", "field", "lab"]]
    daily = daily.assign(date=pd.Timestamp("2026-03-02"), gap_days=1)
    repeats = pairs[["athlete_id", "lab_test_id", "mode", "lab"]]
    (data,) = exact_data(Evidence(pairs, daily, repeats, StudyOptions(), {"wrist": True}))
    return data


@pytest.fixture(scope="module")
def repeated():
    rng = np.random.default_rng(5)
    return data_of(frame(np.sort(rng.integers(0, ATHLETES, PAIRS)), rng))


def test_limits_and_sizes_are_those_of_all_pairs_and_intervals_like_those_of_athletes(
    repeated, monkeypatch
):
    monkeypatch.setattr(registry_results, "SAMPLE", 100)
    monkeypatch.setattr(registry_results, "DRAWN_GROUPS", 60)
    parts, limits = exact_parts(repeated)
    expected = limits_by_athlete(repeated.difference, repeated.athlete)
    assert (limits.bias, limits.lower, limits.upper) == (
        expected.bias,
        expected.lower,
        expected.upper,
    )
    everybody = cluster_resampling(repeated.athlete, rng=1)
    values = repeated.field, repeated.lab
    for name, whole in (
        ("trend", trend(*values, resampling=everybody)),
        ("regression", regression(*values, resampling=everybody)),
        ("error", errors_of_estimate(*values, everybody)),
    ):
        found, of_all = rows_frame(parts[name]), whole.to_frame()
        p_value = found["statistic"].str.startswith("p_")
        np.testing.assert_allclose(found["value"][~p_value], of_all["value"][~p_value], rtol=1e-12)
        assert (found["n"] == repeated.n).all()
        # the standard error of a width from 60 groups is about 1 / sqrt(2 * 59), 9 %
        widths = [(one["high"] - one["low"]).dropna() for one in (found, of_all)]
        assert len(widths[0]) > 1
        np.testing.assert_allclose(*widths, rtol=0.3)


def test_one_pair_each_gives_the_intervals_of_the_functions_in_memory():
    rng = np.random.default_rng(6)
    alone = data_of(frame(np.arange(ATHLETES), rng))
    parts, _ = exact_parts(alone)
    for name, expected in (
        ("trend", trend(alone.field, alone.lab)),
        ("regression", regression(alone.field, alone.lab)),
    ):
        pd.testing.assert_frame_equal(rows_frame(parts[name]), expected.to_frame())


@pytest.mark.slow
def test_intervals_from_groups_hold_the_truth_as_often_as_they_say(monkeypatch):
    """Repeated pairs, 200 studies: the slope of the trend is 0."""
    monkeypatch.setattr(registry_results, "SAMPLE", 100)
    monkeypatch.setattr(registry_results, "DRAWN_GROUPS", 50)
    held = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        who = rng.integers(0, ATHLETES, 700)
        truth, error = rng.normal(50, 6, ATHLETES)[who], rng.normal(0, 2, ATHLETES)[who]
        noise = rng.normal(0, 1, (2, 700))
        pairs = frame(who, rng).assign(
            lab=truth + error / 2 + noise[0], field=truth - error / 2 + noise[1]
        )
        rows = rows_frame(exact_parts(data_of(pairs))[0]["trend"]).set_index("statistic")
        held += rows.loc["slope_on_mean", "low"] <= 0.0 <= rows.loc["slope_on_mean", "high"]
    assert held / 200 == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / 200))


def test_hashes_spread_athletes_evenly_and_depend_on_the_id_alone():
    ids = pd.Series([f"a{i}" for i in range(6400)], dtype="str")
    hashes = athlete_hashes(ids, "a key")
    assert (athlete_hashes(ids[::-1], "a key") == hashes[::-1]).all()
    counts = np.bincount((hashes % np.uint64(64)).astype(int), minlength=64)
    assert counts.min() > 100 - 5 * 10  # binomial: SD about 10
    assert counts.max() < 100 + 5 * 10
    assert (athlete_hashes(ids, "another key") != hashes).all()
