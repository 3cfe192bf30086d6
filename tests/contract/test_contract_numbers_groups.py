"""One pair per athlete: profiles, calibration, repeatability, two estimators, by textbook."""

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from contract.textbook import Z, assert_row, limit_factors, t_interval
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.oneway import anova_oneway

GROUPS = {"base": 14, "long": 12, "short": 7, "few": 4, "not enough data": 2}


# --- profiles -------------------------------------------------------------------------------------


def test_bias_of_each_profile(numbers, data):
    for name, size in GROUPS.items():
        if size < 5 or name == "not enough data":
            continue
        d = data.d[data.profile == name]
        row = numbers.row("profile_bias", "bias", group=name)
        error = d.std() / math.sqrt(size)
        assert_row(row, d.mean(), t_interval(d.mean(), error, size - 1), n=size)


def test_limits_and_error_of_profiles_from_ten_athletes(numbers, data):
    for name in ("base", "long"):
        part = data[data.profile == name]
        low, high = limit_factors(len(part))
        bias, sd = part.d.mean(), part.d.std()
        row = numbers.row("profile_bias", "upper_limit", group=name)
        assert_row(row, bias + Z * sd, (bias + low * sd, bias + high * sd), n=len(part))
        line = sm.OLS(part.lab, sm.add_constant(part.field)).fit()
        error = numbers.row("profile_bias", "standard_error_of_estimate", group=name)
        assert error.value == pytest.approx(math.sqrt(line.ssr / (len(part) - 2)), rel=1e-9)


@pytest.mark.parametrize("statistic", ["lower_limit", "upper_limit", "standard_error_of_estimate"])
def test_a_profile_of_five_to_nine_has_bias_and_interval_only(numbers, statistic):
    row = numbers.row("profile_bias", statistic, group="short")
    assert pd.isna(row.value)
    assert row.note.startswith("too_few")


def test_small_profiles_and_missing_profiles_are_no_groups(numbers):
    rows = numbers.frame[(numbers.frame.analysis == "profile_bias") & (numbers.frame.method == "m")]
    assert "not enough data" not in set(rows.group)
    few = rows[rows.group == "few"].set_index("statistic").value
    borrowed = ["bias_pooled", "weight_own"]  # from the other profiles
    assert few.drop(borrowed).isna().all()
    assert few[borrowed].notna().all()


def test_differences_from_the_unweighted_mean_of_profiles(numbers, data):
    groups = {name: data.d[data.profile == name] for name in ("base", "long", "short")}
    means = {name: d.mean() for name, d in groups.items()}
    overall = np.mean(list(means.values()))
    ps = {}
    for name, own in groups.items():
        terms = {h: ((h == name) - 1 / 3) ** 2 * d.var() / len(d) for h, d in groups.items()}
        error = math.sqrt(sum(terms.values()))
        df = error**4 / sum(v**2 / (len(groups[h]) - 1) for h, v in terms.items())
        estimate = means[name] - overall
        row = numbers.row("profile_bias", "difference_from_overall", group=name)
        assert_row(row, estimate, t_interval(estimate, error, df), n=len(own), rel=1e-8)
        ps[name] = 2 * stats.t.sf(abs(estimate) / error, df)
    for name, p in zip(ps, multipletests(list(ps.values()), method="holm")[1], strict=True):
        assert numbers.value("profile_bias", "p_difference", group=name) == pytest.approx(
            p, rel=1e-7
        )


def test_welch_over_the_profiles(numbers, data):
    groups = [data.d[data.profile == name] for name in ("base", "long", "short")]
    p = anova_oneway(groups, use_var="unequal", welch_correction=True).pvalue
    assert numbers.value("profile_bias", "p_welch") == pytest.approx(p, rel=1e-8)


# --- calibration, repeatability, two estimators ---------------------------------------------------


def test_calibration_left_out_one_by_one(numbers, data):
    x, y = data.field.to_numpy(), data.lab.to_numpy()
    errors = {"none": x - y, "offset": [], "line": []}
    for i in range(len(x)):
        fx, fy = np.delete(x, i), np.delete(y, i)
        errors["offset"].append(x[i] - (fx - fy).mean() - y[i])
        slope, intercept = np.polyfit(fx, fy, 1)
        errors["line"].append(intercept + slope * x[i] - y[i])
    for kind, e in errors.items():
        row = numbers.row("calibration", f"rmse_cv_{kind}")
        assert row.value == pytest.approx(math.sqrt(np.mean(np.square(e))), rel=1e-8)
        mae, mean = (numbers.value("calibration", f"{of}_cv_{kind}") for of in ("mae", "bias"))
        assert mae == pytest.approx(np.mean(np.abs(e)), rel=1e-8)
        assert mean == pytest.approx(np.mean(e), abs=1e-8)
    slope, intercept = np.polyfit(x, y, 1)
    assert numbers.value("calibration", "slope") == pytest.approx(slope, rel=1e-9)
    assert numbers.value("calibration", "intercept") == pytest.approx(intercept, rel=1e-8)
    assert abs(numbers.value("calibration", "offset")) == pytest.approx(
        abs(data.d.mean()), rel=1e-9
    )


def test_repeatability_of_the_field_inside_the_window(numbers):
    # two days per window, -0.125 and +0.125: the mean square inside is 2 x 0.125^2 on one degree
    error = math.sqrt(2 * 0.125**2)
    interval = [error * math.sqrt(39 / stats.chi2.ppf(p, 39)) for p in (0.975, 0.025)]
    row = numbers.row("repeatability", "typical_error")
    assert row.value == pytest.approx(error, rel=1e-6)
    assert (row.low, row.high) == pytest.approx(interval, rel=1e-6)
    change = numbers.row("repeatability", "day_to_day_spread")
    assert change.value == pytest.approx(Z * math.sqrt(2) * error, rel=1e-6)


def test_no_laboratory_repeats_and_no_declared_error(numbers):
    row = numbers.row("repeatability", "typical_error", method="laboratory")
    assert pd.isna(row.value)
    assert row.note.startswith("not_estimable")


def test_two_estimators_on_the_same_people(numbers, data):
    rows = numbers.frame[numbers.frame.analysis == "two_estimators"]
    assert set(rows.method) == {"b vs m"}
    b, m = (data.other - data.lab)[:30], data.d[:30]
    got = {s: numbers.row("two_estimators", s, method="b vs m") for s in rows.statistic}
    assert got["ratio_of_sd"].value == pytest.approx(b.std() / m.std(), rel=1e-9)
    assert got["difference_of_sd"].value == pytest.approx(b.std() - m.std(), rel=1e-9)
    p = stats.pearsonr(b + m, b - m).pvalue
    assert got["p_pitman_morgan"].value == pytest.approx(p, rel=1e-7)
    assert {row.n for row in got.values()} == {30}


def test_no_second_visit_makes_no_change(numbers):
    row = numbers.row("change", "bias")
    assert pd.isna(row.value)
    assert row.note.startswith("no_second_visit")
