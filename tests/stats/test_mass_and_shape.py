"""Mismatch of body mass, shape of the differences, naive pooling."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from simulate.known_parts import DailyParts, simulate_daily

from agreement.stats.causes.mass_mismatch import mass_mismatch
from agreement.stats.limits.limits_as_if_independent import NAIVE, pooled_limits_of
from agreement.stats.limits.shape import shape
from agreement.stats.lines.linearity import linearity_of
from agreement.stats.method_data import NotEstimable
from agreement.stats.results_table import method_data


def told(n=40, slope=-1.0, each=1, seed=3):
    """Field values of a method that divides by the mass it was told (slope -1), or does not (0)."""
    rng = np.random.default_rng(seed)
    who = np.repeat(np.arange(n), each)
    mismatch = rng.normal(0, 4, n)[who]
    lab = rng.normal(50, 6, n * each)
    own = rng.normal(0, 0.05, n)[who]
    field = lab * np.exp(own + rng.normal(0, 0.03, n * each)) * (1 + mismatch / 100) ** slope
    return field, lab, mismatch, who


def test_by_another_library():
    field, lab, mismatch, _ = told()
    found = mass_mismatch(field, lab, mismatch)
    fit = sm.OLS(100 * np.log(field / lab), sm.add_constant(mismatch)).fit()
    assert found.line.slope == pytest.approx(fit.params[1], rel=1e-9)
    assert found.interval == pytest.approx(tuple(fit.conf_int()[1]), rel=1e-9)
    assert found.p_of(0.0) == pytest.approx(fit.pvalues[1], rel=1e-7)
    assert found.p_of(-1.0) == pytest.approx(float(fit.t_test("x1 = -1").pvalue), rel=1e-7)
    assert found.off == (np.abs(mismatch) > 2).sum()


@pytest.mark.parametrize(("slope", "other"), [(-1.0, 0.0), (0.0, -1.0)])
def test_a_method_that_divides_by_the_mass_it_was_told_is_told_from_one_that_does_not(slope, other):
    found = mass_mismatch(*told(slope=slope, n=80, seed=4)[:3])
    assert found.interval.contains(slope)
    assert found.p_of(other) < 0.01
    assert "per cent" in found.summary()


def test_pairs_of_one_athlete_are_drawn_together():
    field, lab, mismatch, who = told(each=4)
    found = mass_mismatch(field, lab, mismatch, athlete=who, rng=1)
    plain = mass_mismatch(field, lab, mismatch)
    assert found.line.slope == plain.line.slope
    assert np.diff(found.interval) > 1.3 * np.diff(plain.interval)
    assert found.to_frame()["note"].tolist() == ["clustered"] * 3


@settings(max_examples=20)
@given(st.permutations(range(12)), st.floats(0.2, 5))
def test_row_order_and_unit_do_not_matter(order, scale):
    field, lab, mismatch, _ = told(12)
    before = mass_mismatch(field, lab, mismatch)
    after = mass_mismatch(scale * field[order], scale * lab[order], mismatch[order])
    assert after.line.slope == pytest.approx(before.line.slope, rel=1e-7)
    swapped = mass_mismatch(lab, field, mismatch)
    assert swapped.line.slope == pytest.approx(-before.line.slope, rel=1e-7)


def test_unknown_mismatches_are_left_out():
    field, lab, mismatch, _ = told(20)
    mismatch[:5] = np.nan
    found = mass_mismatch(field, lab, mismatch)
    assert (found.n, found.line.n) == (15, 15)
    with pytest.raises(NotEstimable, match="known of fewer than 3 athletes"):
        mass_mismatch(field, lab, np.r_[1.0, 2.0, np.full(18, np.nan)])
    with pytest.raises(NotEstimable, match="known of no athlete"):
        mass_mismatch(field, lab, np.full(20, np.nan))
    with pytest.raises(NotEstimable, match="the same in all pairs"):
        mass_mismatch(field, lab, np.ones(20))
    with pytest.raises(ValueError, match="one value per pair"):
        mass_mismatch(field, lab, mismatch[1:])
    with pytest.raises(ValueError, match="above 0"):
        mass_mismatch(-field, lab, mismatch)


def test_an_exact_relation_is_known_for_sure():
    lab = np.linspace(40, 60, 8)
    mismatch = np.linspace(-4, 4, 8)
    found = mass_mismatch(lab * np.exp(-mismatch / 100), lab, mismatch)
    assert found.line.slope == pytest.approx(-1.0, abs=1e-9)
    assert (found.p_of(-1.0), found.p_of(0.0)) == (1.0, 0.0)


@pytest.mark.slow
@pytest.mark.parametrize("each", [1, 3])
def test_coverage_of_the_slope(each):
    runs = 400
    held = 0
    for seed in range(runs):
        field, lab, mismatch, who = told(30, each=each, seed=seed)
        held += mass_mismatch(field, lab, mismatch, athlete=who, rng=seed).interval.contains(-1.0)
    # the bootstrap of 30 athletes is a little short: 0.93, as for every slope (see the docstring)
    expected = 0.95 if each == 1 else 0.935
    assert held / runs == pytest.approx(expected, abs=3 * np.sqrt(0.95 * 0.05 / runs))


def test_shape_is_that_of_athletes_and_of_a_general_library():
    rng = np.random.default_rng(5)
    d = rng.gamma(2.0, 1.0, 45)
    who = np.repeat(np.arange(15), 3)
    means = d.reshape(15, 3).mean(axis=1)
    found = shape(d, who)
    assert found.p_normal == pytest.approx(stats.shapiro(means)[1], rel=1e-3)
    third = ((means - means.mean()) ** 3).mean() / means.std() ** 3
    assert found.skewness == pytest.approx(third, rel=1e-4)
    assert set(found.to_frame()["note"]) == {"of athletes' means"}
    with pytest.raises(NotEstimable, match="2 athletes"):
        shape([1.0, 2.0], [1, 2])
    with pytest.raises(NotEstimable, match="equal"):
        shape([1.0, 1.0, 1.0], [1, 2, 3])


def test_shapiro_wilk_of_printed_weights():
    # Shapiro & Wilk 1965, weights of eleven men in pounds: W = 0.79 (memory)
    weights = [148, 154, 158, 160, 161, 162, 166, 170, 182, 195, 236]
    assert shape(weights, range(11)).p_normal < 0.01
    assert stats.shapiro(weights)[0] == pytest.approx(0.79, abs=0.005)


def clustered(**more):
    profiles = {"low": -2.0, "mixed": 0.0, "high": 2.0}
    (data,) = method_data(simulate_daily(DailyParts(30, profiles=profiles, **more), rng=2))
    return data


def test_naive_pooling_is_shown_as_such_and_too_sure():
    data = clustered(visits=3)
    frame = pooled_limits_of(data).to_frame().set_index("statistic")
    d = data.difference
    assert frame.loc["bias", "value"] == pytest.approx(d.mean())
    half = stats.t.ppf(0.975, 89) * d.std(ddof=1) / np.sqrt(90)
    assert frame.loc["bias", "high"] == pytest.approx(d.mean() + half)
    by_athlete = d.reshape(30, 3).mean(axis=1)
    fair = stats.t.ppf(0.975, 29) * by_athlete.std(ddof=1) / np.sqrt(30)
    assert half < 0.8 * fair
    assert set(frame["note"]) == {NAIVE}
    assert (frame["n"] == 30).all()
    assert (frame["n_pairs"] == 90).all()
    assert "too narrow" in pooled_limits_of(data).summary()
    with pytest.raises(NotEstimable, match="nothing is pooled"):
        pooled_limits_of(clustered(visits=1))


def test_linearity_in_the_table_takes_one_pair_per_athlete():
    found = linearity_of(clustered(visits=1))
    assert found.n_simulations == 99
    assert found.to_frame()["note"].tolist() == ["", "99 simulations"]
    with pytest.raises(NotEstimable, match="one pair per athlete"):
        linearity_of(clustered())
