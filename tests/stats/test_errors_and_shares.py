"""Sizes of the error, shares within the margin, typical error of repeats."""

import numpy as np
import pandas as pd
import pytest
from held import held
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.basics.shares import (
    total_deviation_index,
    wilson_interval,
)
from agreement.stats.indices.error import errors_of_estimate
from agreement.stats.method_data import NotEstimable
from agreement.stats.repeats.repeatability import (
    field_repeatability,
    laboratory_repeatability,
    repeatability,
)
from agreement.tables.options import Reference

PUBLISHED = held("published_statistics")


def drawn(n, n_resamples=200):
    return cluster_resampling(np.arange(n), n_resamples=n_resamples, rng=1)


def test_where_all_pairs_of_repeated_athletes_lie_inside_the_interval_has_a_width():
    who = np.repeat(np.arange(24), 2)
    lab = np.linspace(40, 60, 48)
    field = lab + np.where(np.arange(48) % 3, 0.5, -0.4)
    resampling = cluster_resampling(who, n_resamples=200, rng=1)
    for margin, k in ((3.0, 24), (0.1, 0)):
        found = errors_of_estimate(field, lab, resampling, margin=margin)
        expected = proportion_confint(k, 24, method="wilson")
        assert found.share_interval() == pytest.approx(expected, abs=1e-9)


# --- shares ---------------------------------------------------------------------------------------

# Newcombe 1998 Stat Med 17:857, Table I: 81/263 Wilson read second-hand, the rest memory
NEWCOMBE = [
    (81, 263, (0.2553, 0.3662)),
    (15, 148, (0.0624, 0.1605)),
    (0, 20, (0.0, 0.1611)),
    (1, 29, (0.0061, 0.1718)),
]


@pytest.mark.parametrize(("k", "n", "wilson"), NEWCOMBE)
def test_newcombes_table(k, n, wilson):
    assert wilson_interval(k, n) == pytest.approx(wilson, abs=6e-5)


@given(st.integers(1, 300), st.data())
def test_shares_against_a_general_library(n, data):
    k = data.draw(st.integers(0, n))
    wilson = proportion_confint(k, n, method="wilson")
    assert wilson_interval(k, n) == pytest.approx(wilson, abs=1e-9)


def test_a_share_needs_a_sensible_count():
    with pytest.raises(ValueError, match="got k = 5, n = 4"):
        wilson_interval(5, 4)
    with pytest.raises(ValueError, match="got k = 0, n = 0"):
        wilson_interval(0, 0)


def test_total_deviation_index_without_bias_is_a_normal_quantile():
    d = stats.norm.ppf((np.arange(4000) + 0.5) / 4000) * 2
    found = total_deviation_index(d)
    assert found.value == pytest.approx(1.6449 * 2, rel=2e-3)
    assert not found.doubtful


def test_total_deviation_index_holds_the_share():
    d = np.random.default_rng(8).normal(0.4, 2.0, 100_000)
    assert np.mean(np.abs(d) <= total_deviation_index(d).value) == pytest.approx(0.9, abs=0.003)


def test_the_upper_bound_of_the_index_covers():
    rng = np.random.default_rng(9)
    runs, n = 1500, 40
    truth = stats.norm.ppf(0.95) * np.sqrt(1 + 0.5**2)
    bounds = [total_deviation_index(d).upper_bound for d in rng.normal(0.5, 1, (runs, n))]
    # .946 to .952 by simulation (derived)
    assert np.mean(np.array(bounds) >= truth) == pytest.approx(0.949, abs=0.017)


def test_bias_larger_than_spread_makes_the_index_doubtful():
    assert total_deviation_index([5.0, 5.5, 6.0]).doubtful
    assert total_deviation_index([2.0, 2.0, 2.0]).doubtful


# --- sizes of the error ---------------------------------------------------------------------------


def test_errors_by_hand():
    # differences 2, -2, 4, 0 on 50, 40, 80, 60: percent 4, 5, 5, 0
    lab = np.array([50.0, 40.0, 80.0, 60.0])
    found = errors_of_estimate(lab + np.array([2, -2, 4, 0]), lab, drawn(4), margin=2.0)
    assert (found.mae, found.mape) == pytest.approx((2.0, 3.5))
    assert found.rmse == pytest.approx(np.sqrt(6.0))
    assert (found.within, found.share_within_margin) == (3, 0.75)


def test_a_difference_on_the_margin_is_inside_despite_float_noise():
    lab = np.array([50.1, 50.2, 50.3])
    found = errors_of_estimate(lab + 3.5, lab, drawn(3), margin=3.5)
    assert found.within == 3


def test_without_margin_there_is_no_share():
    lab = np.array([50.0, 40.0, 80.0, 60.0])
    frame = errors_of_estimate(lab + np.array([2, -2, 4, 0]), lab, drawn(4)).to_frame()
    row = frame.set_index("statistic").loc["share_within_margin"]
    assert np.isnan(row["value"])
    assert row["note"] == "no_margin"


def test_mean_square_error_splits_into_bias_and_spread():
    rng = np.random.default_rng(2)
    lab = rng.normal(50, 5, 30)
    field = lab + rng.normal(1, 3, 30)
    d = field - lab
    found = errors_of_estimate(field, lab, drawn(30))
    assert found.rmse**2 == pytest.approx(d.mean() ** 2 + 29 / 30 * d.var(ddof=1), rel=1e-12)


def test_the_units_and_notes_of_the_table():
    rng = np.random.default_rng(2)
    lab = rng.normal(50, 5, 30)
    who = np.repeat(np.arange(15), 2)
    resampling = cluster_resampling(who, n_resamples=200, rng=1)
    frame = errors_of_estimate(lab + 1, lab * 1.01, resampling, margin=2.0).to_frame()
    assert frame["unit"].tolist() == ["mL/kg/min", "%", "mL/kg/min", "1", "mL/kg/min"]
    assert frame["note"].str.startswith("clustered").all()
    assert frame.loc[4, "low"] != frame.loc[4, "low"]  # an index has an upper bound only
    assert frame["n"].tolist() == [15] * 5


def test_percent_errors_need_values_above_zero():
    with pytest.raises(ValueError, match="laboratory values above 0"):
        errors_of_estimate([1.0, 2.0, 3.0], [0.0, 2.0, 3.0], drawn(3))


# --- repeats --------------------------------------------------------------------------------------


def test_peak_flow_of_children_1996():
    # Bland & Altman 1996 BMJ 313:744 (memory, reproduced from data that were read)
    rows = np.array(PUBLISHED["peak_flow_1996"]["rows"])
    found = repeatability(rows.ravel(), np.repeat(np.arange(20), 4))
    assert found.variance == pytest.approx(460.52, abs=0.005)
    assert found.typical_error == pytest.approx(21.5, abs=0.05)
    assert (found.df, found.n, found.n_values) == (60, 20, 80)


@pytest.mark.parametrize(("first", "variance"), [(0, 37.408), (3, 37.980), (6, 83.141)])
def test_within_person_variances_of_blood_pressure_1999(first, variance):
    # Bland & Altman 1999 section 4 (memory)
    rows = np.array(PUBLISHED["blood_pressure_1999"]["rows"], dtype=float)[:, first : first + 3]
    found = repeatability(rows.ravel(), np.repeat(np.arange(85), 3))
    assert found.variance == pytest.approx(variance, abs=0.0005)


@pytest.mark.parametrize(("first", "coefficient"), [(0, 16.95), (6, 25.27)])
def test_smallest_real_change_of_blood_pressure_1999(first, coefficient):
    # repeatability coefficients of observer and monitor (read second-hand), with 1.96 for z
    rows = np.array(PUBLISHED["blood_pressure_1999"]["rows"], dtype=float)[:, first : first + 3]
    found = repeatability(rows.ravel(), np.repeat(np.arange(85), 3))
    assert found.smallest_real_change == pytest.approx(coefficient, abs=0.0055)


def test_single_values_say_nothing_and_change_nothing():
    one = repeatability([50.0, 52.0, 40.0, 41.0], ["a", "a", "b", "b"])
    other = repeatability([50.0, 52.0, 40.0, 41.0, 70.0], ["a", "a", "b", "b", "c"])
    assert one == other
    assert one.variance == pytest.approx(1.25)  # (2 + 0.5) / 2 by hand


def test_without_repeats_a_declared_error_is_marked_as_assumed():
    repeats = pd.DataFrame(
        {"athlete_id": ["a", "b"], "lab_test_id": ["1", "2"], "lab": [50.0, 60.0]}
    )
    with pytest.raises(NotEstimable, match="not_estimable: no athlete has repeated values"):
        laboratory_repeatability(repeats, Reference())
    found = laboratory_repeatability(repeats, Reference(sem=2.6))
    assert found.assumed
    assert found.to_frame()["note"].tolist() == ["assumed", "assumed"]
    assert found.to_frame()["low"].isna().all()
    assert "declared" in found.summary()


def test_the_shift_between_repeats_is_no_noise_of_the_laboratory():
    # by hand: second less first 2, 1, 2.5, 1, 2; SD .6708, over root 2 .4743; with the shift 1.2649
    values = [50, 52, 47, 48, 60, 62.5, 55, 56, 44, 46]
    repeats = pd.DataFrame({"athlete_id": list("aabbccddee"), "lab": values})
    repeats["lab_test_id"] = repeats["athlete_id"]
    found = laboratory_repeatability(repeats, Reference())
    assert found.typical_error == pytest.approx(0.4743, abs=5e-5)
    assert (found.df, found.n, found.n_values, found.note) == (4, 5, 10, "few_repeats")
    assert found.smallest_real_change == pytest.approx(1.3148, abs=1e-4)  # 1.96 root 2 as much
    assert found.to_frame().set_index("statistic")["value"][
        "coefficient_of_variation"
    ] == pytest.approx(0.4743 / 52.05, rel=1e-4)
    with pytest.raises(NotEstimable, match="more than 3 athletes of the mode tested twice"):
        laboratory_repeatability(repeats[:6], Reference(sem=2.6))


def test_equal_repeats_are_no_error_of_zero():
    repeats = pd.DataFrame(
        {"athlete_id": ["a", "a"], "lab_test_id": ["1", "1"], "lab": [52.3, 52.3]}
    )
    with pytest.raises(
        NotEstimable, match="not_estimable: the laboratory's 2 repeated values equal"
    ):
        laboratory_repeatability(repeats, Reference())
    assert laboratory_repeatability(repeats, Reference(sem=2.6)).assumed
    held = field_repeatability(repeats.rename(columns={"lab": "field"}))  # a display that holds
    frame = held.to_frame()
    assert frame["value"].tolist() == [0.0, 0.0, 0.0]
    assert frame["note"].str.startswith("all repeats are equal").all()
    assert frame[["low", "high"]].isna().all(axis=None)
    nearly = repeatability([52.3, 52.3, 40.1, 40.2], list("aabb"))
    assert nearly.typical_error == pytest.approx(0.05)
    assert nearly.note == ""


def test_field_repeatability_is_between_the_days_of_one_window():
    daily = pd.DataFrame(
        {
            "athlete_id": ["a"] * 4,
            "lab_test_id": ["1", "1", "2", "2"],
            "field": [50.0, 52.0, 60.0, 62.0],
        }
    )
    found = field_repeatability(daily)  # windows weeks apart are not repeats of one another
    assert found.variance == pytest.approx(2.0)
    assert (found.n, found.n_values, found.df) == (1, 4, 2)
