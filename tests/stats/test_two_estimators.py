"""Two methods on the same athletes: against a correlation test, by coverage, and who is compared."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from simulate.known_parts import DailyParts, simulate_daily

from agreement.stats.compare.two_estimators import two_estimators, two_estimators_of
from agreement.stats.method_data import NotEstimable
from agreement.stats.results_table import method_data


def errors(n, rng, sd_a=3.0, sd_b=2.0, shared=2.0):
    lab = rng.normal(0, shared, n)
    return lab + rng.normal(1, sd_a, n), lab + rng.normal(-1, sd_b, n)


@pytest.mark.parametrize("seed", range(4))
def test_p_value_is_that_of_sum_and_difference(seed):
    # Pitman 1939: equal variances exactly when sum and difference are uncorrelated
    a, b = errors(25, np.random.default_rng(seed))
    result = two_estimators(a, b, n_resamples=99, rng=1)
    assert result.p_pitman_morgan == pytest.approx(stats.pearsonr(a + b, a - b).pvalue, rel=1e-9)
    assert result.ratio_of_sd == pytest.approx(np.std(a) / np.std(b), rel=1e-12)
    assert result.difference_of_sd == pytest.approx(
        np.std(a, ddof=1) - np.std(b, ddof=1), rel=1e-12
    )


def test_interval_of_the_ratio_ends_where_the_test_turns():
    # dividing a by the end of the interval must give p = 0.05 exactly
    a, b = errors(25, np.random.default_rng(9))
    for end in two_estimators(a, b, n_resamples=99, rng=1).ratio_interval:
        assert stats.pearsonr(a / end + b, a / end - b).pvalue == pytest.approx(0.05, abs=1e-9)


def test_swapping_the_methods():
    a, b = errors(25, np.random.default_rng(2))
    there, back = (two_estimators(*pair, n_resamples=499, rng=1) for pair in ((a, b), (b, a)))
    assert back.ratio_of_sd == pytest.approx(1 / there.ratio_of_sd, rel=1e-12)
    assert back.p_pitman_morgan == pytest.approx(there.p_pitman_morgan, rel=1e-9)
    assert back.difference_of_sd == pytest.approx(-there.difference_of_sd, rel=1e-12)


@pytest.mark.parametrize(
    ("a", "b", "message"),
    [
        ([], [], "at least 4"),
        ([1.0, 2, 3], [1.0, 2, 3], "at least 4"),
        ([1.0] * 5, [1.0, 2, 3, 4, 6], "same amount"),
        ([1.0, 2, 3, 4, 6], [1.0] * 5, "same amount"),
        ([1.0, np.nan, 3, 4], [1.0, 2, 3, 4], "missing"),
        ([1.0, np.inf, 3, 4], [1.0, 2, 3, 4], "infinite"),
    ],
)
def test_refused(a, b, message):
    with pytest.raises(ValueError, match=message):
        two_estimators(a, b)


def test_identical_methods():
    a = np.array([1.0, 3.0, -2.0, 0.5, 4.0])
    result = two_estimators(a, a, n_resamples=99, rng=1)
    assert (result.ratio_of_sd, result.p_pitman_morgan) == (1.0, 1.0)
    assert "neither" in result.summary()


def renamed(data, method, keep=None, mode="run"):
    pairs = data.pairs.assign(method=method, mode=mode)
    if keep is not None:
        pairs = pairs[pairs["athlete_id"].isin(keep)].reset_index(drop=True)
    return replace(data, method=method, mode=mode, pairs=pairs)


def test_complete_pairs_only_and_labels():
    (first,) = method_data(simulate_daily(DailyParts(n_athletes=20, visits=1), rng=1))
    (noisy,) = method_data(simulate_daily(DailyParts(n_athletes=20, visits=1, sd_athlete=6), rng=1))
    ids = sorted(first.pairs["athlete_id"])
    found = two_estimators_of(
        [renamed(noisy, "watch", ids[:12], mode="walk"), renamed(first, "shuttle")]
    )
    assert [(c.method, c.mode, c.n, c.n_pairs) for c in found] == [
        ("shuttle vs watch", "run vs walk", 12, 12)
    ]
    rows = found[0].result.to_frame().set_index("statistic")["value"]
    assert rows["ratio_of_sd"] == rows["sd_of_first"] / rows["sd_of_second"]
    common = first.pairs.set_index("athlete_id").loc[ids[:12], "difference"]
    assert rows["sd_of_first"] == pytest.approx(np.std(common, ddof=1))
    assert found[0].result.sd_b > found[0].result.sd_a
    assert "shuttle scatters less" in found[0].result.summary()


def test_too_few_common_tests_keep_a_reason_and_none_are_not_listed():
    (data,) = method_data(simulate_daily(DailyParts(n_athletes=20, visits=1), rng=1))
    ids = sorted(data.pairs["athlete_id"])
    parts = [
        renamed(data, "a", ids[:10]),
        renamed(data, "b", ids[8:]),
        renamed(data, "c", ids[10:]),
    ]
    found = {c.method: c for c in two_estimators_of(parts)}
    assert sorted(found) == ["a vs b", "b vs c"]
    assert isinstance(found["a vs b"].result, NotEstimable)
    assert found["a vs b"].result.code == "too_few"
    assert found["a vs b"].n == 2


def test_the_summary_says_nothing_that_the_interval_does_not():
    a, b = errors(12, np.random.default_rng(4), sd_a=2.2)
    assert "neither is shown" in two_estimators(a, b, n_resamples=199, rng=1).summary()


@pytest.mark.slow
def test_coverage_and_size():
    rng = np.random.default_rng(20260101)
    true_ratio = np.sqrt((9 + 4) / (4 + 4))
    held = of_difference = wrong = 0
    for k in range(1000):
        result = two_estimators(*errors(30, rng), n_resamples=999, rng=k)
        held += result.ratio_interval.contains(true_ratio)
        of_difference += result.difference_interval.contains(np.sqrt(13) - np.sqrt(8))
        same = two_estimators(*errors(30, rng, sd_a=2.0), n_resamples=9, rng=k)
        wrong += same.p_pitman_morgan < 0.05
    error = np.sqrt(0.05 * 0.95 / 1000)
    assert held / 1000 == pytest.approx(0.95, abs=3 * error)
    assert wrong / 1000 == pytest.approx(0.05, abs=3 * error)
    # the bootstrap of 30 athletes falls a little short: 0.92 to 0.95
    assert 0.90 < of_difference / 1000 < 0.97


@pytest.mark.slow
def test_size_with_several_pairs_each():
    rng = np.random.default_rng(20260102)
    athlete, wrong = np.repeat(np.arange(30), 3), 0
    for k in range(1000):
        own = rng.normal(0, 2, (2, 30))[:, athlete]
        a, b = own + rng.normal(0, 1.5, (2, 90))
        result = two_estimators(a, b, athlete=athlete, n_resamples=9, rng=k)
        wrong += result.p_pitman_morgan < 0.05
    assert wrong / 1000 == pytest.approx(0.05, abs=3 * np.sqrt(0.05 * 0.95 / 1000))
