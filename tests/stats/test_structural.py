"""
The slope net of the laboratory's noise.

Values of `tests/reference/structural_and_change.json`: computed by another implementation of the
same formulas with numpy and scipy (no printed source), tolerance 1e-9.
"""

import numpy as np
import pytest
from held import held
from scipy import stats
from simulate.known_parts import DailyParts, simulate_daily

from agreement.stats.lines.deming import deming
from agreement.stats.lines.structural import structural_of, structural_slope
from agreement.stats.method_data import NotEstimable
from agreement.stats.repeats.laboratory_variance import UNKNOWN, LaboratoryVariance
from agreement.stats.results_table import method_data

HELD = held("structural_and_change")


def laboratory(inputs):
    return LaboratoryVariance(inputs["v"], np.inf if inputs["nu"] is None else inputs["nu"])


def none_as_nan(values):
    return [np.nan if value is None else value for value in values]


@pytest.mark.parametrize("case", [*HELD["structural_slope"], *HELD["responsiveness"]])
def test_held_values(case):
    inputs, wanted = case["inputs"], case["outputs"]
    field, lab = (
        inputs.get(name, inputs.get(f"{name}_change")) for name in ("field", "laboratory")
    )
    shares = None if "laboratory" in inputs else np.full(len(lab), 2.0)
    if "tests_behind" in inputs:
        shares = 1 / np.array(inputs["tests_behind"])
    found = structural_slope(
        field, lab, laboratory(inputs), athlete=inputs.get("athlete"), noise_shares=shares
    )
    shown = {
        "slope": found.slope,
        "low": found.interval.low,
        "high": found.interval.high,
        "p_zero": found.p_zero,
        "p_one": found.p_one,
        "reliability": found.reliability,
        "reliability_low": found.reliability_interval.low,
        "reliability_high": found.reliability_interval.high,
        "se": found.standard_error,
        "intercept": found.intercept,
    }
    assert list(shown.values()) == pytest.approx(
        none_as_nan(wanted[name] for name in shown), rel=1e-9, abs=1e-9, nan_ok=True
    )
    assert found.bounded is wanted["bounded"]


@pytest.mark.parametrize("slope", [0.6, 1.0])
def test_the_interval_holds_the_true_slope(slope):
    """400 studies of 20 athletes, SD of fitness 6, SEM 2.6 from 20 repeats; 3 standard errors."""
    rng = np.random.default_rng(20260102)
    held = rejected = 0
    for _ in range(400):
        truth = rng.normal(50, 6, 20)
        known = LaboratoryVariance(2.6**2 * rng.chisquare(20) / 20, 20)
        field = 5 + slope * truth + rng.normal(0, 1.5, 20)
        found = structural_slope(field, truth + rng.normal(0, 2.6, 20), known)
        low, high = np.nan_to_num(found.interval, nan=np.inf)
        held += low <= slope <= high
        rejected += found.p_one < 0.05
    assert held / 400 >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / 400)
    if slope == 1.0:
        assert rejected / 400 <= 0.05 + 3 * np.sqrt(0.95 * 0.05 / 400)


def test_without_noise_it_is_least_squares():
    rng = np.random.default_rng(4)
    lab = rng.normal(50, 6, 15)
    field = 0.8 * lab + rng.normal(0, 2, 15)
    found = structural_slope(field, lab, LaboratoryVariance(0.0, np.inf))
    line = stats.linregress(lab, field)
    half = stats.t.ppf(0.975, 13) * line.stderr
    assert found.slope == pytest.approx(line.slope)
    assert found.interval == pytest.approx((line.slope - half, line.slope + half))
    assert found.p_zero == pytest.approx(line.pvalue)


def test_equal_laboratory_values_are_refused_in_a_whole_sentence():
    with pytest.raises(ValueError, match="values that differ and 3 athletes; got 12") as refused:
        structural_slope(range(12), [50.0] * 12, LaboratoryVariance(2.0, 20))
    said = NotEstimable(f"{refused.value}.").sentence
    assert said == "a slope needs laboratory values that differ and 3 athletes."


def test_rows_say_where_there_is_no_bound():
    rng = np.random.default_rng(6)
    lab = rng.normal(50, 3, 14)
    noisy = structural_slope(0.9 * lab + rng.normal(0, 1, 14), lab, LaboratoryVariance(6.0, 5))
    row = noisy.to_frame().set_index("statistic").loc["slope"]
    assert np.isnan(row["high"])
    assert row["note"] == "unbounded; few_repeats"
    assert "set no upper bound" in noisy.summary()
    swamped = structural_slope(lab, lab, LaboratoryVariance(900.0, 20))
    row = swamped.to_frame().set_index("statistic").loc["slope"]
    assert row["note"].startswith("not_estimable")


@pytest.mark.parametrize("case", HELD["noise_lean"])
def test_held_leans_of_noise(case):
    told, wanted = case["inputs"], case["outputs"]
    found = structural_slope(told["field"], told["laboratory"], LaboratoryVariance(told["v"], 20))
    line = stats.linregress(
        np.add(told["field"], told["laboratory"]) / 2,
        np.subtract(told["field"], told["laboratory"]),
    )
    shown = (line.slope, found.lean_from_noise, found.error_ratio, found.sem_for_slope_one)
    names = ("slope_on_mean", "from_noise_alone", "lam", "sem_for_slope_one")
    assert shown == pytest.approx([wanted[name] for name in names], rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("case", HELD["noise_lean"])
def test_an_unknown_laboratory_error_leaves_what_needs_none(case):
    told, wanted = case["inputs"], case["outputs"]
    rows = structural_slope(told["field"], told["laboratory"], UNKNOWN).to_frame()
    values = rows.set_index("statistic")["value"].dropna()
    line = stats.linregress(told["laboratory"], told["field"])
    assert values.to_dict() == pytest.approx(
        {"p_slope_zero": line.pvalue, "sem_for_slope_one": wanted["sem_for_slope_one"]}, rel=1e-9
    )


def test_an_unknown_laboratory_error_is_the_reason_of_the_other_rows():
    study = simulate_daily(DailyParts(n_athletes=20, share_repeated=0.0), rng=3)
    (data,) = method_data(study)
    found = structural_of(data)
    rows = found.to_frame().set_index("statistic")
    why = rows.loc[rows["value"].isna(), "note"]
    assert set(why) == {"not_estimable: the laboratory's own error is unknown."}
    assert set(why.index) == {
        "slope",
        "reliability",
        "p_slope_one",
        "lean_from_noise",
        "error_ratio",
    }
    assert found.excludes_zero


def test_a_deming_line_of_that_ratio_is_the_structural_one():
    told = HELD["noise_lean"][1]["inputs"]
    found = structural_slope(told["field"], told["laboratory"], LaboratoryVariance(told["v"], 20))
    line = deming(told["field"], told["laboratory"], error_ratio=found.error_ratio)
    assert line.slope == pytest.approx(found.slope, rel=1e-9)


@pytest.mark.parametrize(("true", "false"), [("one", "zero"), ("zero", "one")])
def test_which_slope_is_not_refuted(true, false):
    rng = np.random.default_rng(6)
    fitness = rng.normal(50, 6, 60)
    field = fitness + rng.normal(0, 2, 60) if true == "one" else rng.normal(50, 2, 60)
    lab = fitness + rng.normal(0, 1, 60)
    found = structural_slope(field, lab, LaboratoryVariance(1.0, 17.0)).to_frame()
    found = found.set_index("statistic")["value"]
    assert found[f"p_slope_{false}"] < 1e-6
    assert found[f"p_slope_{true}"] > 0.01


def test_the_intercept_by_hand():
    """The mean of field values less slope times laboratory's, each end by MOVER (Zou 2008, memory)."""
    rng = np.random.default_rng(6)
    lab = rng.normal(52, 6, 15)
    field = 5 + 0.9 * lab + rng.normal(0, 2, 15)
    found = structural_slope(field, lab, LaboratoryVariance(2.0, 30.0))
    residual = field - found.slope * lab
    assert found.intercept == pytest.approx(residual.mean())
    half = stats.t.ppf(0.975, 14) * residual.std(ddof=1) / np.sqrt(15)
    below, above = lab.mean() * np.abs(np.subtract(found.interval, found.slope))
    low, high = found.intercept - np.hypot(half, above), found.intercept + np.hypot(half, below)
    assert found.intercept_interval == pytest.approx((low, high))
