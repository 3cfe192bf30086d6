"""The cluster bootstrap against a general library, a printed example and a plain loop."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from agreement.stats.basics.bootstrap import bootstrap, bootstrap_of_sums, cluster_resampling
from agreement.stats.basics.replicates import Replicates, ResampledInterval
from agreement.stats.lines.regression import regression
from agreement.stats.result import Row

# Efron & Tibshirani 1993, Table 14.1, spatial test A of 26 children (memory; reproduces the printed
# variance 171.5 and acceleration 0.061)
SPATIAL = np.fromstring(
    "48 36 20 29 42 42 20 42 22 41 45 14 6 0 33 28 34 4 32 24 47 41 24 26 30 41", sep=" "
)


def moments(values):
    return np.stack([np.ones_like(values), values, values**2], axis=1)


def mean(sums):
    return sums[:, 1:2] / sums[:, :1]


def variance(sums):
    """Divisor n."""
    return sums[:, 2:3] / sums[:, :1] - mean(sums) ** 2


def test_the_printed_example_of_1993():
    # Efron & Tibshirani 1993 ch. 14 (read second-hand): theta 171.5, BCa (115.8, 259.6), percentile
    # (100.8, 233.9) from B = 2000 of their own. An end point's standard deviation there is about 3.
    drawn = bootstrap_of_sums(cluster_resampling(np.arange(26), rng=1), moments(SPATIAL), variance)
    assert drawn.estimate[0] == pytest.approx(171.5, abs=0.05)
    assert drawn.bca_interval(0, 0.90) == pytest.approx((115.8, 259.6), abs=6)
    assert drawn.percentile_interval(0, 0.90) == pytest.approx((100.8, 233.9), abs=6)


@pytest.mark.parametrize("n", [20, 60])
def test_bca_of_one_row_each_is_that_of_a_general_library(n):
    values = np.random.default_rng(n).gamma(2.0, 2.0, n)
    ours = bootstrap_of_sums(cluster_resampling(np.arange(n), rng=5), moments(values), mean)
    # the same seed draws the same indices there
    other = stats.bootstrap((values,), np.mean, n_resamples=9999, method="BCa", rng=5)
    assert ours.bca_interval() == pytest.approx(tuple(other.confidence_interval), rel=1e-9)


def test_rows_of_one_athlete_are_drawn_together():
    who = np.array(["b", "a", "b", "c", "a", "b"])
    values = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
    resampling = cluster_resampling(who, n_resamples=50, rng=3)
    drawn = bootstrap_of_sums(resampling, moments(values), mean)
    for counts, replicate in zip(resampling.counts, drawn.replicates[:, 0], strict=True):
        assert counts.sum() == 3
        rows = np.concatenate([values[who == name] for name in np.repeat(["a", "b", "c"], counts)])
        assert replicate == pytest.approx(rows.mean())
    left_out = [values[who != name].mean() for name in ("a", "b", "c")]
    assert drawn.jackknife[:, 0] == pytest.approx(left_out)


def test_both_routes_agree():
    rng = np.random.default_rng(4)
    who = rng.integers(0, 9, 30)
    values = rng.normal(size=30)
    resampling = cluster_resampling(who, n_resamples=100, rng=1)
    by_sums = bootstrap_of_sums(resampling, moments(values), mean)
    by_rows = bootstrap(resampling, lambda w: (w @ values / w.sum(axis=1))[:, None])
    assert by_rows.estimate == pytest.approx(by_sums.estimate)
    assert by_rows.replicates == pytest.approx(by_sums.replicates)
    assert by_rows.jackknife == pytest.approx(by_sums.jackknife)


def test_seed_and_number_of_athletes_fix_the_drawing():
    one, other = (cluster_resampling(list("abcd"), n_resamples=20, rng=8) for _ in range(2))
    assert np.array_equal(one.counts, other.counts)
    assert (one.seed, len(one.counts), one.n_athletes) == (8, 20, 4)
    drawn = np.random.default_rng(8).integers(0, 4, size=(20, 4))
    assert np.array_equal(one.counts[0], np.bincount(drawn[0], minlength=4))


@given(st.permutations(range(12)))
def test_row_order_does_not_matter(order):
    who = np.repeat(list("abcdef"), 2)
    values = np.arange(12.0) ** 2
    one, other = (
        bootstrap_of_sums(cluster_resampling(w, n_resamples=30, rng=1), moments(v), mean)
        for w, v in ((who, values), (who[list(order)], values[list(order)]))
    )
    assert one.replicates == pytest.approx(other.replicates)


def test_the_interval_and_the_p_value_of_a_mean_are_a_little_liberal():
    rng = np.random.default_rng(6)
    p, covered, runs = [], 0, 500
    for values in rng.normal(size=(runs, 40)):
        resampling = cluster_resampling(np.arange(40), n_resamples=500, rng=rng)
        drawn = bootstrap_of_sums(resampling, moments(values), mean)
        p.append(drawn.p_value())
        covered += drawn.bca_interval().contains(0)
    # measured in 4000 runs: .071 of p below .05 and .928 covered, for 40 athletes
    error = 3 * np.sqrt(0.07 * 0.93 / runs)
    assert np.mean(np.array(p) < 0.05) == pytest.approx(0.07, abs=error)
    assert covered / runs == pytest.approx(0.93, abs=error)
    assert min(p) >= 1 / 501


def test_equal_jackknife_values_fall_back_to_percentiles_and_say_so():
    drawn = bootstrap_of_sums(
        cluster_resampling(np.arange(20), n_resamples=50, rng=1), moments(np.full(20, 3.0)), mean
    )
    assert drawn.bca_interval() == pytest.approx((3.0, 3.0))
    assert "BCa undefined" in drawn.notes[0]


def test_failed_resamples_are_counted_and_left_out():
    values = np.array([0.0] * 4 + [1.0])

    def share_of_ones(sums):
        return sums[:, :1] / sums[:, 1:2]  # infinite when the fifth was not drawn

    drawn = bootstrap_of_sums(
        cluster_resampling(np.arange(5), rng=1), moments(values), share_of_ones
    )
    assert drawn.failed[0] == pytest.approx(9999 * 0.8**5, rel=0.1)
    assert f"{drawn.failed[0]} of 9999 resamples failed" in drawn.notes[0]
    assert "too short below 15 athletes" in drawn.notes[0]
    assert np.isfinite(drawn.bca_interval()).all()


def test_every_row_of_a_statistic_tells_how_many_resamples_failed():
    """Two of 30 athletes have another field value: without either of them there is no line."""
    athlete = np.arange(60) % 30
    drawn = cluster_resampling(athlete, rng=3)
    alone = int((drawn.counts[:, :2].sum(axis=1) == 0).sum())
    assert alone == pytest.approx(9999 * (28 / 30) ** 30, rel=0.1)
    field = np.where(athlete < 2, 55.0, 50.0)
    lab = np.random.default_rng(1).normal(50, 3, 60)
    found = regression(field, lab, resampling=drawn)
    notes = found.to_frame().set_index("statistic")["note"]
    assert notes["slope"] == notes["r"] == f"clustered; {alone} of 9999 resamples failed"
    whole = ResampledInterval.saying("", 0, 2)
    assert Row.of("slope", 1.0, whole, n=2, note="few").note == "few"


def test_a_statistic_that_always_fails_has_no_interval():
    nothing = np.full((9, 1), np.nan)
    drawn = Replicates(nothing[0], nothing, nothing)
    assert np.isnan(drawn.bca_interval()).all()
    assert np.isnan(drawn.p_value())


def test_one_athlete_gives_an_interval_of_no_width():
    drawn = bootstrap_of_sums(
        cluster_resampling(["a", "a"], n_resamples=20, rng=1), moments(np.array([1.0, 3.0])), mean
    )
    assert drawn.bca_interval() == (2.0, 2.0)


def test_no_athletes_and_a_bad_confidence_level_are_refused():
    with pytest.raises(ValueError, match="at least one athlete"):
        cluster_resampling([])
    drawn = bootstrap_of_sums(
        cluster_resampling(np.arange(5), n_resamples=9, rng=1), moments(np.arange(5.0)), mean
    )
    with pytest.raises(ValueError, match=r"in \(0, 1\); got 95"):
        drawn.bca_interval(0, 95)
