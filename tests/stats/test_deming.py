"""Deming regression against printed lines, a slow jackknife, another library, simulated coverage."""

import warnings

import numpy as np
import pytest
from held import held
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from simulate.known_parts import DailyParts, simulate_daily

from agreement.stats.lines.deming import deming, deming_of
from agreement.stats.lines.structural import structural_of
from agreement.stats.results_table import method_data

PUBLISHED = held("published_method_comparison")


def study(n, seed, slope=1.0, noise=(2.0, 2.0)):
    rng = np.random.default_rng(seed)
    truth = rng.normal(50, 8, n)
    return 3 + slope * truth + rng.normal(0, noise[0], n), truth + rng.normal(0, noise[1], n)


def test_pearson_1901():
    # Pearson 1901 Phil Mag 2:559 (read); lambda 1 is his line of closest fit
    example = PUBLISHED["pearson_1901"]
    fit = deming(example["y"], example["x"])
    assert fit.intercept == pytest.approx(5.784, abs=0.0005)
    assert fit.slope == pytest.approx(-0.54556, abs=5e-6)


def test_sixty_five_pairs():
    # printed output of a published program, 2019 (data, slope and intercept read). Its lambda is
    # the ratio of the sample's variances, x over y: a demonstration, not an error ratio.
    example = PUBLISHED["deming_65"]
    ratio = np.var(example["x"]) / np.var(example["y"])
    fit = deming(example["y"], example["x"], error_ratio=ratio)
    assert fit.slope == pytest.approx(0.354463, abs=6e-7)
    assert fit.intercept == pytest.approx(-10.56415, abs=6e-6)


@pytest.mark.parametrize("ratio", [0.4, 1.0, 3.0])
def test_orthogonal_distance_regression_agrees(ratio):
    # an independent optimiser of the same criterion; finite differences, hence 4 digits
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        odr = pytest.importorskip("scipy.odr", reason="scipy.odr is gone from this scipy")
        field, lab = study(40, seed=2)
        model = odr.Model(lambda beta, x: beta[0] + beta[1] * x)
        data = odr.RealData(lab, field, sx=1.0, sy=np.sqrt(ratio))
        beta = odr.ODR(data, model, beta0=[0.0, 1.0], sstol=1e-15, partol=1e-15).run().beta
    fit = deming(field, lab, error_ratio=ratio)
    assert (fit.intercept, fit.slope) == pytest.approx(tuple(beta), rel=1e-4)


def by_angle(x, y, ratio):
    """Slope as the direction of the largest eigenvalue of the scaled covariance."""
    scaled = np.cov(x * np.sqrt(ratio), y)
    direction = np.linalg.eigh(scaled)[1][:, -1]
    slope = direction[1] / direction[0] * np.sqrt(ratio)
    return slope, y.mean() - slope * x.mean()


@pytest.mark.parametrize(("n", "ratio"), [(5, 1.0), (25, 0.5), (25, 4.0)])
def test_jackknife_by_a_slow_loop(n, ratio):
    # Linnet 1993: pseudo-values n theta - (n - 1) theta without i, t on n - 2 degrees of freedom
    field, lab = study(n, seed=n, slope=0.8)
    whole = np.array(by_angle(lab, field, ratio))
    pseudo = [
        n * whole - (n - 1) * np.array(by_angle(np.delete(lab, i), np.delete(field, i), ratio))
        for i in range(n)
    ]
    half = stats.t.ppf(0.975, n - 2) * np.std(pseudo, axis=0, ddof=1) / np.sqrt(n)
    fit = deming(field, lab, error_ratio=ratio)
    assert (fit.slope, fit.intercept) == pytest.approx(tuple(whole), rel=1e-10)
    assert fit.slope_interval == pytest.approx((whole[0] - half[0], whole[0] + half[0]), rel=1e-8)
    assert fit.intercept_interval == pytest.approx(
        (whole[1] - half[1], whole[1] + half[1]), rel=1e-8
    )


def test_jackknife_leaves_out_athletes_not_pairs():
    field, lab = study(24, seed=8)
    athlete = np.repeat(list("abcdefgh"), 3)
    slopes = [by_angle(lab[athlete != a], field[athlete != a], 1.0)[0] for a in "abcdefgh"]
    error = np.sqrt(7 / 8 * np.sum((np.array(slopes) - np.mean(slopes)) ** 2))
    fit = deming(field, lab, athlete=athlete)
    assert fit.n == 8
    assert fit.slope_interval.high - fit.slope == pytest.approx(
        stats.t.ppf(0.975, 6) * error, rel=1e-8
    )


@given(st.floats(-20, 20), st.floats(0.5, 2.0), st.floats(0.2, 5.0))
@settings(max_examples=40)
def test_shift_scale_and_swap(shift, scale, ratio):
    field, lab = study(15, seed=4)
    fit = deming(field, lab, error_ratio=ratio)
    moved = deming(scale * field + shift, lab, error_ratio=ratio * scale**2)
    assert moved.slope == pytest.approx(scale * fit.slope, rel=1e-9)
    assert moved.intercept == pytest.approx(scale * fit.intercept + shift, abs=1e-6)
    swapped = deming(lab, field, error_ratio=1 / ratio)
    assert swapped.slope == pytest.approx(1 / fit.slope, rel=1e-9)


def test_slope_far_below_one_loses_no_digits():
    x = np.arange(40.0, 80.0)
    wiggle = np.where(np.arange(40) % 2, 1e-7, -1e-7)
    fit = deming(1e-6 * x + wiggle, x)
    assert fit.slope == pytest.approx(by_angle(x, 1e-6 * x + wiggle, 1.0)[0], rel=1e-6)


def test_sensitivity_and_perfect_line():
    lab = np.arange(40.0, 60.0)
    fit = deming(3 + 1.1 * lab, lab)
    assert [line.slope for line in fit.sensitivity] == pytest.approx([1.1] * 3, rel=1e-12)
    assert fit.slope_interval == pytest.approx((1.1, 1.1), rel=1e-9)
    noisy = deming(*study(30, seed=6))
    assert [line.error_ratio for line in noisy.sensitivity] == [0.5, 1.0, 2.0]
    assert noisy.sensitivity[1].slope == noisy.slope
    assert noisy.sensitivity[0].slope > noisy.slope > noisy.sensitivity[2].slope


@pytest.mark.parametrize(
    ("field", "lab", "options", "message"),
    [
        ([], [], {}, "at least 3 pairs"),
        ([1.0, 2.0], [1.0, 2.0], {}, "at least 3 pairs"),
        ([50.0] * 5, [40.0, 45, 50, 55, 60], {}, "do not vary together"),
        ([40.0, 45, 50, 55, 60], [50.0] * 5, {}, "do not vary together"),
        ([50.0] * 5, [50.0] * 5, {}, "do not vary together"),
        ([1, np.nan, 3, 4], [1, 2, 3, 4], {}, "missing"),
        ([1, np.inf, 3, 4], [1, 2, 3, 4], {}, "infinite"),
        ([1, 2, 3, 4], [1, 2, 3, 4], {"error_ratio": 0.0}, "above 0"),
        ([1, 2, 3, 4], [1, 2, 3, 4], {"error_ratio": np.nan}, "above 0"),
        ([1, 2, 3, 5], [1, 2, 3, 4], {"athlete": list("aabb")}, "at least 3 athletes"),
        ([1, 2, 3, 5], [1, 2, 3, 4], {"athlete": list("aab")}, "shape"),
        ([1.0, 2.0, 4.0], [1.0, 1.0, 2.0], {}, "left out"),
    ],
)
def test_refused(field, lab, options, message):
    with pytest.raises(ValueError, match=message):
        deming(field, lab, **options)


def test_with_repeats_of_the_laboratory_the_line_is_the_structural_one():
    """Inference sheet, section 18: Deming with the error ratio of what is plotted is that line."""
    parts = DailyParts(n_athletes=40, share_repeated=1.0, sd_laboratory=2.0, sd_day=3.0)
    (data,) = method_data(simulate_daily(parts, rng=3))
    fit, net = deming_of(data), structural_of(data)
    ratio = fit.error_ratio
    assert fit.slope == pytest.approx(deming(data.field, data.lab, error_ratio=ratio).slope)
    assert (fit.slope, *fit.slope_interval) == (net.slope, *net.interval)
    assert fit.intercept == pytest.approx(data.field.mean() - net.slope * data.lab.mean())
    low, high = fit.intercept_interval
    assert low < data.field.mean() - net.interval.high * data.lab.mean() < fit.intercept < high
    frame = fit.to_frame()
    assert set(frame["note"]) == {"net_of_laboratory"}
    named = frame.set_index("statistic")["value"]
    for name, share in (("slope_at_half_lambda", 0.5), ("slope_at_twice_lambda", 2.0)):
        assert named[name] == deming(data.field, data.lab, error_ratio=share * ratio).slope
    assert "net of the laboratory" in fit.summary()


def test_an_end_that_does_not_exist_stays_empty_and_is_said():
    parts = DailyParts(n_athletes=12, visits=1, share_repeated=0.5, sd_laboratory=9.0)
    (data,) = method_data(simulate_daily(parts, rng=3))
    rows = deming_of(data).to_frame().set_index("statistic")
    assert np.isnan(rows.loc[["slope", "intercept"], ["low", "high"]].to_numpy()).any()
    assert rows.loc["slope", "note"] == "net_of_laboratory; unbounded"


def test_lambda_is_assumed_without_repeats():
    (data,) = method_data(simulate_daily(DailyParts(n_athletes=20, visits=1), rng=3))
    fit = deming_of(data)
    assert (fit.error_ratio, fit.assumed, fit.clustered) == (1.0, True, False)
    frame = fit.to_frame().set_index("statistic")
    assert frame.loc["lambda", "note"] == "assumed"
    assert "assumed" in fit.summary()


@pytest.mark.slow
@pytest.mark.parametrize("n", [20, 60])
def test_coverage_of_the_jackknife(n):
    # 2000 studies with the lambda that is assumed; the jackknife is near its level, a little short
    # in small studies
    rng = np.random.default_rng(20260101)
    held = 0
    for _ in range(2000):
        truth = rng.normal(50, 7, n)
        fit = deming(truth + rng.normal(0, 2, n), truth + rng.normal(0, 2, n))
        held += fit.slope_interval.contains(1.0)
    assert held / 2000 == pytest.approx(0.95, abs=0.01 + 3 * np.sqrt(0.95 * 0.05 / 2000))
