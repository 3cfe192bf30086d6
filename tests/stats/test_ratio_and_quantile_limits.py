"""Limits as ratios and as quantiles."""

import numpy as np
import pytest
from held import held
from scipy import stats

from agreement.stats.limits.quantile_limits import quantile_limits
from agreement.stats.limits.ratio_limits import ratio_limits

PRESSURE = held("published_statistics")["blood_pressure_1999"]["rows"]


def test_ratio_limits_are_the_geometric_mean_and_its_normal_limits():
    rng = np.random.default_rng(5)
    lab = rng.uniform(30, 70, 5000)
    found = ratio_limits(lab * np.exp(rng.normal(0.05, 0.1, 5000)), lab, np.arange(5000))
    assert found.ratio == pytest.approx(np.exp(0.05), abs=3 * 0.1 / np.sqrt(5000))
    assert found.lower == pytest.approx(np.exp(0.05 - 1.96 * 0.1), abs=0.01)
    assert found.upper == pytest.approx(np.exp(0.05 + 1.96 * 0.1), abs=0.015)
    assert "14 % below and 28 % above" in found.summary()


def test_ratio_limits_do_not_depend_on_the_unit():
    rng = np.random.default_rng(6)
    lab = rng.uniform(30, 70, 40)
    field = lab * rng.normal(1.05, 0.1, 40)
    one, other = (ratio_limits(field * k, lab * k, np.arange(40)) for k in (1.0, 0.0699))
    assert (other.lower, other.upper) == pytest.approx((one.lower, one.upper), rel=1e-12)


def test_ratio_limits_on_the_original_scale_are_straight_lines():
    rng = np.random.default_rng(7)
    lab = rng.uniform(30, 70, 40)
    found = ratio_limits(lab * rng.normal(1.0, 0.1, 40), lab, np.arange(40))
    lower, upper = found.limits_at([40.0, 60.0])
    # at field / laboratory = R and mean A the difference is 2 A (R - 1) / (R + 1): solve for R
    for d, ratio in ((lower, found.lower), (upper, found.upper)):
        level = np.array([40.0, 60.0])
        assert (level + d / 2) / (level - d / 2) == pytest.approx([ratio, ratio], rel=1e-12)


def test_ratio_limits_stand_in_three_rows():
    frame = ratio_limits(
        np.array([50.0, 52, 41]), np.array([50.0, 51, 40]), np.arange(3)
    ).to_frame()
    assert frame["statistic"].tolist() == ["ratio", "lower_limit_of_ratio", "upper_limit_of_ratio"]


def test_quantile_limits_of_blood_pressure_1999():
    # Bland & Altman 1999 data (read); type 6 quantiles by R quantile(type = 6) (derived)
    rows = np.array(PRESSURE, dtype=float)
    found = quantile_limits(rows[:, 0] - rows[:, 6])
    assert (found.lower, found.upper) == pytest.approx((-86.1, 17.4), abs=1e-9)


@pytest.mark.parametrize(("n", "exists"), [(145, False), (146, True)])
def test_a_distribution_free_interval_needs_146_athletes(n, exists):
    # 0.975^n <= 0.025 (binomial; derived)
    found = quantile_limits(np.linspace(-5, 5, n))
    assert [found.intervals[at] is not None for at in (0, 2)] == [exists, exists]
    notes = found.to_frame().set_index("statistic")["note"]
    limits = notes[["lower_limit", "upper_limit"]]
    assert limits.str.startswith("no 95 % interval").all() != exists
    # that of a median needs 6 (2 x 0.5^6 = 0.031)
    assert (found.median, notes["median"]) == (pytest.approx(0.0, abs=1e-9), "")


def test_repeated_pairs_have_quantiles_and_no_interval():
    d = np.sort(np.round(np.random.default_rng(8).normal(0, 3, 399), 6))
    found = quantile_limits(d, 200)
    assert (found.n, found.n_pairs) == (200, 399)
    frame = found.to_frame()
    # a share p is at rank p (n + 1): 10, 200 and 390 of 399 (type 6 by its definition)
    assert frame["value"].tolist() == pytest.approx(d[[9, 199, 389]].tolist(), rel=1e-12)
    assert frame[["low", "high"]].isna().all(axis=None)
    assert frame["note"].str.startswith("clustered").all()


def test_the_distribution_free_interval_covers():
    rng = np.random.default_rng(3)
    n, runs, truth = 200, 800, stats.expon.ppf(0.975)
    covered = 0
    for d in rng.exponential(size=(runs, n)):
        covered += quantile_limits(d).intervals[2].contains(truth)
    # never below its confidence; discrete, hence above
    assert covered / runs >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / runs)
    assert covered / runs < 0.99


@pytest.mark.parametrize("n", [3, 38])
def test_quantiles_outside_the_data_are_refused(n):
    with pytest.raises(ValueError, match=f"need 39 athletes; got {n}"):
        quantile_limits(np.arange(float(n)))


def test_39_athletes_are_enough_for_quantiles():
    found = quantile_limits(np.arange(39.0))
    assert (found.lower, found.upper) == pytest.approx((0.0, 38.0))
