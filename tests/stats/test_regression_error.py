"""Prediction of the laboratory value, against a general library."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.basics.intervals import correlation_interval
from agreement.stats.lines.regression import regression


@pytest.fixture(scope="module")
def sample():
    rng = np.random.default_rng(17)
    lab = rng.normal(50, 7, 40)
    return lab * 0.8 + 12 + rng.normal(0, 3, 40), lab


def test_line_error_and_intervals(sample):
    field, lab = sample
    other = sm.OLS(lab, sm.add_constant(field)).fit()
    found = regression(field, lab)
    slope, intercept, r, error = found.intervals()
    assert (found.intercept, found.slope) == pytest.approx(tuple(other.params), rel=1e-9)
    assert [intercept, slope] == [pytest.approx(tuple(row), rel=1e-8) for row in other.conf_int()]
    assert found.standard_error_of_estimate == pytest.approx(np.sqrt(other.mse_resid), rel=1e-9)
    correlation = stats.pearsonr(field, lab)
    assert found.r == pytest.approx(correlation.statistic, rel=1e-9)
    assert r == pytest.approx(tuple(correlation.confidence_interval()), rel=1e-8)
    chi = 38 * other.mse_resid / stats.chi2.ppf([0.975, 0.025], 38)
    assert error == pytest.approx(tuple(np.sqrt(chi)), rel=1e-9)


def test_joint_test_of_slope_one_and_intercept_zero(sample):
    field, lab = sample
    other = sm.OLS(lab, sm.add_constant(field)).fit().f_test((np.eye(2), [0.0, 1.0]))
    found = regression(field, lab)
    assert found.joint_f == pytest.approx(float(other.fvalue), rel=1e-8)
    assert found.p_joint == pytest.approx(float(other.pvalue), rel=1e-6)


def test_prediction_interval(sample):
    field, lab = sample
    other = sm.OLS(lab, sm.add_constant(field)).fit()
    at = np.array([45.0, 50.0, 60.0])
    expected = other.get_prediction(sm.add_constant(at)).conf_int(obs=True)
    low, high = regression(field, lab).prediction_interval(at)
    assert np.stack([low, high], axis=1) == pytest.approx(expected, rel=1e-9)


def test_clustered_replicates_match_a_plain_loop(sample):
    field, lab = sample
    who = np.arange(40) % 31
    resampling = cluster_resampling(who, n_resamples=30, rng=1)
    found = regression(field, lab, resampling=resampling)
    for counts, row in zip(resampling.counts, found.replicates.replicates, strict=True):
        drawn = np.repeat(np.arange(31), counts)
        rows = np.concatenate([np.flatnonzero(who == i) for i in drawn])
        slow = regression(field[rows], lab[rows])
        expected = slow.slope, slow.intercept, slow.r, slow.standard_error_of_estimate
        assert tuple(row) == pytest.approx(expected, rel=1e-7)
    assert (found.n, found.n_pairs) == (31, 40)
    assert set(found.to_frame()["note"]) == {"clustered"}


def test_error_in_the_field_values_pulls_the_slope_below_one():
    rng = np.random.default_rng(1)
    truth = rng.normal(50, 6, 20_000)
    found = regression(truth + rng.normal(0, 3, truth.size), truth + rng.normal(0, 1, truth.size))
    assert found.slope == pytest.approx(36 / 45, abs=0.01)  # reliability ratio 36 / (36 + 9)


def test_a_perfect_line_has_no_error():
    lab = np.arange(40.0, 60.0)
    found = regression(2 * lab + 1, lab)
    assert (found.slope, found.r) == (0.5, 1.0)
    assert found.standard_error_of_estimate == 0.0
    assert found.intervals()[0] == (0.5, 0.5)


def test_three_athletes_have_no_interval_of_r():
    assert correlation_interval(0.5, 3) == (-1.0, 1.0)


def test_equal_field_values_are_refused():
    with pytest.raises(ValueError, match="all values on the horizontal axis are equal"):
        regression([50.0] * 5, [50.0, 51.0, 52.0, 53.0, 54.0])


def test_equal_laboratory_values_have_no_correlation():
    found = regression([50.0, 51.0, 52.0, 53.0], [50.0] * 4)
    assert found.slope == 0.0
    assert np.isnan(found.r)
