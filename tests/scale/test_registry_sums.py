"""Sums of very many athletes, finished into the results of the in-memory statistics."""

from functools import reduce
from operator import add

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from agreement.scale.athlete_sums import AthleteSums
from agreement.scale.finished import error_from, limits_from, regression_from, trend_from
from agreement.scale.grouped_jackknife import FOLDS, grouped_jackknife
from agreement.scale.method_sums import MethodSums, SpreadSums, added, athlete_hashes
from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.indices.error import errors_of_estimate
from agreement.stats.limits.limits import limits_of_agreement
from agreement.stats.limits.repeated import limits_by_athlete
from agreement.stats.lines.regression import regression
from agreement.stats.lines.trend import trend

RNG = np.random.default_rng(5)
N = 900


def frame(athlete):
    lab = RNG.normal(50, 7, len(athlete))
    field = lab + 0.1 * (lab - 50) + RNG.normal(1, 1 + lab / 50, len(athlete))
    return pd.DataFrame(
        {
            "athlete_id": pd.Series([f"a{i:05d}" for i in athlete], dtype="str"),
            "field": field,
            "lab": lab,
            "hr_limiting_drug": "no",
            "max_confirmed": np.where(lab > 45, "yes", "no"),
            "sensor": "chest_strap",
            "training_profile": np.where(np.asarray(athlete) % 2, "low", "mixed"),
        }
    )


ALONE = frame(np.arange(N))
REPEATED = frame(np.sort(RNG.integers(0, 350, N)))


def summed(pairs, cuts):
    """Sum chunks, no athlete in two of them."""
    code = pairs["athlete_id"].str[1:].astype(int)
    parts = [pairs[np.digitize(code, cuts) == k] for k in range(len(cuts) + 1)]
    parts.reverse()
    made = [MethodSums.of(part, heart_rate_based=True, margin=5.0) for part in parts]
    return reduce(add, made), parts


@settings(max_examples=20, deadline=None)
@given(st.lists(st.integers(1, 349), unique=True, max_size=6).map(sorted))
def test_limits_of_repeated_pairs_do_not_depend_on_the_cuts(cuts):
    sums, _ = summed(REPEATED, cuts)
    d = (REPEATED["field"] - REPEATED["lab"]).to_numpy()
    expected = limits_by_athlete(d, REPEATED["athlete_id"])
    found = sums.groups["all"].limits()
    assert (found.n, found.n_pairs) == (expected.n, expected.n_pairs)
    for name in ("bias", "between", "within", "lower", "upper"):
        assert getattr(found, name) == pytest.approx(getattr(expected, name), rel=1e-9)


def test_one_pair_per_athlete_gives_the_results_of_the_functions_in_memory():
    sums, parts = summed(ALONE, [100, 101, 600])
    field, lab = ALONE["field"].to_numpy(), ALONE["lab"].to_numpy()
    line = sums.pairs.trend_line()
    spread = reduce(add, [SpreadSums.of(part, line) for part in parts])
    columns = ["value", "low", "high"]
    for found, expected in (
        (limits_from(sums).everyone, limits_of_agreement(field, lab)),
        (trend_from(sums, spread), trend(field, lab)),
        (regression_from(sums), regression(field, lab)),
    ):
        np.testing.assert_allclose(
            found.to_frame()[columns], expected.to_frame()[columns], rtol=1e-9, equal_nan=True
        )


def test_sizes_of_the_error_are_exact_and_their_intervals_like_the_bootstrap():
    sums, _ = summed(ALONE, [300])
    who = cluster_resampling(ALONE["athlete_id"].to_numpy(), rng=1)
    expected = errors_of_estimate(ALONE["field"], ALONE["lab"], who, margin=5.0).to_frame()
    found = error_from(sums, 5.0).to_frame()
    np.testing.assert_allclose(found["value"], expected["value"], rtol=1e-9)
    width = (expected["high"] - expected["low"]).to_numpy()[:3]
    # the standard error of a width from 64 groups is about 1 / sqrt(2 * 63), 9 %
    np.testing.assert_allclose((found["high"] - found["low"]).to_numpy()[:3], width, rtol=0.3)


def test_leaving_out_equal_groups_gives_the_standard_error_of_their_means():
    means = RNG.normal(0, 1, 20)
    made = grouped_jackknife(list(means), sum, lambda total: np.array([total / 20.0]))
    # of a total over 20, leaving out one group takes its share away
    left_out = (means.sum() - means) / 20.0
    assert made.jackknife[:, 0] == pytest.approx(left_out)
    spread = np.sqrt(19 / 20 * ((left_out - left_out.mean()) ** 2).sum())
    half = stats.t.ppf(0.975, 19) * spread
    assert made.interval() == pytest.approx((means.mean() - half, means.mean() + half))
    # for a mean of groups this is the classical standard error of a mean, over (J - 1)/J of it
    assert spread == pytest.approx(means.std(ddof=1) / np.sqrt(20) * 19 / 20)


@pytest.mark.slow
def test_grouped_jackknife_intervals_hold_the_truth_as_often_as_they_say():
    """Repeated pairs, 200 studies: the slope of the trend is 0."""
    held = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        who = rng.integers(0, 400, 1000)
        truth, error = rng.normal(50, 6, 400)[who], rng.normal(0, 2, 400)[who]
        noise = rng.normal(0, 1, (2, 1000))
        pairs = frame(who).assign(
            lab=truth + error / 2 + noise[0], field=truth - error / 2 + noise[1]
        )
        sums = MethodSums.of(pairs, heart_rate_based=False, margin=None)
        jackknife = grouped_jackknife(sums.folds, added, lambda p: np.array([p.trend_line().slope]))
        low, high = jackknife.interval()
        held += low <= 0.0 <= high
    assert held / 200 == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / 200))


def test_athletes_under_drugs_are_a_group_of_their_own_where_it_matters():
    limited = ALONE.assign(hr_limiting_drug=np.where(np.arange(N) < 50, "yes", "no"))
    by_heart_rate = MethodSums.of(limited, heart_rate_based=True, margin=None)
    assert by_heart_rate.groups["all"].n == N - 50
    assert by_heart_rate.groups["hr_limiting_drug"].n == 50
    assert MethodSums.of(limited, heart_rate_based=False, margin=None).groups["all"].n == N


def test_nothing_is_the_neutral_element():
    some = AthleteSums.of(["a", "a", "b", "c"], np.array([1.0, 2.0, 3.0, 5.0]))
    assert (some + AthleteSums(), AthleteSums() + some) == (some, some)
    with pytest.raises(ValueError, match="at least 3 athletes; got 0"):
        AthleteSums().limits()


def test_hashes_spread_athletes_evenly_and_depend_on_the_id_alone():
    ids = pd.Series([f"a{i}" for i in range(6400)], dtype="str")
    hashes = athlete_hashes(ids)
    assert (athlete_hashes(ids[::-1]) == hashes[::-1]).all()
    counts = np.bincount((hashes % np.uint64(FOLDS)).astype(int), minlength=FOLDS)
    assert counts.min() > 100 - 5 * 10  # binomial: SD about 10
    assert counts.max() < 100 + 5 * 10
    assert (athlete_hashes(ids, "another key") != hashes).all()
