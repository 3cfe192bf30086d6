"""
Own error net of the laboratory.

Values of `tests/reference/net_of_laboratory.json`: computed by another implementation of the same
formulas with numpy and scipy (no printed source), tolerance 1e-9.
"""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from held import held
from scipy import stats

from agreement.stats.limits.net_of_laboratory import net_of_laboratory
from agreement.stats.method_data import NotEstimable
from agreement.stats.repeats.laboratory_itself import laboratory_repeats
from agreement.stats.repeats.laboratory_variance import (
    LaboratoryVariance,
    lab_tests_behind,
    laboratory_of,
    laboratory_variance,
)
from agreement.stats.repeats.repeatability import repeatability
from agreement.tables.options import Reference, StudyOptions

HELD = held("net_of_laboratory")


def own(inputs):
    difference = np.array(inputs["field"]) - np.array(inputs["laboratory"])
    df = np.inf if inputs["nu"] is None else inputs["nu"]
    return net_of_laboratory(
        difference,
        inputs.get("athlete", range(difference.size)),
        LaboratoryVariance(inputs["v"], df),
        tests_behind=inputs.get("tests_behind"),
    )


@pytest.mark.parametrize("case", HELD["own"])
def test_held_values(case):
    found, wanted = own(case["inputs"]), case["outputs"]
    shown = {
        "bias": found.bias,
        "bias_low": found.bias_interval().low,
        "bias_high": found.bias_interval().high,
        "c": found.noise_share,
        "variance": found.variance,
        "variance_low": found.variance_interval().low,
        "variance_high": found.variance_interval().high,
        "sd": found.sd,
        "sd_low": found.sd_interval().low,
        "sd_high": found.sd_interval().high,
    }
    if not wanted["contradiction"]:
        shown |= {
            "lower": found.lower,
            "lower_low": found.lower_interval().low,
            "lower_high": found.lower_interval().high,
            "upper": found.upper,
            "upper_low": found.upper_interval().low,
            "upper_high": found.upper_interval().high,
        }
    assert shown == pytest.approx({name: wanted[name] for name in shown}, rel=1e-9, abs=1e-9)
    assert found.contradiction is wanted["contradiction"]


@pytest.mark.parametrize("case", HELD["own_share"])
def test_held_shares(case):
    share, (low, high) = own(case["inputs"]).share_within(case["inputs"]["margin"])
    wanted = case["outputs"]
    assert (share, low, high) == pytest.approx(
        (wanted["share"], wanted["low"], wanted["high"]), abs=1e-9
    )


@pytest.mark.parametrize("case", HELD["lab_repeats"])
def test_held_repeats(case):
    values, unit = case["inputs"]["vo2max"], case["inputs"]["unit"]
    found, first = (
        laboratory_variance(values, unit),
        laboratory_repeats(values, unit, unit).steps[0],
    )
    wanted = case["outputs"]
    assert (found.variance, found.df, first.shift, *first.shift_interval) == pytest.approx(
        [wanted[name] for name in ("v", "nu", "shift", "shift_low", "shift_high")], rel=1e-9
    )
    assert found.sd == pytest.approx(wanted["sem"], rel=1e-9)
    about_the_mean = repeatability(values, unit).variance
    assert about_the_mean == pytest.approx(wanted["raw_mean_square"], rel=1e-9)  # holds the shift


def test_two_tests_each_are_half_the_variance_of_their_difference():
    rng = np.random.default_rng(5)
    first, second = rng.normal(50, 5, 12), rng.normal(52, 5, 12)
    found = laboratory_variance(np.stack([first, second], axis=1).ravel(), np.repeat(range(12), 2))
    assert found.variance == pytest.approx(np.var(second - first, ddof=1) / 2)
    assert found.df == 11


def test_an_exact_laboratory_leaves_the_classical_spread():
    d = np.random.default_rng(7).normal(1, 3, 25)
    found = net_of_laboratory(d, range(25), LaboratoryVariance(0.0, np.inf))
    assert (found.bias, found.sd) == pytest.approx((d.mean(), d.std(ddof=1)))
    low, high = 24 * d.var(ddof=1) / stats.chi2.ppf([0.975, 0.025], 24)
    assert found.variance_interval() == pytest.approx((low, high))


@pytest.mark.parametrize("own_sd", [0.0, 1.5, 3.5])
def test_the_interval_of_the_own_spread_holds_the_truth(own_sd):
    """400 studies of 20 athletes, 12 of them with a repeat; 3 standard errors below .94."""
    rng = np.random.default_rng(20260101)
    held = 0
    for _ in range(400):
        repeats = rng.normal(0, 2.6, (12, 2))
        laboratory = laboratory_variance(repeats.ravel(), np.repeat(range(12), 2))
        d = rng.normal(1, own_sd, 20) - rng.normal(0, 2.6, 20)
        low, high = net_of_laboratory(d, range(20), laboratory).sd_interval()
        held += low <= own_sd <= high
    assert held / 400 >= 0.94 - 3 * np.sqrt(0.94 * 0.06 / 400)


def test_refusals():
    with pytest.raises(ValueError, match="more than 3 athletes of the mode tested twice"):
        laboratory_variance([50, 51, 52, 53], [0, 0, 1, 1])
    with pytest.raises(ValueError, match="at least 3 athletes"):
        net_of_laboratory([1.0, 2.0], [0, 1], LaboratoryVariance(1.0, 10))
    with pytest.raises(ValueError, match="3 counts of 1 or more"):
        net_of_laboratory([1, 2, 3], range(3), LaboratoryVariance(1, 10), tests_behind=[1, 0, 1])


def frame_of(tests, **reference):
    """One unit of each line; pairs of the first test of each unit."""
    lines = [(f"T{i}", value) for i, values in enumerate(tests) for value in values]
    repeats = pd.DataFrame(lines, columns=["lab_test_id", "lab"]).assign(athlete_id="A")
    pairs = pd.DataFrame({"lab_test_id": [f"T{i}" for i in range(len(tests))] + ["elsewhere"]})
    options = StudyOptions(reference=Reference(**reference))
    return SimpleNamespace(repeats=repeats, pairs=pairs, options=options)


LATER_READS_HIGHER = [(50, 52), (47, 48), (60, 62.5), (55, 56), (44, 46)]


def test_tests_behind_a_value_are_those_of_its_unit():
    assert lab_tests_behind(frame_of([(50, 52), (47,), (1, 2, 3)])).tolist() == [2, 1, 3, 1]


def test_the_shift_from_first_to_second_is_no_noise():
    """By hand: second less first 2, 1, 2.5, 1, 2: variance .45, half of it the laboratory's."""
    found = laboratory_of(frame_of(LATER_READS_HIGHER))
    assert (found.variance, found.df) == pytest.approx((0.225, 4))
    assert found.note == "few_repeats"


def test_a_declared_error_has_ten_degrees_of_freedom_unless_said():
    found = laboratory_of(frame_of([(50,), (47,)], sem=2.6))
    assert (found.variance, found.df, found.note) == (pytest.approx(6.76), 10, "assumed")
    said = laboratory_of(frame_of([(50, 50), (47, 47)], sem=2.6, sem_degrees_of_freedom=24))
    assert said.df == 24  # equal repeats were copied: they count as none
    assert laboratory_of(frame_of(LATER_READS_HIGHER, sem=2.6)).note == "few_repeats"


@pytest.mark.parametrize(
    ("tests", "why"),
    [
        ([(50,), (47,)], "unknown"),
        ([(50, 51), (47, 49)], "more than 3 athletes of the mode tested twice"),
    ],
)
def test_an_unknown_laboratory_gives_nothing(tests, why):
    with pytest.raises(NotEstimable, match=why):
        laboratory_of(frame_of(tests))


def test_rows_and_their_notes():
    d = np.random.default_rng(3).normal(1, 4, 16)
    rows = net_of_laboratory(d, range(16), LaboratoryVariance(4.0, 12)).to_frame()
    told = rows.set_index("statistic")
    assert told.loc["laboratory_share", "value"] == pytest.approx(4 / d.var(ddof=1))
    assert told.loc["own_share_within_margin", "note"] == "no_margin"
    assert told["note"].drop("own_share_within_margin").eq("").all()
    noisy = net_of_laboratory(d, range(16), LaboratoryVariance(200.0, 12)).to_frame()
    noisy = noisy.set_index("statistic")
    assert noisy.loc["own_sd", "note"] == "laboratory_error_too_large"
    assert noisy.loc[["own_lower_limit", "own_upper_limit"], "value"].isna().all()
    few = net_of_laboratory(d[:9], range(9), LaboratoryVariance(4.0, 12)).to_frame()
    few = few.set_index("statistic")
    assert few.loc["own_upper_limit", "note"] == "too_few"
    assert np.isnan(few.loc["own_upper_limit", "value"])
    assert few.loc["own_sd", "value"] > 0


def test_what_is_the_laboratorys_and_what_the_methods_own():
    d = np.random.default_rng(6).normal(-2.0, 3.0, 40)
    found = net_of_laboratory(d, np.arange(40), LaboratoryVariance(1.5, 17.0)).to_frame()
    found = found.set_index("statistic")["value"]
    assert found["own_bias"] == pytest.approx(d.mean())
    assert (found["laboratory_variance"], found["laboratory_df"]) == (1.5, 17.0)
    assert found["laboratory_share"] == pytest.approx(1.5 / d.var(ddof=1))
    assert found["own_sd"] ** 2 == pytest.approx(d.var(ddof=1) - 1.5)
