"""Calibration against slow leave-one-out loops, other libraries, and simulated coverage."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from simulate.known_parts import DailyParts, simulate_daily

from agreement.stats.limits.limits import limits_by_athlete
from agreement.stats.lines.calibration import calibration, calibration_of
from agreement.stats.lines.squad_calibration import AthleteSums
from agreement.stats.method_data import NotEstimable
from agreement.stats.results_table import method_data


def study(n=30, seed=1, slope=1.0, bias=0.0, noise=2.0, each=1):
    rng = np.random.default_rng(seed)
    truth = rng.normal(50, 7, n)
    own = np.repeat(rng.normal(0, noise / 2, n), each)
    truth, athlete = np.repeat(truth, each), np.repeat(np.arange(n), each)
    lab = truth + rng.normal(0, 1.0, n * each)
    return bias + 50 + slope * (truth - 50) + own + rng.normal(0, noise, n * each), lab, athlete


def left_out(field, lab, athlete, fit):
    errors = np.empty(len(lab))
    for who in np.unique(athlete):
        mine = athlete == who
        errors[mine] = fit(field[~mine], lab[~mine], field[mine]) - lab[mine]
    return errors


def line(f, x, at):
    slope, intercept = np.polyfit(f, x, 1)
    return intercept + slope * at


FITS = {
    "none": lambda f, x, at: at,  # noqa: ARG005 # a fit that learns nothing
    "offset": lambda f, x, at: at + np.mean(x - f),
    "line": line,
}


@pytest.mark.parametrize("each", [1, 3])
@pytest.mark.parametrize("model", ["none", "offset", "line"])
def test_errors_by_a_slow_loop(model, each):
    field, lab, athlete = study(n=20, each=each, bias=2)
    result = calibration(field, lab, athlete=athlete, rng=1)
    errors = left_out(field, lab, athlete, FITS[model])
    assert result.rmse_cv[model] == pytest.approx(np.sqrt(np.mean(errors**2)), rel=1e-9)
    assert result.mae_cv[model] == pytest.approx(np.mean(np.abs(errors)), rel=1e-9)
    assert result.bias_cv[model] == pytest.approx(np.mean(errors), abs=1e-9)
    assert result.mae_intervals[model].contains(result.mae_cv[model])


def test_errors_of_the_line_by_leverage():
    # for ordinary least squares with one row each: e_i / (1 - h_ii), from statsmodels
    field, lab, _ = study(n=25)
    influence = sm.OLS(lab, sm.add_constant(field)).fit().get_influence()
    result = calibration(field, lab, rng=1)
    assert result.rmse_cv["line"] == pytest.approx(
        np.sqrt(np.mean(influence.resid_press**2)), rel=1e-9
    )
    assert result.mae_cv["line"] == pytest.approx(np.abs(influence.resid_press).mean(), rel=1e-9)
    assert result.bias_cv["line"] == pytest.approx(-influence.resid_press.mean(), rel=1e-7)


def test_prediction_interval_of_the_line_is_the_textbook_one():
    field, lab, _ = study(n=25, seed=2, slope=0.4, noise=1.0)
    result = calibration(field, lab, rng=1)
    assert result.choice == "line"
    fit = sm.OLS(lab, sm.add_constant(field)).fit()
    theirs = fit.get_prediction([[1.0, 47.0]]).conf_int(obs=True)[0]
    assert result.laboratory_equivalent(47.0)[1:3] == pytest.approx(tuple(theirs), rel=1e-9)
    assert (result.intercept, result.slope) == pytest.approx(tuple(fit.params), rel=1e-9)
    assert result.slope_interval == pytest.approx(tuple(fit.conf_int()[1]), rel=1e-9)
    assert "shrinks or stretches" in result.notes[0]


def test_offset_interval_is_that_of_a_new_difference():
    field, lab, _ = study(n=25, bias=6)
    result = calibration(field, lab, rng=1)
    assert result.choice == "offset"
    d = lab - field
    half = 2.0638985616280205 * d.std(ddof=1) * np.sqrt(1 + 1 / 25)  # t table, 24 df: 2.064
    value = 47 + d.mean()
    expected = pytest.approx((value, value - half, value + half), rel=1e-9)
    assert result.laboratory_equivalent(47.0)[:3] == expected
    assert result.offset == pytest.approx(d.mean(), rel=1e-12)


def test_the_choice_follows_the_rule_of_the_squad():
    assert calibration(*study(seed=3, bias=6)[:2], rng=1).choice == "offset"
    shrunk = calibration(*study(seed=3, slope=0.5, noise=1.0)[:2], rng=1)
    assert shrunk.choice == "line"
    assert calibration(*study(seed=3, n=19, slope=0.5, noise=1.0)[:2], rng=1).choice != "line"


def test_variance_with_several_pairs_is_that_of_the_limits():
    # residuals of an offset are differences about their mean: same form as limits of agreement
    field, lab, athlete = study(n=15, each=3, bias=6)
    sums = AthleteSums(field, lab, athlete)
    limits = limits_by_athlete(lab - field, athlete)
    assert sums.fits("offset").variance[0] == pytest.approx(limits.sd**2, rel=1e-9)
    without = limits_by_athlete((lab - field)[athlete != 4], athlete[athlete != 4])
    assert sums.fits("offset", without_each=True).variance[4] == pytest.approx(
        without.sd**2, rel=1e-9
    )


def test_outside_the_range_is_refused_with_a_reason():
    field, lab, _ = study(n=25)
    result = calibration(field, lab, rng=1)
    assert np.isfinite(result.laboratory_equivalent(field.max() + 1.9).value)
    for refused in (
        result.laboratory_equivalent(field.max() + 2.1),
        result.laboratory_equivalent(field.min() - 2.1),
        result.laboratory_equivalent(np.nan),
    ):
        assert np.isnan(refused.value)
        assert "outside the calibrated range" in refused.note


@pytest.mark.parametrize(
    ("field", "lab", "options", "message"),
    [
        ([], [], {}, "at least 5"),
        ([1.0, 2, 3, 4], [1.0, 2, 3, 4], {}, "at least 5"),
        ([1.0, 2, 3, 4, 5, 6], [1.0, 2, 3, 4, 5, 6], {"athlete": list("aabbcc")}, "5 athletes"),
        ([50.0] * 8, list(range(8)), {}, "do not vary"),
        ([50.0] * 7 + [60.0], list(range(8)), {}, "do not vary"),
        ([1, 2, np.nan, 4, 5], [1, 2, 3, 4, 5], {}, "missing"),
        ([1, 2, np.inf, 4, 5], [1, 2, 3, 4, 5], {}, "infinite"),
    ],
)
def test_refused(field, lab, options, message):
    with pytest.raises(ValueError, match=message):
        calibration(field, lab, **options)


def test_perfect_line_is_known_without_error():
    lab = np.arange(40.0, 60.0)
    result = calibration(3 + 0.8 * lab, lab, rng=1)
    assert result.rmse_cv["line"] == pytest.approx(0, abs=1e-9)
    assert result.laboratory_equivalent(43.0)[:3] == pytest.approx((50, 50, 50), abs=1e-6)


@given(st.permutations(range(20)), st.floats(-10, 10))
@settings(max_examples=10)
def test_row_order_and_shift(order, shift):
    field, lab, athlete = study(n=10, each=2)
    before = calibration(field, lab, athlete=athlete, rng=1)
    after = calibration(field[order] + shift, lab[order] + shift, athlete=athlete[order], rng=1)
    for model in ("none", "offset", "line"):
        assert after.rmse_cv[model] == pytest.approx(before.rmse_cv[model], rel=1e-7)


def test_frame_and_codes():
    (data,) = method_data(simulate_daily(DailyParts(n_athletes=12), rng=1))
    result = calibration_of(data)
    frame = result.to_frame()
    assert frame["statistic"].tolist() == [
        "offset",
        "slope",
        "intercept",
        "rmse_cv_none",
        "rmse_cv_offset",
        "rmse_cv_line",
        *(f"{of}_cv_{form}" for of in ("mae", "bias") for form in ("none", "offset", "line")),
    ]
    bounded = frame[~frame["statistic"].str.startswith("bias_cv")]
    assert set(bounded["note"]) == {"clustered; fewer than 20 athletes; jackknife_t"}
    assert bounded[["low", "high"]].notna().all(axis=None)
    assert "each left out in turn" in result.summary()
    (small,) = method_data(simulate_daily(DailyParts(n_athletes=4), rng=1))
    with pytest.raises(NotEstimable, match="too_few"):
        calibration_of(small)


@pytest.mark.slow
@pytest.mark.parametrize(("each", "level"), [(1, 0.95), (3, 0.95)])
def test_coverage_for_a_new_athlete(each, level):
    # a line is nearly always chosen (slope 0.4); one new athlete per study
    rng, held = np.random.default_rng(20260101), 0
    for seed in range(1500):
        field, lab, athlete = study(n=20, each=each, seed=seed, slope=0.4, noise=1.0)
        result = calibration(field, lab, athlete=athlete, rng=1)
        new_field, new_lab, _ = study(n=5, seed=int(rng.integers(1e9)), slope=0.4, noise=1.0)
        inside = np.flatnonzero((new_field > field.min()) & (new_field < field.max()))[:1]
        for i in inside:
            _, low, high, _ = result.laboratory_equivalent(new_field[i])
            held += low <= new_lab[i] <= high
    assert held / 1500 == pytest.approx(level, abs=3 * np.sqrt(level * (1 - level) / 1500))
