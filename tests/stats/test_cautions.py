"""What the tool warns of, each condition alone."""

import re
from dataclasses import replace
from datetime import date
from inspect import getsource

import numpy as np
import pandas as pd
import pytest

from agreement.stats.basics.bootstrap import Resampling, cluster_resampling
from agreement.stats.causes.profile_bias import profile_bias
from agreement.stats.doubts import odd_columns, of_method
from agreement.stats.doubts.odd_columns import odd_values
from agreement.stats.doubts.of_method import _IMPLAUSIBLE
from agreement.stats.lines.structural import structural_slope
from agreement.stats.lines.trend import trend, trend_of
from agreement.stats.method_data import MethodData
from agreement.stats.repeats.laboratory_variance import LaboratoryVariance
from agreement.stats.verdict.cautions import Caution, cautions_of
from agreement.tables.findings import message
from agreement.tables.options import StudyOptions


def data(d, *, athlete=None, level=None, repeats=None, **columns):
    """Pairs of these differences without anything to warn of, but for what is given."""
    d = np.asarray(d, dtype=float)
    level = np.linspace(35, 65, d.size) if level is None else level
    who = [f"A{i:03}" for i in (range(d.size) if athlete is None else athlete)]
    plain = {"mass_mismatch_pct": 0.0, "gap_days": 1, "max_confirmed": "yes"} | columns
    pairs = pd.DataFrame({"athlete_id": who, "field": level + d / 2, "lab": level - d / 2})
    pairs = pairs.assign(**plain)
    if repeats is None:
        repeats = pd.DataFrame({"athlete_id": [], "lab_test_id": [], "lab": []})
    resampling = cluster_resampling(who, n_resamples=199, rng=1)
    return MethodData(
        "m", "run", pairs, pairs, pairs, repeats, StudyOptions(), True, resampling, date(2026, 3, 1)
    )


def codes(given):
    return [c.code for c in cautions_of(given, trend_of(given))]


def calm(n, seed=3):
    return np.random.default_rng(seed).permutation(np.linspace(-2, 2, n))


def test_nothing_to_warn_of():
    assert codes(data(calm(60))) == []


@pytest.mark.parametrize(("n", "words"), [(9, "too few"), (29, "indicative"), (39, "exact")])
def test_few_athletes(n, words):
    found = cautions_of(data(calm(n)))
    assert [c.code for c in found] == ["few_athletes"]
    assert words in found[0].sentence


def test_nobody():
    base = data(calm(12))
    nobody = MethodData(
        "m",
        "run",
        base.pairs.iloc[:0],
        base.pairs,
        base.daily,
        base.repeats,
        base.options,
        True,
        Resampling(np.empty(0, np.intp), np.empty((9, 0), np.uint8)),
    )
    assert [c.code for c in cautions_of(nobody)] == ["few_athletes"]


def test_trend_and_spread():
    level = np.linspace(35, 65, 60)
    assert codes(data(calm(60) + 0.3 * (level - 50))) == ["trend"]
    fan = calm(60) * np.linspace(0.2, 2, 60)
    assert "spread" in codes(data(fan))


def test_a_lean_is_no_proportional_bias_and_says_what_noise_alone_gives():
    """Inference sheet, section 18: true SD 5, laboratory 2.6, field 1.2, slope 1: lean -.098."""
    rng = np.random.default_rng(8)
    truth = rng.normal(50, 5, 400)
    lab, field = truth + rng.normal(0, 2.6, 400), truth + rng.normal(0, 1.2, 400)
    leaning = trend(field, lab)
    assert leaning.steep
    (said,) = cautions_of(data(calm(400)), leaning)[:1]
    assert "can make such a lean by itself" in said.sentence
    net = structural_slope(field, lab, LaboratoryVariance(2.6**2, 40))
    (said,) = cautions_of(data(calm(400)), leaning, structural=net)[:1]
    assert said.code == "trend"
    assert "unequal noise alone gives -0.09" in said.sentence
    flatter = structural_slope(0.7 * field + 15, lab, LaboratoryVariance(2.6**2, 40))
    found = cautions_of(data(calm(400)), trend(0.7 * field + 15, lab), structural=flatter)
    assert found[0].code == "proportional_bias"
    assert "trend" not in [one.code for one in found]
    assert found[0].sentence.startswith("Per 10 mL/kg/min of true fitness the field value rises by")


def test_shape_and_influence():
    skewed = np.random.default_rng(1).permutation(np.exp(np.linspace(-2, 2, 60)))
    assert "not_normal" in codes(data(skewed))
    lonely = calm(60)
    lonely[7] = 9.0
    assert "influential" in codes(data(lonely))


def test_influence_is_that_of_leaving_each_out():
    d = calm(40)
    d[3] = 6.0
    z = 1.959963984540054
    full = np.array([d.mean() + k * z * d.std(ddof=1) for k in (-1, 1)])
    moves = []
    for i in range(40):
        rest = np.delete(d, i)
        moves.append([rest.mean() + k * z * rest.std(ddof=1) for k in (-1, 1)] - full)
    share = np.abs(moves).max() / (z * d.std(ddof=1))
    sentence = next(c.sentence for c in cautions_of(data(d)) if c.code == "influential")
    assert f"{100 * share:.0f} %" in sentence


def test_inputs_of_the_pairs():
    n = np.arange(60)
    given = data(
        calm(60),
        mass_mismatch_pct=np.where(n < 3, -2.5, np.nan),
        gap_days=np.where(n < 2, 15, 14),
        max_confirmed=np.where(n < 4, "unknown", "yes"),
    )
    found = {c.code: c.sentence for c in cautions_of(given)}
    assert list(found) == ["mass_mismatch", "long_gap", "not_confirmed"]
    assert [s.split()[:3] for s in found.values()] == [
        ["In", "3", "of"],
        ["In", "2", "of"],
        ["4", "of", "60"],
    ]


def test_profiles_of_unequal_spread():
    d = calm(60) * np.where(np.arange(60) < 30, 1.0, 3.0)
    given = data(d, training_profile=np.repeat(["a", "b"], 30))
    profiles = profile_bias(given.pairs, given.resampling)
    (caution,) = [c for c in cautions_of(given, None, profiles) if c.code == "uneven_groups"]
    assert caution.sentence.endswith("(p < 0.001): one pair of limits for all misleads.")
    one_far = np.r_[calm(55), 0.0, 0.1, -0.1, 0.2, 6.0]
    given = data(one_far, training_profile=np.repeat(["a", "b"], [55, 5]))
    profiles = profile_bias(given.pairs, given.resampling)
    assert profiles.spread_ratio > 2
    assert profiles.p_spread > 0.05
    (caution,) = [c for c in cautions_of(given, None, profiles) if c.code == "uneven_groups"]
    assert caution.sentence.endswith(f"(p = {profiles.p_spread:.3f}): that may be chance.")


def test_repeated_pairs():
    who = np.repeat(np.arange(11), 2)
    assert "few_clusters" in codes(data(calm(22), athlete=who))
    same = np.tile([-1.0, 1.0], 20) * np.repeat(np.linspace(0.5, 1, 20), 2)
    assert "no_between" in codes(data(same, athlete=np.repeat(np.arange(20), 2)))
    single = data(calm(44), athlete=[*range(40), 0, 0, 0, 1])
    assert {"mostly_single", "unequal_repeats"} <= set(codes(single))


def test_a_laboratory_noisier_than_what_is_worth_seeing():
    repeats = pd.DataFrame(
        {
            "athlete_id": list("aabbccddeeff"),
            "lab_test_id": list("112233445566"),
            "lab": [50.0, 56.0, 40.0, 46.0] + [60.0, 54.0] * 4,
        }
    )
    assert codes(data(calm(60), repeats=repeats)) == ["laboratory_noise"]
    calmer = repeats.assign(lab=[50.0, 51.0, 40.0, 41.0] + [60.0, 59.0] * 4)
    assert codes(data(calm(60), repeats=calmer)) == []


def test_few_or_equal_laboratory_repeats():
    four = pd.DataFrame({"athlete_id": list("aabbccdd"), "lab": [50.0, 51, 60, 60, 40, 40, 45, 44]})
    four["lab_test_id"] = four["athlete_id"]
    (caution,) = cautions_of(data(calm(60), repeats=four))
    assert caution.code == "few_laboratory_repeats"
    assert "rests on 3 repeated tests and is barely known" in caution.sentence
    two = four[:2]  # too few to know it at all: a line of the results table says so
    assert codes(data(calm(60), repeats=two)) == []
    equal = two.assign(lab=50.0)
    assert codes(data(calm(60), repeats=equal)) == ["equal_repeats"]
    single = two.assign(lab_test_id=["1", "2"])
    assert codes(data(calm(60), repeats=single)) == []


def test_differences_that_do_not_vary_have_no_shape():
    assert codes(data(np.ones(60))) == []


def test_one_value_is_said_as_one():
    alone = cautions_of(data([1.0]))
    assert alone[0].sentence == "Fewer than 10 athletes are too few for limits of agreement."
    open_one = data(calm(60), max_confirmed=["no"] + ["yes"] * 59)
    (caution,) = [c for c in cautions_of(open_one) if c.code == "not_confirmed"]
    assert caution.sentence.startswith("1 of 60 laboratory values is not confirmed")
    assert caution.sentence.endswith("compare the group of confirmed ones.")
    none = data(calm(60), max_confirmed=["no"] * 60)  # there is no such group
    (caution,) = [c for c in cautions_of(none) if c.code == "not_confirmed"]
    assert caution.sentence == "60 of 60 laboratory values are not confirmed as maximal."


@pytest.mark.parametrize(("twice", "said"), [(20, True), (10, False)])
def test_means_of_several_tests_lie_nearer_than_one_test(twice, said):
    tests = [*range(30), *range(twice)]
    lab = np.random.default_rng(5).normal(50, 2, len(tests))
    units = [f"T{i:02}" for i in tests]
    repeats = pd.DataFrame({"athlete_id": units, "lab_test_id": units, "lab": lab})
    assert ("averaged_tests" in codes(data(calm(30), repeats=repeats))) is said


def test_errors_of_one_day_may_be_shared():
    base = data(np.random.default_rng(3).normal(0, 2, 30))
    codes = {one.code for one in cautions_of(base)}
    same_day = replace(base, pairs=base.pairs.assign(gap_days=0))
    assert "shared_day" not in codes
    assert "shared_day" in {one.code for one in cautions_of(same_day)}


def test_every_doubt_of_a_verdict_has_words_for_an_audit_without_a_number():
    """Codes as the functions that look for doubts name them: whoever adds one adds its words."""
    seekers = (odd_values, odd_columns._unrelated, odd_columns.other_mode)
    names = [name for one in seekers for name in re.findall(r'odd\("(\w+)"', getsource(one))]
    codes = {message(name)[1] for name in names} | set(_IMPLAUSIBLE)
    codes |= set(re.findall(r'caution\("(\w+)"', getsource(of_method)))
    assert {"constant_device", "no_maximum", "one_athlete"} < codes
    for code in codes:
        told = Caution(code, "").in_general
        assert told
        assert not re.search(r"\d|[{}]", told)
    assert Caution("trend", "It leans by 0.31.").in_general == ""
