"""The random intercept by our own recipe against a general mixed model."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from agreement.stats.basics.reml import random_intercept
from agreement.stats.limits.limits_of_agreement_anova import limits_of_agreement_anova

REFERENCE = Path(__file__).parents[1] / "reference" / "published_statistics.json"
CARDIAC = json.loads(REFERENCE.read_text(encoding="utf-8"))["cardiac_2007"]["people"]


@pytest.fixture(scope="module")
def unbalanced():
    rng = np.random.default_rng(12)
    who = np.repeat(np.arange(40), rng.integers(1, 6, 40))
    x = rng.normal(size=who.size)
    y = 3 + 0.7 * x + rng.normal(0, 1.5, 40)[who] + rng.normal(0, 1.0, who.size)
    return who, x, y


def test_variances_and_coefficients_against_a_general_mixed_model(unbalanced):
    # statsmodels' variances stop at about 1e-4, relative
    who, x, y = unbalanced
    other = smf.mixedlm("y ~ x", pd.DataFrame({"y": y, "x": x}), groups=who).fit(reml=True)
    ours = random_intercept(y, who, np.stack([np.ones_like(x), x], axis=1))
    assert ours.coefficients == pytest.approx(other.fe_params.to_numpy(), abs=1e-4)
    assert ours.between_variance == pytest.approx(other.cov_re.iloc[0, 0], rel=1e-3)
    assert ours.within_variance == pytest.approx(other.scale, rel=1e-3)
    assert ours.log_likelihood == pytest.approx(other.llf, abs=1e-4)


def test_the_optimum_is_at_least_as_good_as_the_general_models(unbalanced):
    who, x, y = unbalanced
    other = smf.mixedlm("y ~ x", pd.DataFrame({"y": y, "x": x}), groups=who).fit(reml=True)
    ours = random_intercept(y, who, np.stack([np.ones_like(x), x], axis=1))
    assert ours.log_likelihood >= other.llf - 1e-9


def test_standard_errors_are_those_of_generalised_least_squares(unbalanced):
    who, x, y = unbalanced
    ours = random_intercept(y, who, np.stack([np.ones_like(x), x], axis=1))
    covariance = ours.within_variance * np.eye(y.size)
    covariance += ours.between_variance * (who[:, None] == who)
    design = np.stack([np.ones_like(x), x], axis=1)
    expected = np.linalg.inv(design.T @ np.linalg.inv(covariance) @ design)
    assert ours.covariance == pytest.approx(expected, rel=1e-9)


def test_cardiac_output_against_printed_variance_components():
    # R's nlme on the data of Bland & Altman 2007 has the GLS mean 0.7045 (derived, checked in R)
    who = np.repeat(np.arange(12), [len(rows) for rows in CARDIAC])
    d = np.concatenate([np.array(rows)[:, 0] - np.array(rows)[:, 1] for rows in CARDIAC])
    assert random_intercept(d, who).coefficients[0] == pytest.approx(0.7045, abs=5e-5)


def test_balanced_data_give_the_analysis_of_variance():
    rng = np.random.default_rng(4)
    who = np.repeat(np.arange(15), 3)
    d = rng.normal(0, 2, 15)[who] + rng.normal(1, 1, 45)
    ours, anova = random_intercept(d, who), limits_of_agreement_anova(d, who)
    assert ours.within_variance == pytest.approx(anova.within, rel=1e-8)
    assert ours.between_variance == pytest.approx(anova.between_variance, rel=1e-8)


def test_no_variance_between_athletes_stops_at_the_boundary():
    who = np.repeat(np.arange(6), 4)
    d = np.tile([-1.0, 1.0, -2.0, 2.0], 6)  # every athlete has mean 0
    ours = random_intercept(d, who)
    assert ours.boundary
    assert ours.within_variance == pytest.approx(d.var(ddof=1))


def test_a_large_mean_costs_no_digits():
    rng = np.random.default_rng(9)
    who = np.repeat(np.arange(10), 3)
    d = rng.normal(0, 2, 10)[who] + rng.normal(0, 1, 30)
    near, far = random_intercept(d, who), random_intercept(d + 1e6, who)
    assert far.between_variance == pytest.approx(near.between_variance, rel=1e-6)


def test_the_wald_test_of_a_contrast_is_its_squared_t(unbalanced):
    who, x, y = unbalanced
    ours = random_intercept(y, who, np.stack([np.ones_like(x), x], axis=1))
    from scipy import stats

    t = ours.coefficients[1] / ours.standard_errors[1]
    assert ours.wald_p([0.0, 1.0]) == pytest.approx(2 * stats.t.sf(abs(t), 38), rel=1e-9)


@pytest.mark.parametrize(
    ("values", "who", "words"),
    [
        ([1.0, 2.0, 3.0], ["a", "b", "c"], "and repeats"),
        ([1.0, 2.0], ["a", "a"], "more athletes than coefficients"),
        ([1.0, np.nan, 3.0], ["a", "a", "b"], "missing"),
        ([1.0, 1.0, 2.0, 2.0], ["a", "a", "b", "b"], "do not vary"),
        ([1.0, 2.0, 3.0], ["a", "a"], "one row per value"),
        ([], [], "got 0 athletes"),
    ],
)
def test_refusals(values, who, words):
    with pytest.raises(ValueError, match=words):
        random_intercept(values, who)


def test_a_design_with_a_spare_column_is_refused():
    with pytest.raises(ValueError, match="depend on one another"):
        random_intercept([1.0, 2.0, 3.0, 5.0, 4.0], [1, 1, 2, 3, 4], np.ones((5, 2)))
