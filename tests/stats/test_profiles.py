"""Bias by training profile: Welch, contrasts, spread, adjustment, pooling."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from held import held
from scipy import stats
from simulate.known_parts import DailyParts, simulate_daily
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.oneway import anova_oneway

from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.basics.intervals import Interval
from agreement.stats.basics.welch import brown_forsythe, contrasts_with_overall, holm, welch_test
from agreement.stats.causes.pooled_profiles import athletes_by_profile, pooled_profiles
from agreement.stats.causes.profile_at_equal_level import (
    equal_fitness,
    profile_at_equal_level_of,
)
from agreement.stats.causes.profile_bias import holm_over_all, profile_bias
from agreement.stats.method_data import NotEstimable, pair_keys
from agreement.stats.repeats.laboratory_variance import variance_ends
from agreement.stats.results_table import method_data
from agreement.tables.options import Reference, StudyOptions

PUBLISHED = held("published_statistics")
PLANTS = list(PUBLISHED["plant_growth"]["groups"].values())
SLEEP = list(PUBLISHED["sleep"]["groups"].values())
# computed by another implementation of the same formulas; no printed source
HELD = held("comparing")["checks"]
STRUCTURAL = held("structural_and_change")  # as those


def held(estimator):
    return [case for case in HELD if case["estimator"] == estimator]


def test_welch_on_plant_growth():
    # printed output of R's oneway.test (read): F 5.181, df 17.128, p 0.01739
    found = welch_test(PLANTS)
    assert found.f == pytest.approx(5.181, abs=5e-4)
    assert found.df2 == pytest.approx(17.128, abs=5e-4)
    assert found.p == pytest.approx(0.01739, abs=5e-6)


def test_brown_forsythe_on_plant_growth():
    # p 0.3412 (memory, reproduced)
    assert brown_forsythe(PLANTS) == pytest.approx(0.3412, abs=5e-5)


def test_two_groups_are_the_sleep_data():
    # printed output of R's t.test (read): t -1.8608, df 17.776, p 0.07939, -3.3654832 to 0.2054832
    first, second = contrasts_with_overall(SLEEP)
    assert first.estimate / first.standard_error == pytest.approx(-1.8608, abs=5e-5)
    assert first.df == pytest.approx(17.776, abs=5e-4)
    assert first.p == pytest.approx(0.07939, abs=5e-6)
    # the contrast with the mean of both groups is half the difference of the groups
    assert np.array(first.interval) * 2 == pytest.approx((-3.3654832, 0.2054832), abs=5e-8)
    assert second.estimate == pytest.approx(-first.estimate)


def test_against_general_libraries():
    import pingouin

    rng = np.random.default_rng(3)
    groups = [rng.normal(i, 1 + i, 8 + 3 * i) for i in range(4)]
    other = anova_oneway(groups, use_var="unequal", welch_correction=True)
    found = welch_test(groups)
    assert (found.f, found.p) == pytest.approx((other.statistic, other.pvalue), rel=1e-9)
    data = pd.DataFrame(
        {"d": np.concatenate(groups), "g": np.repeat(list("abcd"), [len(g) for g in groups])}
    )
    table = pingouin.welch_anova(data, dv="d", between="g")
    assert found.p == pytest.approx(float(table.filter(regex="^p").iloc[0, 0]), rel=1e-3)
    assert brown_forsythe(groups) == pytest.approx(stats.levene(*groups).pvalue, rel=1e-9)
    spread = pingouin.homoscedasticity(data, dv="d", group="g", method="levene")
    assert brown_forsythe(groups) == pytest.approx(float(spread["pval"].iloc[0]), rel=1e-3)


def test_holm_against_a_general_library():
    p = np.array([0.04, 0.01, 0.8, 0.02, 0.02])
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])


def test_groups_without_spread_or_company():
    with pytest.raises(NotEstimable, match="without any spread"):
        welch_test([[1.0, 1.0, 1.0], [1.0, 2.0, 3.0]])
    with pytest.raises(NotEstimable, match="fewer than two groups"):
        welch_test([[1.0, 2.0]])
    with pytest.raises(NotEstimable, match="a group of one"):
        contrasts_with_overall([[1.0], [2.0, 3.0]])
    same = contrasts_with_overall([[1.0, 1.0], [1.0, 1.0]])
    assert [c.p for c in same] == [1.0, 1.0]


# --- the analysis ---------------------------------------------------------------------------------


def squad(sizes, pairs_each=1, seed=1):
    """Athletes in profiles a, b, c ... with bias 0, 1, 2 ..."""
    rng = np.random.default_rng(seed)
    rows, who = [], 0
    for k, size in enumerate(sizes):
        for _ in range(size):
            level, own = rng.normal(50, 5), rng.normal(0, 1)
            for _ in range(pairs_each):
                lab = level + rng.normal(0, 1)
                rows.append((f"p{who:03}", "abcdef"[k], lab + k + own + rng.normal(0, 1), lab))
            who += 1
    frame = pd.DataFrame(rows, columns=["athlete_id", "training_profile", "field", "lab"])
    return frame.assign(lab_test_id=[f"L{k}" for k in range(len(frame))])


def analysed(pairs):
    return profile_bias(pairs, cluster_resampling(pairs["athlete_id"], n_resamples=500, rng=1))


def test_the_size_of_a_profile_decides_what_it_shows():
    found = analysed(squad([12, 7, 3]))
    shown = found.to_frame().set_index(["group", "statistic"])
    first = [("all", n) for n in ("p_welch", "p_equal_spread", "spread_ratio", "sd_between")]
    assert list(shown.index[:5]) == [*first, ("a", "bias")]
    known = shown["value"].notna()
    later = {"p_difference_all", "p_beyond_mean_limit"}  # other methods, and a limit, are needed
    assert set(known["a"][~known["a"]].index) == later
    assert known["b"].drop(list(later)).to_dict() == {
        "bias": True,
        "difference_from_overall": True,
        "p_difference": True,
        "lower_limit": False,
        "upper_limit": False,
        "standard_error_of_estimate": False,
        "bias_pooled": True,
        "weight_own": True,
    }
    assert set(known["c"][known["c"]].index) == {"bias_pooled", "weight_own"}
    assert set(shown.loc["c", "note"][~known["c"]]) == {"too_few"}
    assert shown.loc[("a", "p_beyond_mean_limit"), "note"] == "no_margin"
    assert (found.n, found.n_pairs) == (19, 19)


def test_a_chance_beyond_the_limit_is_told_of_profiles_of_five():
    pairs = squad([9, 5, 4])
    drawn = cluster_resampling(pairs["athlete_id"], n_resamples=500, rng=1)
    shown = profile_bias(pairs, drawn, margin=1.5).to_frame()
    beyond = shown[shown["statistic"] == "p_beyond_mean_limit"].set_index("group")["value"]
    assert beyond.notna().to_dict() == {"a": True, "b": True, "c": False}


def test_profiles_that_are_none_are_left_out():
    pairs = squad([6, 6, 6])
    pairs.loc[pairs["training_profile"] == "c", "training_profile"] = "not enough data"
    pairs.loc[0, "training_profile"] = np.nan
    found = analysed(pairs)
    assert [profile.group.name for profile in found.profiles] == ["a", "b"]
    assert found.profiles[0].group.n == 5


def test_one_profile_cannot_be_compared():
    frame = analysed(squad([12])).to_frame().set_index(["group", "statistic"])
    assert frame.loc[("all", "p_welch"), "note"].startswith("not_estimable: fewer than two groups")
    assert frame.loc[("a", "difference_from_overall"), "note"] == "not_estimable"
    assert np.isfinite(frame.loc[("a", "bias"), "value"])
    with pytest.raises(NotEstimable, match="no pair carries a training profile"):
        analysed(squad([4]).assign(training_profile="not enough data"))


def test_an_athlete_counts_once_in_the_profile_of_most_pairs():
    # an ordinary one-way analysis of the athletes' means, by another library
    pairs = squad([10, 10, 10], pairs_each=3)
    pairs.loc[0, "training_profile"] = "b"  # one of three pairs of the first athlete
    found = analysed(pairs)
    assert found.left_out == 1
    means = (pairs["field"] - pairs["lab"]).drop(0).groupby(pairs["athlete_id"]).mean()
    profile = np.repeat(list("abc"), 10)
    other = anova_oneway(means.to_numpy(), profile, use_var="unequal")
    assert found.p_equal == pytest.approx(other.pvalue, rel=1e-9)
    dates = pd.to_datetime(["2026-01-01", "2026-02-01"])
    tie = squad([6, 6], pairs_each=2).assign(lab_date=np.tile(dates, 12))
    tie.loc[0, "training_profile"] = "b"  # the later test stays in "a"
    assert athletes_by_profile(tie)[0].loc["p000", "training_profile"] == "a"
    tie["lab_date"] = np.tile(dates[::-1], 12)
    assert athletes_by_profile(tie)[0].loc["p000", "training_profile"] == "b"


def test_deviations_of_repeated_pairs_are_of_athlete_means():
    pairs = squad([8, 8], pairs_each=2)
    found = analysed(pairs)
    means = (pairs["field"] - pairs["lab"]).groupby(
        [pairs["training_profile"], pairs["athlete_id"]]
    )
    bias = means.mean().groupby(level=0).mean()
    deviation = found.profiles[0].deviation
    assert deviation.estimate == pytest.approx(bias["a"] - bias.mean())
    assert deviation.interval.contains(deviation.estimate)
    assert found.profiles[0].group.limits.bias == pytest.approx(bias["a"])


def test_renamed_profiles_give_the_same_numbers():
    pairs = squad([9, 8, 7])
    renamed = pairs.assign(
        training_profile=pairs["training_profile"].map({"a": "z", "b": "y", "c": "x"})
    )
    one, other = analysed(pairs), analysed(renamed)
    assert other.p_equal == pytest.approx(one.p_equal, rel=1e-12)
    assert other.profiles[2].deviation.p == pytest.approx(one.profiles[0].deviation.p, rel=1e-12)


def test_a_profile_without_spread_has_no_welch_test_but_contrasts():
    pairs = squad([8, 8])
    first = pairs["training_profile"] == "a"
    pairs.loc[first, "field"] = pairs.loc[first, "lab"]
    found = analysed(pairs)
    assert found.reason.startswith("not_estimable: a group without any spread")
    assert np.isfinite(found.profiles[1].deviation.p)


def test_the_sentence():
    assert "differs between training profiles" in analysed(squad([15, 15, 15])).summary()


# --- adjustment and pairwise comparison -----------------------------------------------------------


@pytest.mark.parametrize("case", held("equal_fitness"))
def test_held_bias_at_equal_fitness(case):
    given, wanted = case["inputs"], case["outputs"]
    found = equal_fitness(given["d"], given["lab"], given["group"], given["sem"] ** 2)
    assert found.difference == pytest.approx(wanted["difference"], abs=1e-9)
    assert [end.low for end in found.intervals] == pytest.approx(wanted["low"], abs=1e-9)
    assert [end.high for end in found.intervals] == pytest.approx(wanted["high"], abs=1e-9)
    assert found.slope == pytest.approx(wanted["slope"], abs=1e-9)
    assert found.reliability == pytest.approx(wanted["reliability"], abs=1e-9)


@pytest.mark.parametrize("case", STRUCTURAL["profile_bias"])
def test_held_bias_at_the_true_level(case):
    """The same line by its other name, 1 + slope; its intervals there are not by the jackknife."""
    given, wanted = case["inputs"], case["outputs"]
    d = np.subtract(given["field"], given["laboratory"])
    found = equal_fitness(d, given["laboratory"], given["profile"], given["v"])
    assert 1 + found.slope == pytest.approx(wanted["slope"], rel=1e-9)
    rows = [wanted["rows"][name] for name in found.profiles]
    assert found.bias == pytest.approx([row["bias"] for row in rows], abs=1e-9)
    assert found.difference == pytest.approx([row["difference"] for row in rows], abs=1e-9)


def test_at_equal_fitness_by_a_slow_loop_and_another_library():
    """An exact laboratory: covariance analysis on the laboratory value, by statsmodels."""
    rng = np.random.default_rng(4)
    profile = np.repeat(["a", "b", "c"], [9, 12, 15])
    lab = rng.normal(50, 6, 36) + 4 * (profile == "b")
    d = (profile == "c") - 0.2 * lab + rng.normal(0, 1, 36)
    found = equal_fitness(d, lab, profile, 0.0)
    frame = pd.DataFrame({"d": d, "lab": lab, "profile": profile})
    fit = smf.ols("d ~ 0 + profile + lab", frame).fit()
    at = np.mean([lab[profile == name].mean() for name in "abc"])
    assert found.slope == pytest.approx(fit.params["lab"], rel=1e-9)
    told = fit.params[:3].to_numpy() + at * fit.params["lab"]
    assert found.bias == pytest.approx(told, rel=1e-9)
    left = [
        equal_fitness(np.delete(d, i), np.delete(lab, i), np.delete(profile, i), 0.0).difference
        for i in range(36)
    ]
    error = np.sqrt(35 / 36 * ((left - np.mean(left, axis=0)) ** 2).sum(axis=0))
    half = stats.t.ppf(0.975, 32) * error
    assert [end.high for end in found.intervals] == pytest.approx(found.difference + half, rel=1e-9)


def test_an_uncertain_laboratory_widens_to_both_ends():
    case = held("equal_fitness")[0]["inputs"]
    whole = equal_fitness(case["d"], case["lab"], case["group"], 4.0, Interval(2.5, 8.0))
    for noise in (2.5, 8.0):
        one = equal_fitness(case["d"], case["lab"], case["group"], noise)
        for inner, outer in zip(one.intervals, whole.intervals, strict=True):
            assert outer.low <= inner.low < inner.high <= outer.high
    assert whole.slope == equal_fitness(case["d"], case["lab"], case["group"], 4.0).slope


def fitness_study(**more):
    profiles = {"low": -2.0, "mixed": 0.0, "high": 2.0}
    parts = {"n_athletes": 30, "profiles": profiles, "share_repeated": 0.5} | more
    (data,) = method_data(simulate_daily(DailyParts(**parts), rng=2))
    return data


def test_bias_at_equal_fitness_in_the_table():
    data = fitness_study()
    found = profile_at_equal_level_of(data)
    assert found.profiles == ("high", "low", "mixed")
    frame = found.to_frame().set_index(["group", "statistic"])
    away = frame.xs("adjusted_difference", level="statistic")
    assert away["value"].sum() == pytest.approx(0, abs=1e-9)
    assert ((away["low"] < away["value"]) & (away["value"] < away["high"])).all()
    level = frame.xs("adjusted_bias", level="statistic")["value"]
    assert (level - level.mean()).to_numpy() == pytest.approx(away["value"].to_numpy())
    assert set(frame["n"]) == {10}
    assert found.members()["low"] == frozenset(
        pair_keys(data.pairs[data.pairs["training_profile"] == "low"])
    )


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"n_athletes": 21}, "too_few: fewer than two profiles of 8 athletes"),
        ({"share_repeated": 0.0}, "laboratory's own error is unknown"),
        ({"share_repeated": 0.1}, "more than 3 athletes of the mode tested twice"),
        ({"sd_laboratory": 9.0, "share_repeated": 1.0}, "reliable to"),
    ],
)
def test_bias_at_equal_fitness_is_refused(more, message):
    with pytest.raises(NotEstimable, match=message):
        profile_at_equal_level_of(fitness_study(**more))


@pytest.mark.slow
def test_equal_fitness_makes_no_bias():
    """
    Four profiles of 13, fit 60 to 42, no bias: 2000 studies; sheet B, section 21.

    Known error: the fittest less the least fit within .31, coverage .946-.973. Error from repeats on
    20 degrees of freedom, both ends of its interval: .970-.989 of 200 studies.
    """
    rng, k, n = np.random.default_rng(20260101), 4, 13
    profile, sem = np.repeat(np.arange(k), n), 2.0
    away, known, both = [], [], []
    for _ in range(2000):
        truth = np.linspace(60, 42, k)[profile] + rng.normal(0, 5, k * n)
        lab = truth + rng.normal(0, sem, k * n)
        d = truth + rng.normal(0, 3, k * n) - lab
        found = equal_fitness(d, lab, profile, sem**2)
        away.append(found.difference[0] - found.difference[-1])
        known += [end.contains(0) for end in found.intervals]
        noise = sem**2 * rng.chisquare(20) / 20
        told = equal_fitness(d, lab, profile, noise, variance_ends(noise, 20, 0.8))
        both += [end.contains(0) for end in told.intervals]
    assert abs(np.mean(away)) < 0.31
    assert np.mean(known) == pytest.approx(0.955, abs=0.015)
    assert 0.96 <= np.mean(both) <= 0.995


def test_a_declared_error_does_not_do_for_equal_fitness():
    data = fitness_study(share_repeated=0.0)
    declared = StudyOptions(reference=Reference(sem=2.0))
    with pytest.raises(NotEstimable, match="repeats of the laboratory on 10"):
        profile_at_equal_level_of(replace(data, options=declared))


# --- pooling --------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", held("profiles"))
def test_held_pooled_profiles(case):
    given, wanted = case["inputs"], case["outputs"]
    found = pooled_profiles(given["mean"], given["sd"], given["n"])
    places = range(len(given["n"]))
    got = {
        "bias": [found.bias(g) for g in places],
        "low": [found.interval(g).low for g in places],
        "high": [found.interval(g).high for g in places],
        "weight_own": [found.weight_own(g) for g in places],
        "p_beyond": [found.beyond(g, given["margin"]) for g in places],
        "sd_between": [found.sd_between()[0], *found.sd_between()[1]],
    }
    for name, value in got.items():
        assert value == pytest.approx(wanted[name], abs=1e-9), name


@pytest.mark.parametrize("case", [one for one in HELD if one["estimator"] == "contrasts"])
def test_held_contrasts(case):
    given, wanted = case["inputs"], case["outputs"]
    groups = []
    for mean, sd, n in zip(given["mean"], given["sd"], given["n"], strict=True):
        x = np.linspace(-1, 1, n)
        groups.append(mean + sd * x / x.std(ddof=1))
    found = contrasts_with_overall(groups)
    assert [one.estimate for one in found] == pytest.approx(wanted["difference"], abs=1e-9)
    assert [one.interval.low for one in found] == pytest.approx(wanted["low"], abs=1e-9)
    assert [one.p for one in found] == pytest.approx(wanted["p"], abs=1e-9)
    assert holm([one.p for one in found]) == pytest.approx(wanted["p_holm"], abs=1e-9)


@pytest.mark.parametrize("case", [one for one in HELD if one["estimator"] == "holm"])
def test_held_holm(case):
    assert holm(case["inputs"]["p"]) == pytest.approx(case["outputs"], abs=1e-9)


def test_pooled_bias_by_drawing():
    # the same beliefs, sampled: spread from the half-t prior by its weight, then the biases
    mean, n = np.array([-2.0, 0.5, 3.0]), np.array([8, 8, 30])
    found = pooled_profiles(mean, [3.0, 3.0, 3.0], n)
    f = 2.0 + n - 1
    e = 9.0 / n * (stats.t(f).ppf(0.975) / stats.norm.ppf(0.975)) ** 2
    rng = np.random.default_rng(1)
    tau = np.abs(stats.t(3).rvs(400_000, random_state=rng)) * 3.0
    total = tau[:, None] ** 2 + e
    w = (1 / total).sum(axis=1)
    mu = (mean / total).sum(axis=1) / w
    log_l = -0.5 * (np.log(total).sum(1) + np.log(w) + ((mean - mu[:, None]) ** 2 / total).sum(1))
    weight = np.exp(log_l - log_l.max())
    chosen = rng.choice(len(tau), 200_000, p=weight / weight.sum())
    at = rng.normal(mu[chosen], 1 / np.sqrt(w[chosen]))[:, None]
    pull = tau[chosen, None] ** 2 / total[chosen]
    biases = rng.normal(at + pull * (mean - at), np.sqrt(pull * e))
    for g in range(3):
        assert found.bias(g) == pytest.approx(biases[:, g].mean(), abs=0.03)
        low, high = np.quantile(biases[:, g], [0.025, 0.975])
        assert found.interval(g) == pytest.approx((low, high), abs=0.08)
        assert found.beyond(g, 2.0) == pytest.approx(np.mean(np.abs(biases[:, g]) > 2), abs=0.01)


def test_a_pooled_bias_lies_between_its_own_and_the_others():
    found = analysed(squad([12, 7, 3]))
    for profile in found.profiles:
        own = profile.group.limits.bias
        assert min(own, 1.0) - 1 < profile.pooled.bias < max(own, 1.0) + 1
        assert 0 < profile.pooled.weight_own < 1
        assert profile.pooled.interval.contains(profile.pooled.bias)
    assert found.profiles[2].pooled.weight_own < found.profiles[0].pooled.weight_own


@pytest.mark.parametrize(
    ("mean", "sd", "n", "message"),
    [
        ([1.0], [1.0], [9], "no others"),
        ([1.0, 2.0], [0.0, 0.0], [1, 1], "too few"),
        ([1.0, 2.0], [0.0, 0.0], [5, 5], "too few"),
    ],
)
def test_pooling_refuses(mean, sd, n, message):
    with pytest.raises(ValueError, match=message):
        pooled_profiles(mean, sd, n)


def test_every_profile_of_every_method_is_counted():
    found = [analysed(squad([9, 8, 7], seed=seed)) for seed in (1, 2)]
    alone = [one.deviation.p_alone for bias in found for one in bias.profiles]
    _, wanted, *_ = multipletests(alone, method="holm")  # statsmodels
    counted = holm_over_all(found)
    got = [one.deviation.p_all for bias in counted for one in bias.profiles]
    assert got == pytest.approx(wanted)
    frame = counted[0].to_frame().set_index(["group", "statistic"])["value"]
    assert frame["a", "p_difference_all"] == got[0]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("sizes", "between", "printed"),
    [
        ([9, 9, 9, 9], 0.0, 0.963),
        ([9, 9, 9, 9], 4.0, 0.948),
        ([5, 6, 8, 16], 2.0, 0.956),
        ([2, 4, 9, 20], 1.0, 0.975),
    ],
)
def test_coverage_of_pooled_biases(sizes, between, printed):
    # printed in the method sheet, spread 3 in all profiles; and nearer than the raw means
    rng, runs, inside, errors = np.random.default_rng(20261129), 150, [], []
    for _ in range(runs):
        true = rng.normal(0, between, len(sizes))
        draws = [rng.normal(b, 3, n) for b, n in zip(true, sizes, strict=True)]
        mean, sd = [x.mean() for x in draws], [x.std(ddof=1) for x in draws]
        found = pooled_profiles(mean, sd, sizes)
        for g, b in enumerate(true):
            inside.append(found.interval(g).contains(b))
            errors.append((found.bias(g) - b, mean[g] - b))
    se = np.sqrt(printed * (1 - printed) / len(inside))
    assert np.mean(inside) == pytest.approx(printed, abs=3.5 * se + 0.005)
    pooled, raw = np.sqrt(np.mean(np.square(errors), axis=0))
    assert pooled < raw * 1.08  # printed: at most 7 % farther, where biases differ most
