"""One pair per athlete: limits, lines, concordance and errors, by slow textbook computations."""

import itertools
import math
import warnings

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from contract.textbook import Z, assert_row, limit_factors, t_interval
from scipy import stats
from statsmodels.stats.diagnostic import het_breuschpagan
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.weightstats import DescrStatsW

LIMIT, MEAN_LIMIT = 6.0, 3.0  # of the squad in conftest.py


# --- limits of agreement --------------------------------------------------------------------------


@pytest.mark.parametrize("group", ["all", "confirmed", "chest_strap", "no_hr_limiting_drug"])
def test_limits_of_agreement(numbers, data, group):
    d = data.d
    if group == "confirmed":
        d = d[1::2]
    if group == "chest_strap":
        d = d[:15]
    n, bias, sd = len(d), d.mean(), d.std()
    low, high = limit_factors(n)
    variances = [(n - 1) / stats.chi2.ppf(p, n - 1) for p in (0.975, 0.025)]

    def row(statistic):
        return numbers.row("limits_of_agreement", statistic, group=group)

    assert_row(row("bias"), bias, t_interval(bias, sd / math.sqrt(n), n - 1), n=n)
    assert_row(row("sd_of_differences"), sd, [sd * math.sqrt(v) for v in variances], n=n)
    upper, lower = (bias + low * sd, bias + high * sd), (bias - high * sd, bias - low * sd)
    assert_row(row("upper_limit"), bias + Z * sd, upper, n=n)
    assert_row(row("lower_limit"), bias - Z * sd, lower, n=n)


# --- trend and regression -------------------------------------------------------------------------


def test_trend(numbers, data):
    line = sm.OLS(data.d, sm.add_constant(data["mean"])).fit()
    spread = sm.OLS(line.resid.abs(), sm.add_constant(data["mean"])).fit()
    koenker = het_breuschpagan(line.resid, sm.add_constant(data["mean"]), robust=True)[1]
    assert_row(
        numbers.row("trend", "slope_on_mean"),
        line.params["mean"],
        line.conf_int().loc["mean"],
        unit="1",
    )
    assert_row(numbers.row("trend", "p_slope"), line.pvalues["mean"], unit="1")
    row = numbers.row("trend", "spread_on_mean")
    assert row.value == pytest.approx(spread.params["mean"], rel=1e-9)
    assert (row.low, row.high) == pytest.approx(tuple(spread.conf_int().loc["mean"]), rel=1e-7)
    assert_row(numbers.row("trend", "p_spread"), koenker, unit="1")


def test_regression_of_laboratory_on_field(numbers, data):
    line = sm.OLS(data.lab, sm.add_constant(data.field)).fit()
    bounds = line.conf_int()
    assert_row(
        numbers.row("regression", "slope"), line.params["field"], bounds.loc["field"], unit="1"
    )
    assert_row(numbers.row("regression", "intercept"), line.params["const"], bounds.loc["const"])
    r = stats.pearsonr(data.field, data.lab)
    assert_row(numbers.row("regression", "r"), r.statistic, r.confidence_interval(0.95), unit="1")
    error = math.sqrt(line.ssr / 37)
    chi = [error * math.sqrt(37 / stats.chi2.ppf(p, 37)) for p in (0.975, 0.025)]
    assert_row(numbers.row("regression", "standard_error_of_estimate"), error, chi)


def orthogonal_slope(x, y):
    """Direction of the first principal component: Deming's line at equal error variances."""
    _, _, v = np.linalg.svd(np.column_stack([x - x.mean(), y - y.mean()]))
    return v[0, 1] / v[0, 0]


def test_deming_with_an_assumed_ratio(numbers, data):
    x, y = data.lab.to_numpy(), data.field.to_numpy()
    n = len(x)
    slope = orthogonal_slope(x, y)
    left_out = np.array([orthogonal_slope(np.delete(x, i), np.delete(y, i)) for i in range(n)])
    pseudo = n * slope - (n - 1) * left_out
    interval = t_interval(slope, pseudo.std(ddof=1) / math.sqrt(n), n - 2)
    assert_row(numbers.row("deming", "slope"), slope, interval, unit="1")
    at = np.array(
        [np.delete(y, i).mean() - b * np.delete(x, i).mean() for i, b in enumerate(left_out)]
    )
    intercept = y.mean() - slope * x.mean()
    pseudo = n * intercept - (n - 1) * at
    interval = t_interval(intercept, pseudo.std(ddof=1) / math.sqrt(n), n - 2)
    assert_row(numbers.row("deming", "intercept"), intercept, interval)
    ratio = numbers.row("deming", "lambda")
    assert_row(ratio, 1, unit="1")
    assert "assumed" in ratio.note


def test_passing_bablok_by_all_pairs(numbers, data):
    x, y = data.lab.to_numpy(), data.field.to_numpy()
    n = len(x)
    slopes = []
    for i, j in itertools.combinations(range(n), 2):
        dx, dy = round(x[j] - x[i], 6), round(y[j] - y[i], 6)
        if dx == dy == 0 or (dx and dy / dx == -1):
            continue
        slopes.append(dy / dx if dx else math.copysign(math.inf, dy))
    slopes.sort()
    count, shift = len(slopes), sum(s < -1 for s in slopes)
    middle = (slopes[(count - 1) // 2 + shift] + slopes[count // 2 + shift]) / 2
    c = Z * math.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    first = round((count - c) / 2)
    bounds = slopes[first + shift - 1], slopes[count - first + shift]
    assert_row(numbers.row("passing_bablok", "slope"), middle, bounds, unit="1", rel=1e-7)
    at = [float(np.median(y - b * x)) for b in (middle, bounds[1], bounds[0])]
    assert_row(numbers.row("passing_bablok", "intercept"), at[0], at[1:], rel=1e-7)


# --- concordance and error ------------------------------------------------------------------------


def test_concordance(numbers, data):
    x, y = data.lab.to_numpy(), data.field.to_numpy()
    n = len(x)
    r = np.corrcoef(x, y)[0, 1]
    gap = x.mean() - y.mean()
    c = 2 * np.cov(x, y, ddof=0)[0, 1] / (x.var() + y.var() + gap**2)
    u = gap / math.sqrt(x.std() * y.std())
    variance = (1 - r**2) * c**2 * (1 - c**2) / r**2 + 2 * c**3 * (1 - c) * u**2 / r
    error = math.sqrt((variance - c**4 * u**4 / (2 * r**2)) / (n - 2)) / (1 - c**2)
    interval = [math.tanh(math.atanh(c) + k * Z * error) for k in (-1, 1)]
    assert_row(numbers.row("concordance", "ccc"), c, interval, unit="1")


def test_intraclass_correlation_against_another_library(numbers, data):
    import pingouin

    long = data[["lab", "field"]].reset_index().melt("index")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library lags behind pandas
        table = pingouin.intraclass_corr(long, targets="index", raters="variable", ratings="value")
    expected = table.set_index("Type").loc["ICC(A,1)"]
    row = numbers.row("concordance", "icc_a1")
    assert row.value == pytest.approx(expected["ICC"], rel=1e-6)
    bounds = tuple(expected["CI95"])
    assert (row.low, row.high) == pytest.approx(bounds, abs=0.0051)  # printed to 2 decimals


@pytest.mark.parametrize("statistic", ["mae", "mape", "rmse"])
def test_errors_with_bootstrap_intervals(numbers, data, statistic):
    d, lab = data.d.to_numpy(), data.lab.to_numpy()

    def compute(d, lab, axis=-1):
        shares = {"mae": np.abs(d), "mape": 100 * np.abs(d) / lab, "rmse": d**2}[statistic]
        mean = shares.mean(axis=axis)
        return np.sqrt(mean) if statistic == "rmse" else mean

    row = numbers.row("error", statistic)
    assert row.value == pytest.approx(compute(d, lab), rel=1e-9)
    assert (row.unit, row.n) == ("%" if statistic == "mape" else "mL/kg/min", 39)
    other = stats.bootstrap(
        (d, lab), compute, paired=True, vectorized=True, method="BCa", n_resamples=9999, rng=7
    )
    # Monte Carlo error of an end point at B = 9999 is about 0.03 standard errors, of two 0.04
    tolerance = 5 * 0.04 * other.standard_error
    interval = tuple(other.confidence_interval)
    assert (row.low, row.high) == pytest.approx(interval, abs=tolerance)


def test_share_within_margin(numbers, data):
    inside = int((data.d.round(6).abs() <= LIMIT).sum())
    interval = proportion_confint(inside, 39, method="wilson")
    assert_row(numbers.row("error", "share_within_margin"), inside / 39, interval, unit="1")


def test_total_deviation_index(numbers, data):
    row = numbers.row("error", "total_deviation_index")
    squares = (data.d**2).sum() / 38
    bias = data.d.mean()
    assert row.value == pytest.approx(stats.norm.ppf(0.95) * math.sqrt(squares), rel=1e-9)
    spread = math.sqrt(2 / 37 * (1 - bias**4 / squares**2))
    bound = math.exp(math.log(squares) + stats.norm.ppf(0.95) * spread)
    assert row.high == pytest.approx(stats.norm.ppf(0.95) * math.sqrt(bound), rel=1e-4)
    assert pd.isna(row.low)


def test_equivalence_of_the_mean(numbers, data):
    p = DescrStatsW(data.d).ttost_mean(-MEAN_LIMIT, MEAN_LIMIT)[0]
    assert_row(numbers.row("equivalence", "p_tost"), p, unit="1", rel=1e-7)
