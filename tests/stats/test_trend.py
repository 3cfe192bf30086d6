"""Slope and spread of differences on the mean, against a general library and the printed NIST line."""

import numpy as np
import pytest
import statsmodels.api as sm
from held import held
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.diagnostic import het_breuschpagan

from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.basics.least_squares import fit_line
from agreement.stats.lines.trend import trend

NORRIS = held("published_statistics")["norris"]


@pytest.fixture(scope="module")
def sample():
    """60 athletes: the field shrinks towards 50 and is noisier at the top."""
    rng = np.random.default_rng(21)
    lab = rng.normal(50, 7, 60)
    field = 10 + 0.8 * lab + rng.normal(0, 1, 60) * np.exp((lab - 50) / 15)
    return field, lab


@pytest.mark.parametrize(
    ("quantity", "certified"),
    [
        ("slope", 1.00211681802045),
        ("intercept", -0.262323073774029),
        ("slope_se", 0.429796848199937e-03),
        ("intercept_se", 0.232818234301152),
        ("residual_sd", 0.884796396144373),
    ],
)
def test_the_certified_line_of_norris(quantity, certified):
    # NIST StRD Norris, certified values (read)
    line = fit_line(np.array(NORRIS["x"]), np.array(NORRIS["y"]))
    assert getattr(line, quantity) == pytest.approx(certified, rel=1e-10)
    assert line.r**2 == pytest.approx(0.999993745883712, rel=1e-12)


def test_slope_spread_and_both_tests_against_a_general_library(sample):
    field, lab = sample
    design = sm.add_constant((field + lab) / 2)
    line = sm.OLS(field - lab, design).fit()
    spread = sm.OLS(np.abs(line.resid), design).fit()
    found = trend(field, lab)
    assert found.line.slope == pytest.approx(line.params[1], rel=1e-9)
    assert found.p_slope == pytest.approx(line.pvalues[1], rel=1e-8)
    assert found.slope_interval() == pytest.approx(tuple(line.conf_int()[1]), rel=1e-8)
    assert found.spread.slope == pytest.approx(spread.params[1], rel=1e-9)
    assert found.spread_interval() == pytest.approx(tuple(spread.conf_int()[1]), rel=1e-8)
    statistic, p, _, _ = het_breuschpagan(line.resid, design, robust=True)
    assert found.breusch_pagan == pytest.approx(statistic, rel=1e-9)
    assert found.p_spread == pytest.approx(p, rel=1e-8)
    joint = line.f_test(np.eye(2))
    assert found.joint_f == pytest.approx(float(joint.fvalue), rel=1e-9)
    assert found.p_joint == pytest.approx(float(joint.pvalue), rel=1e-7)


def test_the_slope_test_is_the_test_of_equal_variances(sample):
    # Pitman 1939, Morgan 1939: correlation of sum and difference
    field, lab = sample
    p = stats.pearsonr(field + lab, field - lab).pvalue
    assert trend(field, lab).p_slope == pytest.approx(p, rel=1e-8)


def test_regression_limits_hold_the_stated_share():
    rng = np.random.default_rng(2)
    mean = rng.uniform(40, 60, 20_000)
    d = 0.2 * (mean - 50) + rng.normal(0, 1, mean.size) * mean / 50
    found = trend(mean + d / 2, mean - d / 2)
    inside = {}
    for varying in (False, True):
        band = found.limits_at(mean, varying_spread=varying)
        within = (d >= band.lower) & (d <= band.upper)
        inside[varying] = within[mean < 45].mean(), within[mean > 55].mean()
    error = 3 * np.sqrt(0.95 * 0.05 / 5000)
    assert inside[True] == pytest.approx((0.95, 0.95), abs=error)
    assert inside[False][0] > 0.95 + error  # too wide where the spread is small
    assert inside[False][1] < 0.95 - error


def test_a_trend_is_steep_only_if_it_matters(sample):
    assert trend(*sample).steep
    rng = np.random.default_rng(1)
    lab = rng.normal(50, 5, 400)
    tiny = trend(lab * 1.02 + rng.normal(0, 0.1, 400), lab + 0.001)
    assert tiny.p_slope < 0.05
    assert tiny.steep == (tiny.line.slope * (tiny.highest - tiny.lowest) > 1)


def test_clustered_slopes_match_a_plain_loop():
    rng = np.random.default_rng(4)
    who = np.repeat(np.arange(32), rng.integers(1, 4, 32))
    lab = rng.normal(50, 6, who.size)
    field = lab + 0.1 * (lab - 50) + rng.normal(0, 2, who.size)
    resampling = cluster_resampling(who, n_resamples=30, rng=6)
    found = trend(field, lab, resampling=resampling)
    for counts, row in zip(resampling.counts, found.replicates.replicates, strict=True):
        rows = np.concatenate([np.flatnonzero(who == i) for i in np.repeat(np.arange(32), counts)])
        slow = trend(field[rows], lab[rows])
        assert row[:2] == pytest.approx((slow.line.slope, slow.spread.slope), rel=1e-8)
    notes = found.to_frame().set_index("statistic")["note"]
    assert (notes.drop("p_joint") == "clustered").all()
    assert notes["p_joint"].startswith("not_estimable")


def test_slopes_of_many_athletes_from_sums_are_those_of_their_rows(monkeypatch):
    rng = np.random.default_rng(8)
    who = np.repeat(np.arange(400), 2)
    lab = rng.normal(50, 7, 800)
    field = 10 + 0.8 * lab + rng.normal(0, 1.5, 400)[who] + rng.normal(0, 2, 800)
    drawn = cluster_resampling(who, n_resamples=2000, rng=3)
    rows = trend(field, lab, resampling=drawn).replicates
    monkeypatch.setattr("agreement.stats.lines.trend.FROM_SUMS_ABOVE", 300)
    sums = trend(field, lab, resampling=drawn).replicates
    assert sums.estimate == pytest.approx(rows.estimate, abs=1e-10)
    for k in range(3):
        low, high = rows.interval(k)
        assert sums.interval(k) == pytest.approx((low, high), abs=0.01 * (high - low))


def test_clustered_p_values_agree_with_their_interval():
    rng = np.random.default_rng(14)
    who = np.repeat(np.arange(25), 2)
    lab = rng.normal(50, 6, 50)
    field = lab + 0.1 * (lab - 50) + rng.normal(0, 2, 50)
    found = trend(field, lab, resampling=cluster_resampling(who, rng=1))
    p = found.p_slope
    ends = found.slope_interval(1 - p)
    # at confidence 1 - p one end of the interval touches 0
    assert min(abs(ends.low), abs(ends.high)) < 0.03 * np.ptp(found.slope_interval())


@given(st.integers(0, 10_000), st.floats(-20, 20))
def test_a_shift_of_both_methods_leaves_slope_and_p_values(seed, shift):
    rng = np.random.default_rng(seed)
    field, lab = rng.normal(50, 5, (2, 20))
    one, other = trend(field, lab), trend(field + shift, lab + shift)
    assert other.line.slope == pytest.approx(one.line.slope, rel=1e-6, abs=1e-9)
    assert (other.p_slope, other.p_spread) == pytest.approx((one.p_slope, one.p_spread), rel=1e-5)


def test_a_perfect_line_has_no_spread_to_test():
    lab = np.arange(40.0, 60.0)
    found = trend(lab * 1.1, lab)
    assert (found.p_slope, found.p_spread, found.spread.slope) == (0.0, 1.0, 0.0)
    assert found.line.rss == 0.0


def test_equal_differences_have_no_trend():
    lab = np.arange(40.0, 60.0)
    found = trend(lab, lab)
    assert (found.line.slope, found.p_slope, found.p_joint) == (0.0, 1.0, 1.0)


def test_refusals(sample):
    with pytest.raises(ValueError, match="all values on the horizontal axis are equal"):
        trend([50.0, 50.0, 50.0], [50.0, 50.0, 50.0])
    with pytest.raises(ValueError, match="at least 3 pairs are needed; 2 found"):
        trend([50.0, 51.0], [50.0, 52.0])
    found = trend(*sample)
    with pytest.raises(ValueError, match="observed range"):
        found.limits_at(found.highest + 1)
    # a spread that would fall below 0 inside the range
    level = np.repeat([40.0, 50.0, 60.0], 10)
    d = np.tile([-6.0, 6.0], 15) * (level < 45)
    falling = trend(level + d / 2, level - d / 2)
    assert falling.spread.at(falling.highest) <= 0
    with pytest.raises(ValueError, match="falls to 0"):
        falling.limits_at(50.0, varying_spread=True)
    assert not falling.uneven


def test_summary_names_the_change_per_ten_units(sample):
    assert "Per 10 mL/kg/min of fitness the difference changes by -" in trend(*sample).summary()


def test_the_rows_that_regression_limits_need_against_a_general_library(sample):
    field, lab = sample
    d, mean = field - lab, sm.add_constant((field + lab) / 2)
    line = sm.OLS(d, mean).fit()
    spread = sm.OLS(np.abs(line.resid), mean).fit()
    found = trend(field, lab).to_frame().set_index("statistic")["value"]
    names = ["intercept_on_mean", "slope_on_mean", "residual_sd"]
    assert found[names].tolist() == pytest.approx([*line.params, line.mse_resid**0.5])
    names = ["spread_intercept", "spread_on_mean"]
    assert found[names].tolist() == pytest.approx(spread.params.tolist())
