"""Thresholds, training by them and economy, over athletes; with general libraries."""

import statistics
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from agreement.physiology.stage_splits import expected_errors
from agreement.stats.causes.economy import Economies, EconomyExplains, economy_explained_of
from agreement.stats.evidence import Evidence
from agreement.stats.laboratory_results import laboratory_results
from agreement.stats.limits.limits import limits_of_agreement
from agreement.stats.method_data import NotEstimable
from agreement.stats.repeats.thresholds import Thresholds, TrainingZones, threshold_agreement
from agreement.tables.options import StudyOptions

pytestmark = pytest.mark.filterwarnings("ignore::agreement.errors.SmallSampleWarning")


def thresholds(values, method="v_slope_1986", threshold="vt1"):
    n = len(values)
    return pd.DataFrame(
        {
            "athlete_id": [f"A{i}" for i in range(n)],
            "lab_test_id": [f"T{i}" for i in range(n)],
            "threshold": threshold,
            "method": method,
            "vo2": values,
            "hr": np.asarray(values) + 110,
            "note": "",
            "lab": 50.0,
            "hr_max_bpm": 190.0,
        }
    )


def rows(result, group="all"):
    frame = result.to_frame()
    if "group" in frame:
        frame = frame[frame["group"] == group]
    return frame.set_index("statistic")


def test_means_over_athletes_against_a_general_library():
    values = np.array([30.0, 31.5, 28.0, 35.0, 33.0, np.nan])
    told = rows(Thresholds(thresholds(values)), "vt1 v_slope_1986")
    known = values[:5]
    t = stats.ttest_1samp(known, 0).confidence_interval()
    assert told.loc["mean_vo2", ["value", "low", "high"]].tolist() == pytest.approx(
        [known.mean(), *t]
    )
    assert told.loc["share_found", "value"] == pytest.approx(5 / 6)
    assert told.loc["mean_share_of_hr_max", "value"] == pytest.approx(
        np.mean(100 * (known + 110) / 190)
    )
    assert told.loc["sd_share_of_hr_max", "value"] == pytest.approx(
        np.std(100 * known / 190, ddof=1)
    )
    economies = pd.DataFrame({"athlete_id": list("abcde"), "cost_ratio": known / 30})
    economies[["economy", "gross_efficiency"]] = np.nan
    told = rows(Economies(economies))
    assert list(told.index) == ["mean_cost_ratio", "sd_cost_ratio"]
    assert told.loc["mean_cost_ratio", ["low", "high"]].tolist() == pytest.approx(np.array(t) / 30)


def test_a_mean_of_fewer_than_five_is_kept_back():
    told = rows(Thresholds(thresholds([30.0, 31.0, 32.0, 33.0])), "vt1 v_slope_1986")
    assert told["value"].drop("share_found").isna().all()
    assert told["note"].drop("share_found").str.startswith("too_few").all()


def test_who_takes_a_drug_that_limits_heart_rate_counts_for_uptake_alone():
    first = thresholds([30.0, 31, 32, 33, 34, 35, 36], "rater_1").assign(mode="run")
    second = first.assign(method="rater_2", vo2=first["vo2"] + 1, hr=first["hr"] + 2)
    read = pd.concat([first, second], ignore_index=True)
    read["hr_limiting_drug"] = np.where(read["athlete_id"] == "A6", "yes", "unknown")
    profile = {"profile": "balanced", "profile_own": "balanced"}
    profile |= {f"zone{z}{by}": 1 / 3 for z in (1, 2, 3) for by in ("", "_own")}
    names = ["athlete_id", "lab_test_id", "mode", "hr_limiting_drug"]
    zones = read[names].iloc[:7].assign(**profile)
    none = read.iloc[:0].assign(lab=0.0)  # no repeats of the laboratory
    evidence = Evidence(none, none, none, StudyOptions(), thresholds=read, zones=zones)
    found, _ = laboratory_results(evidence)
    told = rows(found["thresholds", "run"], "vt1 rater_1")
    assert told.loc["mean_vo2", ["value", "n"]].tolist() == [33.0, 7]
    assert told.loc["mean_hr", ["value", "n"]].tolist() == [142.5, 6]  # without A6
    assert told.loc["mean_share_of_hr_max", "n"] == 6
    group = "vt1: rater_2 minus rater_1"
    assert rows(found["threshold_agreement", "run"], group).loc["bias", "n"] == 7
    assert rows(found["threshold_agreement_hr", "run"], group).loc["bias", "n"] == 6
    assert rows(found["training_zones", "run"]).loc["share_profile_changed", "n"] == 6
    evidence = replace(evidence, zones=zones.iloc[6:])
    assert ("training_zones", "run") not in laboratory_results(evidence)[0]


def test_two_raters_are_compared_as_methods_are():
    rng = np.random.default_rng(2)
    first = rng.normal(30, 3, 14)
    second, computed = first + rng.normal(1, 1, 14), first + rng.normal(-2, 1, 14)
    three = [("rater_1", first), ("rater_2", second), ("v_slope_1986", computed)]
    frame = pd.concat([thresholds(values, name) for name, values in three])
    found = threshold_agreement(frame, "vo2")
    told = rows(found, "vt1: rater_2 minus rater_1")
    expected = limits_of_agreement(second, first)
    assert told.loc["bias", "value"] == pytest.approx(expected.bias)
    assert told.loc["lower_limit", ["low", "high"]].tolist() == pytest.approx(
        list(expected.lower_interval())
    )
    beside = rows(found, "vt1: v_slope_1986 minus raters")
    assert beside.loc["bias", "value"] == pytest.approx(np.mean(computed - (first + second) / 2))
    beats = threshold_agreement(frame, "hr").to_frame()
    assert set(beats["unit"]) == {"bpm"}
    assert threshold_agreement(thresholds(first), "vo2").to_frame().empty  # nobody to compare with


def test_who_changes_profile_is_counted_by_athlete():
    frame = pd.DataFrame(
        {
            "athlete_id": ["a", "a", "b", "c", "d", "e"],
            "lab_test_id": list("123456"),
            "profile": ["balanced"] * 6,
            "profile_own": ["balanced", "low-intensity volume", *["balanced"] * 4],
            **{f"zone{z}{by}": 1 / 3 for z in (1, 2, 3) for by in ("", "_own")},
        }
    )
    told = rows(TrainingZones(frame))
    assert told.loc["share_profile_changed", ["value", "n", "n_pairs"]].tolist() == [0.2, 5, 6]
    ends = stats.binomtest(1, 5).proportion_ci(method="wilson")
    assert told.loc["share_profile_changed", ["low", "high"]].tolist() == pytest.approx(list(ends))
    few = rows(TrainingZones(frame[frame["athlete_id"] < "c"]))
    assert few["value"].isna().all()


def pairs(expected, observed):
    return pd.DataFrame(
        {
            "athlete_id": [f"A{i}" for i in range(len(expected))],
            "lab_test_id": [f"T{i}" for i in range(len(expected))],
            "expected": expected,
            "difference": observed,
            "stages_of": "same_day",
        }
    )


def explained(expected, observed) -> EconomyExplains:
    return economy_explained_of(SimpleNamespace(economy=pairs(expected, observed)))


def analysed(gain_of_test, gain_of_stages, seed):
    """
    Return the slope's rows in 40 people who all run at the equation's cost.

    The analyser's error of a day is a share (SD 3 %) of what it reads; the field reads the truth with
    an error of 2 mL/kg/min, whatever work costs.
    """
    truth = np.random.default_rng(seed).normal(50, 6, 40)
    field = truth + np.random.default_rng(seed + 1).normal(0, 2, 40)
    lab, share = truth * (1 + gain_of_test), 1 + gain_of_stages
    names = {
        "athlete_id": [f"A{i}" for i in range(40)],
        "lab_test_id": [f"T{i}" for i in range(40)],
    }
    both = pd.DataFrame(names | {"method": "pace", "mode": "run", "lab": lab})
    costs = both[["lab_test_id", "mode"]].assign(cost_ratio=share, stages_of="another_day")
    expected = expected_errors(costs, both.assign(difference=field - lab))
    return rows(economy_explained_of(SimpleNamespace(economy=expected)), "another_day").loc["slope"]


def test_an_error_of_the_analyser_is_taken_for_economy_only_with_stages_of_its_day():
    """Which is why stages of the same day are told apart, and with a warning."""
    rng = np.random.default_rng(4)
    same, apart = [], []
    for seed in range(60):
        today, that_day = rng.normal(0, 0.03, (2, 40))
        same.append(analysed(today, today, 1000 + 2 * seed))
        apart.append(analysed(today, that_day, 1000 + 2 * seed))
    assert np.mean([one["value"] for one in same]) == pytest.approx(1, abs=0.1)
    assert np.mean([one["low"] > 0 for one in same]) > 0.9
    assert np.mean([one["value"] for one in apart]) == pytest.approx(0, abs=0.1)
    assert np.mean([one["low"] > 0 for one in apart]) <= 0.1  # 0.025 by the interval


def test_stages_of_the_same_day_and_of_another_are_kept_apart():
    rng = np.random.default_rng(5)
    x = rng.normal(0, 2, 12)
    both = pairs(x, x + rng.normal(0, 1, 12))
    both.loc[:6, "stages_of"] = "another_day"
    found = economy_explained_of(SimpleNamespace(economy=both))
    for group, own in both.groupby("stages_of"):
        line = stats.linregress(own["expected"], own["difference"])
        assert rows(found, group).loc["slope", ["value", "n"]].tolist() == [
            pytest.approx(line.slope),
            len(own),
        ]
        assert {test for _, test in found.members()[group]} == set(own["lab_test_id"])
    assert "economy need not be the cause" in found.summary()
    with pytest.raises(NotEstimable, match="fewer than 5 athletes"):
        economy_explained_of(SimpleNamespace(economy=both.iloc[3:11]))


def test_share_explained_and_slope_against_a_general_library():
    rng = np.random.default_rng(6)
    expected = rng.normal(1, 2, 20)
    observed = 0.8 * expected + rng.normal(0, 1, 20)
    told = rows(explained(expected, observed), "same_day")
    line = stats.linregress(expected, observed)
    assert told.loc["slope", "value"] == pytest.approx(line.slope)
    assert told.loc["r_squared", "value"] == pytest.approx(line.rvalue**2)
    ends = np.array(stats.pearsonr(expected, observed).confidence_interval()) ** 2
    assert told.loc["r_squared", ["low", "high"]].tolist() == pytest.approx(sorted(ends))
    # without any relation the share may be nought
    loose = rows(explained(expected, rng.normal(0, 1, 20)), "same_day")
    assert loose.loc["r_squared", "low"] == 0
    for few in (None, pairs([1.0, 2.0], [1.0, 2.0])):
        with pytest.raises(NotEstimable, match="fewer than 5 athletes"):
            economy_explained_of(SimpleNamespace(economy=few))


def test_what_does_not_depend_on_the_method_is_not_told_once_for_each():
    # means of 7 and of 5 of them would give the mean of the two whom one method lacks
    expected, rng = np.array([1.6, -2.0, 3.1, 0.4, 5.0, -1.2, 2.7]), np.random.default_rng(2)
    values = [rows(explained(expected, rng.normal(size=7)))["value"] for _ in range(2)]
    assert not (values[0] == values[1]).any()


@pytest.mark.slow
def test_intervals_of_means_and_share_explained_cover():
    rng = np.random.default_rng(7)
    mean, share = [], []
    for _ in range(600):
        x = rng.normal(0, 1, 18)
        found = explained(x, x + rng.normal(0, 1, 18)).to_frame().iloc[0]  # r2 = 0.5
        share.append(found["low"] <= 0.5 <= found["high"])
        told = rows(Thresholds(thresholds(rng.normal(30, 3, 8))), "vt1 v_slope_1986")
        mean.append(told.loc["mean_vo2", "low"] <= 30 <= told.loc["mean_vo2", "high"])
    assert np.mean(share) == pytest.approx(0.95, abs=0.025)
    assert np.mean(mean) == pytest.approx(0.95, abs=0.025)


MEASURES = ("cost_ratio", "economy", "gross_efficiency")
IN_ZONES = tuple(f"zone{zone}{by}" for zone in (1, 2, 3) for by in ("", "_own"))


@pytest.mark.parametrize("names", [MEASURES, IN_ZONES])
def test_each_mean_is_that_of_its_own_column(names):
    rng = np.random.default_rng(4)
    same = {"lab_test_id": range(8), "profile": "balanced", "profile_own": "balanced"}
    columns = {name: rng.uniform(0.1, 0.9, 8) for name in names}
    frame = pd.DataFrame({"athlete_id": list("aabcdefg"), **same, **columns})
    found = rows((Economies if names == MEASURES else TrainingZones)(frame))["value"]
    for name, column in columns.items():
        each = [statistics.mean(column[:2]), *column[2:]]  # the first came twice
        share = 100.0 if names == IN_ZONES else 1.0
        assert found[f"mean_{name}"] == pytest.approx(share * statistics.mean(each)), name
        if names == MEASURES:
            assert found[f"sd_{name}"] == pytest.approx(statistics.stdev(each)), name
