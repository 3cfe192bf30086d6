"""
Ventilatory thresholds: corners against a general library, simulated ramps with known thresholds.

No printed worked example of V-slope with its data was found: what proves it is recovery. That the upper
slope of V-slope exceeds the lower by 0.1 and that the first minute is left out is from memory.
"""

import numpy as np
import pandas as pd
import pytest
from invented_ramp import MASS, VT1, VT2, ramp
from scipy.optimize import curve_fit

from agreement.physiology.broken_line import broken_line
from agreement.physiology.thresholds import (
    EQUIVALENT_CO2,
    EQUIVALENT_O2,
    MAYBE_SECOND,
    METHODS,
    V_SLOPE,
    VE_ON_VCO2,
    heart_rates,
    rated_thresholds,
    ventilatory_thresholds,
    without_impossible,
)
from agreement.terms import RATED


def found(breaths, cost=np.nan):
    told = ventilatory_thresholds(
        breaths, np.full(len(breaths), cost), lab_test_id="T", mass_kg=MASS
    )
    return told.set_index("method")


def kinked(x, a, b, bend, at):
    return a + b * x + bend * np.maximum(x - at, 0)


def test_the_corner_is_that_of_nonlinear_least_squares():
    rng = np.random.default_rng(3)
    for _ in range(5):
        x = np.sort(rng.uniform(0, 100, 60))
        y = kinked(x, 3, 1, 0.8, 60) + rng.normal(0, 4, 60)
        (_, slope, bend, at), _ = curve_fit(kinked, x, y, p0=(3, 1, 0.8, 55))
        one = broken_line(x, y)
        assert one.at == pytest.approx(at, abs=0.6)  # half a step of the corners tried
        assert (one.before, one.after) == pytest.approx((slope, slope + bend), abs=0.02)
        assert one.low < one.at < one.high


def test_order_and_scale_of_the_points_do_not_matter():
    rng = np.random.default_rng(5)
    x = np.linspace(0, 10, 50)
    y = kinked(x, 0, 1, 1, 6) + rng.normal(0, 0.3, 50)
    mixed = rng.permutation(50)
    one, other = broken_line(x, y), broken_line(1000 * x[mixed], 5 + 2 * y[mixed])
    assert other.p == one.p
    assert np.array(other[:3]) == pytest.approx(1000 * np.array(one[:3]))
    assert other.before == pytest.approx(one.before / 500)


@pytest.mark.slow
def test_a_straight_line_is_taken_for_bent_in_one_of_twenty():
    rng = np.random.default_rng(8)
    x = np.linspace(0, 1, 40)
    low = [broken_line(x, x + rng.normal(0, 1, 40)).p <= 0.05 for _ in range(1500)]
    assert np.mean(low) == pytest.approx(0.05, abs=0.015)


@pytest.mark.slow
@pytest.mark.parametrize("uneven", [0.0, 1.5])
def test_the_interval_of_the_corner_covers_even_and_uneven_errors(uneven):
    rng = np.random.default_rng(9)
    x = np.linspace(0, 40, 50)
    spread = 1 + uneven * (x > 22)
    held = []
    for _ in range(800):
        one = broken_line(x, kinked(x, 0, 1, 1, 22) + rng.normal(0, spread))
        held.append(one.low <= 22 <= one.high)
    assert 0.93 <= np.mean(held) <= 0.985


def test_known_thresholds_come_back():
    told = pd.concat([found(ramp(seed)) for seed in range(12)])
    mean = told.groupby(level=0)[["vo2", "hr"]].mean()
    assert mean.loc[V_SLOPE, "vo2"] == pytest.approx(VT1, abs=1.0)
    assert mean.loc[VE_ON_VCO2, "vo2"] == pytest.approx(VT2, abs=0.8)
    # the equivalents fall along a curve before they rise: their corner lies lower
    assert mean.loc[EQUIVALENT_O2, "vo2"] == pytest.approx(VT1 - 1, abs=1.5)
    assert mean.loc[EQUIVALENT_CO2, "vo2"] == pytest.approx(VT2 - 2, abs=1.5)
    known = told.dropna(subset="vo2")
    assert (known["hr"] - 80 - 2 * known["vo2"]).abs().max() < 3  # the heart rate there
    assert (known["low"] <= known["vo2"]).all()
    assert (known["vo2"] <= known["high"]).all()


@pytest.mark.slow
def test_intervals_of_simulated_ramps_hold_the_truth():
    told = pd.concat([found(ramp(seed)) for seed in range(400)])
    truth = told["threshold"].map({"vt1": VT1, "vt2": VT2})
    held = ((told["low"] <= truth) & (truth <= told["high"])).groupby(level=0).sum()
    known = told["vo2"].notna().groupby(level=0).sum()
    assert (known / 400)[[V_SLOPE, VE_ON_VCO2]].min() > 0.85
    assert held[V_SLOPE] / known[V_SLOPE] > 0.92
    # noise of the carbon dioxide itself is not in the interval
    assert held[VE_ON_VCO2] / known[VE_ON_VCO2] > 0.82


@pytest.mark.parametrize("seed", range(4))
def test_a_ramp_without_corners_has_no_threshold(seed):
    told = found(ramp(seed, first_slope=1.0, second_slope=1.0, vt2=80))
    assert told.loc[[V_SLOPE, VE_ON_VCO2], "vo2"].isna().all()
    assert (told["note"] != "").all()


def test_what_was_not_recorded_is_said():
    whole = ramp(1)
    without = found(whole.assign(ve_l_min=np.nan))
    assert without.loc[V_SLOPE, "vo2"] > 0
    assert without.loc[V_SLOPE, "note"] == MAYBE_SECOND
    assert found(whole).loc[V_SLOPE, "note"] == ""
    others = [name for name in METHODS if name != V_SLOPE]
    assert set(without.loc[others, "note"]) == {"ventilation (ve_l_min) was not recorded"}
    assert found(whole.assign(vco2_ml_min=np.nan)).empty
    assert found(whole.assign(hr_bpm=np.nan))["hr"].isna().all()


@pytest.mark.parametrize("gas", ["vo2_ml_min", "vco2_ml_min"])
def test_a_gap_of_one_gas_costs_its_bins_and_no_threshold(gas):
    whole = ramp(1)
    early = whole["t_s"].between(100, 125)  # two bins or three, below both thresholds
    told, before = found(whole.assign(**{gas: whole[gas].mask(early)})), found(whole)
    for method, true in ((V_SLOPE, VT1), (VE_ON_VCO2, VT2)):
        assert told.loc[method, "vo2"] == pytest.approx(true, abs=3)
        assert told.loc[method, "vo2"] == pytest.approx(before.loc[method, "vo2"], abs=1.5)
        assert told.loc[method, "hr"] == pytest.approx(80 + 2 * told.loc[method, "vo2"], abs=3)
        assert told.loc[method, "note"] == ""


def test_a_short_record_and_long_stages_are_refused():
    assert found(ramp(1, minutes=3))["note"].str.contains("14 of different uptake").all()
    staged = ramp(1)
    stage = 10 * np.floor(staged["t_s"] / 180)
    told = ventilatory_thresholds(staged, 20 + stage.to_numpy(), lab_test_id="T", mass_kg=MASS)
    assert told["note"].str.startswith("3 stages of two minutes or longer").all()
    assert told["vo2"].isna().all()


def test_a_bend_downwards_is_no_threshold():
    told = found(ramp(2, first_slope=1.2, second_slope=0.8))
    assert "bends down" in told.loc[V_SLOPE, "note"]


def lab_rows(**values):
    nothing = dict.fromkeys(RATED, np.nan)
    row = {"lab_test_id": "T", "lab": 50.0, "hr_max_bpm": 190.0, "file": "lab.csv", "row": 2}
    return pd.DataFrame([row | nothing | values])


def test_two_raters_values_are_kept_apart_and_their_mean_is_used():
    given, problems = rated_thresholds(
        lab_rows(vt1_hr_bpm=140, vt2_hr_bpm=170, rater2_vt1_hr_bpm=146, vt1_vo2_ml_kg_min=30.0)
    )
    assert not problems
    assert given[["threshold", "method"]].to_numpy().tolist() == [
        ["vt1", "rater_1"],
        ["vt2", "rater_1"],
        ["vt1", "rater_2"],
    ]
    computed = pd.DataFrame(
        [
            ("T", "vt1", V_SLOPE, 120.0),
            ("U", "vt1", V_SLOPE, 130.0),
            ("U", "vt2", VE_ON_VCO2, 160.0),
        ],
        columns=["lab_test_id", "threshold", "method", "hr"],
    )
    rates = heart_rates(pd.concat([given, computed], ignore_index=True))
    assert rates.to_numpy().tolist() == [["T", 143.0, 170.0], ["U", 130.0, 160.0]]


def test_where_nobody_rated_the_table_is_empty_and_of_the_same_types():
    none, problems = rated_thresholds(lab_rows())
    some, _ = rated_thresholds(lab_rows(vt1_hr_bpm=140, vt2_hr_bpm=170))
    assert none.empty
    assert not problems
    pd.testing.assert_series_equal(none.dtypes, some.dtypes)


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"vt1_hr_bpm": 170, "vt2_hr_bpm": 150}, "First threshold 170, second 150"),
        ({"vt2_vo2_ml_kg_min": 55.0}, "First threshold not given, second 55"),
        ({"rater2_vt1_hr_bpm": 195}, "First threshold 195, second not given"),
    ],
)
def test_thresholds_that_cannot_be_are_unknown_and_told(values, said):
    given, (problem,) = rated_thresholds(lab_rows(**values))
    assert given.empty
    assert said in problem.what
    assert (problem.severity, problem.file, problem.row) == ("note", "lab.csv", 2)


def test_a_heart_rate_above_the_tests_highest_is_unknown_and_told():
    columns = ["lab_test_id", "threshold", "method", "hr", "note"]
    lines = [("T", "vt1", V_SLOPE, 150.0, MAYBE_SECOND), ("T", "vt2", VE_ON_VCO2, 165.0, "")]
    lines += [("U", "vt2", VE_ON_VCO2, 165.0, ""), ("V", "vt2", VE_ON_VCO2, 165.0, "")]
    tests = pd.DataFrame({"lab_test_id": ["T", "U", "V"], "hr_max_bpm": [140.0, 165.0, np.nan]})
    told = without_impossible(pd.DataFrame(lines, columns=columns), tests)
    assert told["hr"].isna().tolist() == [True, True, False, False]
    why = "the heart rate there ({} bpm) lies above the test's highest (140): one is wrong, taken as unknown"
    assert told["note"].tolist() == [
        f"{MAYBE_SECOND}; {why.format(150)}",
        why.format(165),
        "",
        "",
    ]
    assert heart_rates(told).empty


def test_a_table_of_bins_serves_as_breaths_do():
    told = []
    for seed in range(8):
        one = ramp(seed).drop(columns="phase")
        bins = one.groupby(np.floor(one["t_s"] / 20)).mean().reset_index(drop=True)
        told.append(found(bins.assign(t_s=20.0 * np.arange(1, len(bins) + 1))))
    mean = pd.concat(told).groupby(level=0)["vo2"].mean()
    assert mean[V_SLOPE] == pytest.approx(VT1, abs=1.5)
    assert mean[VE_ON_VCO2] == pytest.approx(VT2, abs=1.2)
