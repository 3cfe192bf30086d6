"""What sessions covered, and how much of the errors it explains."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from agreement.physiology.coverage import intensity_coverage
from agreement.stats.causes.intensity_coverage import coverage_by_profile
from agreement.stats.method_data import NotEstimable

DAY = pd.Timestamp("2026-03-02")


def rows(profile, errors, bias, se=3.0, names=None):
    """Return rows of the coverage table, one per athlete unless named."""
    names = [f"{profile}{i:03d}" for i in range(len(errors))] if names is None else names
    return pd.DataFrame(
        {"athlete_id": names, "lab_test_id": names, "mode": "run", "training_profile": profile}
        | {"lab": 50.0, "line_date": DAY, "n_points": 6, "hr_span": 38.0, "slope": 0.4}
        | {"top_share_of_hr_max": 0.85, "intercept": -20.0, "hr_max_bpm": 190.0}
        | {"extrapolation_se": se, "expected_bias": bias, "refused": None, "method": "watch"}
        | {"observed_error": errors}
    )


def told(found, group="all"):
    frame = found.to_frame()
    return frame[frame["group"] == group].set_index("statistic")


def test_a_profile_by_hand():
    errors = [-1.0, -3.0, -2.0, -4.0, -5.0]  # mean -3, SD 1.581, t(4) 2.776: +-1.963
    found = coverage_by_profile(rows("long", errors, -2.0))
    assert list(found.groups) == ["all", "long"]
    long = told(found, "long")
    assert long.loc["observed_error", ["value", "low", "high"]].tolist() == pytest.approx(
        [-3, -4.963, -1.037], abs=0.001
    )
    assert long.loc["extrapolation_se", "value"] == 3.0
    assert long.loc["expected_bias", "value"] == -2.0
    assert long.loc["top_share_of_hr_max", "value"] == 0.85
    assert long.loc["bottom_share_of_hr_max", "value"] == pytest.approx(0.65)  # 38 bpm of 190
    assert np.isnan(long.loc["share_explained", "value"])  # below ten athletes
    assert long.loc["share_explained", "note"] == "too_few"


def test_the_spread_beyond_the_line_by_hand():
    # SD 1.5811 of which the lines' own error is 1.2: root of 2.5 - 1.44; interval by chi-square, 4 df
    errors = [-1.0, -3.0, -2.0, -4.0, -5.0]
    long = told(coverage_by_profile(rows("long", errors, np.nan, se=1.2), own_form=True), "long")
    assert long.loc["observed_sd", "value"] == pytest.approx(1.58114, abs=1e-5)
    ends = 1.58114 * np.sqrt(4 / stats.chi2.ppf([0.975, 0.025], 4))
    assert long.loc["observed_sd", ["low", "high"]].tolist() == pytest.approx(ends, abs=1e-4)
    assert long.loc["unexplained_sd", "value"] == pytest.approx(np.sqrt(2.5 - 1.44))
    assert long.loc["expected_bias", "note"] == "not_estimable: the estimate is the line itself"
    wide = told(coverage_by_profile(rows("long", errors, np.nan, se=9.0), own_form=True), "long")
    assert wide.loc["unexplained_sd", "value"] == 0
    few = told(coverage_by_profile(rows("long", errors[:4], np.nan), own_form=True), "long")
    assert few.loc[["observed_sd", "unexplained_sd"], "note"].tolist() == ["too_few"] * 2


def test_athletes_count_once_however_many_tests_they_have():
    # A has three errors of mean -6; the mean of athletes is -2, of rows -3.33
    names, errors = ["A", "A", "A", "B", "C", "D", "E"], [-4.0, -6.0, -8.0, -1, -1, -1, -1]
    found = coverage_by_profile(rows("long", errors, 0.0, names=names)).groups["all"]
    error = found.rows["observed_error"]
    assert (error.n, error.n_pairs) == (5, 7)
    assert error.value == pytest.approx(-2.0)


def test_a_profile_of_four_shows_no_error():
    long = told(coverage_by_profile(rows("long", [-1.0, -3.0, -2.0, -4.0], 0.0)), "long")
    assert np.isnan(long.loc["observed_error", "value"])
    assert long.loc["observed_error", "note"] == "too_few"
    assert long.loc["extrapolation_se", "value"] == 3.0


def test_the_standard_error_is_a_root_mean_square():
    found = coverage_by_profile(rows("long", [0.0, 1.0], 0.0, se=[3.0, 4.0])).groups["all"]
    assert found.rows["extrapolation_se"].value == pytest.approx(12.5**0.5)


def test_the_interval_of_the_share_explained():
    # Fisher's z by hand: r 0.8 of 28 athletes, z = 1.0986 +- 1.960 / 5: r from 0.6086 to 0.9034
    rng = np.random.default_rng(3)
    x, noise = rng.normal(size=28), rng.normal(size=28)
    x = (x - x.mean()) / x.std()
    noise -= noise.mean() + (noise @ x) / 28 * x
    y = 0.8 * x + 0.6 * noise / noise.std()
    found = coverage_by_profile(rows("long", y, x))
    share = told(found).loc["share_explained"]
    assert share["value"] == pytest.approx(0.64)
    assert share["value"] == pytest.approx(stats.linregress(x, y).rvalue ** 2)  # independent: scipy
    assert (share["low"], share["high"]) == pytest.approx((0.6086**2, 0.9034**2), abs=2e-4)
    assert "explains 64 %" in found.summary()
    assert "28 athletes" in found._repr_html_() + found.summary()


def test_a_share_that_may_be_nothing_starts_at_nothing():
    rng = np.random.default_rng(4)
    found = coverage_by_profile(rows("long", rng.normal(size=12), rng.normal(size=12)))
    share = told(found).loc["share_explained"]
    assert share["low"] == 0 < share["value"] < share["high"]


def test_coverage_explains_errors_that_arise_from_it():
    """Errors are the expected bias and noise of SD 1: the share follows from the variances."""
    rng = np.random.default_rng(2)
    bias = -rng.uniform(0, 8, 60)
    names = [f"A{i:02d}" for i in range(60)]
    lines = pd.DataFrame(
        {"athlete_id": names, "mode": "run", "date": DAY - pd.Timedelta(days=2)}
        | {"standard_error": 3.0, "other_form_bias": bias, "n_points": 8, "hr_span": 30.0}
        | {"top_share_of_hr_max": 0.85, "slope": 0.4, "intercept": -20.0, "hr_max_bpm": 190.0}
        | {"refused": None}
    )
    pairs = pd.DataFrame(
        {"athlete_id": names, "mode": "run", "method": "watch", "lab_date": DAY}
        | {"lab_test_id": names, "training_profile": "balanced", "lab": 50.0}
        | {"difference": bias + rng.normal(0, 1, 60)}
    )
    everybody = coverage_by_profile(intensity_coverage(lines, pairs)).groups["all"]
    share = everybody.rows["share_explained"]
    expected = np.var(bias, ddof=1) / (np.var(bias, ddof=1) + 1)
    assert share.value == pytest.approx(expected, abs=0.1)
    assert share.low < expected < share.high


@pytest.mark.slow
def test_the_interval_of_the_share_covers():
    """True share 1/2 of 25 athletes; at most 3 Monte Carlo standard errors from 95 %."""
    rng, held, runs = np.random.default_rng(6), 0, 2000
    for _ in range(runs):
        x = rng.normal(size=25)
        found = coverage_by_profile(rows("long", x + rng.normal(size=25), x)).groups["all"]
        share = found.rows["share_explained"]
        held += share.low < 0.5 < share.high
    assert held / runs == pytest.approx(0.95, abs=3 * (0.95 * 0.05 / runs) ** 0.5)


def test_of_the_sessions_own_estimate_no_bias_is_expected():
    rng = np.random.default_rng(5)
    found = coverage_by_profile(
        rows("long", rng.normal(size=20), rng.normal(size=20)), own_form=True
    )
    share = told(found).loc["share_explained"]
    assert np.isnan(share["value"])
    assert share["note"].startswith("not_estimable: the estimate is the line itself")
    assert "cannot be told" in found.summary()


@pytest.mark.parametrize(("errors", "bias"), [([1.0] * 12, range(12)), (range(12), [1.0] * 12)])
def test_what_does_not_vary_explains_nothing_that_can_be_told(errors, bias):
    found = coverage_by_profile(rows("long", list(errors), list(bias)))
    assert np.isnan(found.groups["all"].rows["share_explained"].value)
    assert "cannot be told" in found.summary()


def test_nothing_covered_is_refused_in_words():
    with pytest.raises(NotEstimable, match="no session with a record"):
        coverage_by_profile(rows("long", [], []))


def test_shares_are_those_of_the_middle_pair_and_the_expected_bias_is_a_mean():
    found = rows("long", [-1.0, -3.0, -2.0, -4.0, -5.0], [-1.0, -1.0, -2.0, -2.0, -9.0])
    found["top_share_of_hr_max"] = [0.80, 0.95, 0.90, 0.82, 0.81]
    found["hr_span"] = [38.0, 57.0, 19.0, 19.0, 19.0]  # bottoms 0.60, 0.65, 0.80, 0.72, 0.71
    found["extrapolation_se"] = [3.0, 3.0, 3.0, 3.0, 8.0]  # squares 36 + 64, a fifth: 20
    long = told(coverage_by_profile(found), "long")["value"]
    assert long["top_share_of_hr_max"] == pytest.approx(0.82)
    assert long["bottom_share_of_hr_max"] == pytest.approx(0.71)
    assert long["expected_bias"] == pytest.approx(-3.0)
    assert long["extrapolation_se"] == pytest.approx(20.0**0.5)
