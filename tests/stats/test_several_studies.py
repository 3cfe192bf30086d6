"""
Pools, predictions, seasons and ageing.

Reference values: computed by a second implementation (tests/reference/several_studies.json, which says
so); the classical check row against a general-purpose library; the rest by simulation.
"""

from math import exp

import numpy as np
import pytest
from held import held
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects
from turns import slowly

from agreement.stats.compare.closer import closer
from agreement.stats.method_data import NotEstimable
from agreement.stats.studies.ageing import admitted, ageing, ageing_bins
from agreement.stats.studies.pooling import Study, moderator, pooled_studies, random_effects
from agreement.stats.studies.seasons import two_seasons, two_seasons_by_numbers

HELD = held("several_studies")["checks"]


def held(estimator):
    found = [one for one in HELD if one["estimator"] == estimator]
    cases = [*found[:2], *slowly(found[2:])]
    return pytest.mark.parametrize("one", cases, ids=[one["name"] for one in found])


def pool(inputs):
    rows = zip(inputs["bias"], inputs["sd"], inputs["n"], strict=True)
    return pooled_studies([Study(str(i), *row) for i, row in enumerate(rows)])


@held("studies")
def test_pools_as_held(one):
    found, out = pool(one["inputs"]), one["outputs"]
    close = {"abs": one["tolerance"]}
    assert list(found.bias()) == pytest.approx(out["bias"], **close)
    assert list(found.sd()) == pytest.approx(out["sd"], **close)
    assert list(found.bias(new=True)) == pytest.approx(out["new_bias"], **close)
    assert list(found.sd(new=True)) == pytest.approx(out["new_sd"], **close)
    between = [estimate.value for estimate in found.between()]
    assert between == pytest.approx([out["tau_bias"], out["tau_log_sd"]], **close)
    for word, new in (("typical", False), ("new", True)):
        for name, side in (("lower", -1), ("upper", 1)):
            limit = list(found.limit(side, new=new))
            assert limit == pytest.approx(out[f"{word}_{name}"], **close)
    assert list(found.athlete()) == pytest.approx(out["athlete"], **close)


def test_repeated_pairs_make_the_interval_of_a_bias_no_shorter():
    rng, who = np.random.default_rng(4), np.repeat(np.arange(12), 3)
    d = rng.normal(0, 1, 12)[who] + rng.normal(0, 2, 36)
    means = d.reshape(12, 3).mean(axis=1)
    study = Study("own", means.mean(), 2.2, 12, n_pairs=36).with_repeats(d, who)
    assert study.freedom > 11
    of_means = stats.ttest_1samp(means, 0.0).confidence_interval()
    assert study.bias_interval == pytest.approx(tuple(of_means), rel=1e-9)


@held("hartung_knapp")
def test_the_classical_check_as_held(one):
    found = random_effects(one["inputs"]["y"], one["inputs"]["v"])
    out = one["outputs"]
    ours = [found.estimate, *found.interval, found.between]
    names = ("mean", "low", "high", "tau2")
    assert ours == pytest.approx([out[name] for name in names], abs=one["tolerance"])


@held("hartung_knapp")
def test_the_classical_check_against_a_general_library(one):
    y, v = np.array(one["inputs"]["y"]), np.array(one["inputs"]["v"])
    theirs = combine_effects(y, v, method_re="iterated", use_t=True)
    ours = random_effects(y, v)
    assert ours.between == pytest.approx(theirs.tau2, rel=1e-4)
    assert ours.estimate == pytest.approx(theirs.mean_effect_re, rel=1e-4)


@held("moderator")
def test_a_moderator_as_held(one):
    found = moderator(one["inputs"]["y"], one["inputs"]["v"], one["inputs"]["x"])
    out = one["outputs"]
    ours = [found.estimate, *found.interval, found.between, found.p]
    names = ("slope", "low", "high", "tau2", "p")
    assert ours == pytest.approx([out[name] for name in names], abs=one["tolerance"])


@held("two_reports")
def test_seasons_as_held(one):
    i, out = one["inputs"], one["outputs"]
    found = two_seasons(i["d1"], i["d2"], i["id1"], i["id2"])
    ours = [found.difference, *found.interval, found.df, found.p, found.ratio]
    ours += [*found.ratio_interval, found.ratio_df, found.shared]
    names = ("difference", "low", "high", "df", "p", "ratio")
    names += ("ratio_low", "ratio_high", "ratio_df", "overlap")
    assert ours == pytest.approx([out[name] for name in names], abs=one["tolerance"])


@held("ageing")
def test_ageing_as_held(one):
    i, out = one["inputs"], one["outputs"]
    found = ageing(i["d"], i["gap_days"], i["athlete"])
    ours = [found.square, *found.square_interval, found.drift, *found.drift_interval]
    ours += [found.at_once, found.after, found.n]
    names = ("square_per_28", "square_low", "square_high", "drift_per_28", "drift_low")
    names += ("drift_high", "rmse_day0", "rmse_day28", "athletes")
    assert ours == pytest.approx([out[name] for name in names], abs=one["tolerance"])


def test_the_bias_of_repeated_pairs_is_as_sure_as_their_athletes():
    rng = np.random.default_rng(2)
    d, who = rng.normal(1, 3, 40), np.arange(40) // 2
    means = d.reshape(20, 2).mean(axis=1)
    found = Study("a", means.mean(), d.std(ddof=1), 20).with_repeats(d, who)
    assert found.error == pytest.approx(means.var(ddof=1) / 20)
    # Satterthwaite's degrees of freedom of both parts of the spread of one pair
    between, inside = means.var(ddof=1), ((d[::2] - d[1::2]) ** 2).mean() / 2 / 2
    free = (between + inside) ** 2 / (between**2 / 19 + inside**2 / 20)
    assert found.freedom == pytest.approx(free)


def test_seasons_of_the_same_people_are_the_paired_test_and_of_others_welch():
    rng = np.random.default_rng(1)
    one, two = rng.normal(1, 3, 15), rng.normal(2, 4, 15)
    names = [f"A{i:02d}" for i in range(15)]
    paired = two_seasons(one, two, names, names)
    assert paired.p == pytest.approx(stats.ttest_rel(two, one).pvalue)
    apart = two_seasons(one, two, names, [f"B{i:02d}" for i in range(15)])
    welch = stats.ttest_ind(two, one, equal_var=False)
    assert (apart.p, apart.df) == pytest.approx((welch.pvalue, welch.df))


def test_a_spread_that_hangs_on_one_athlete_is_refused():
    """Without the last athlete of the first report it has none: its logarithm has no error."""
    with pytest.raises(ValueError, match="no error that could be compared"):
        two_seasons([1, 1, 1, 2], [1, 2, 4, 7], list("abcd"), list("efgh"))


def test_the_order_of_athletes_does_not_matter():
    rng = np.random.default_rng(2)
    one, two = rng.normal(1, 3, 12), rng.normal(2, 4, 14)
    a, b = np.arange(12), np.arange(6, 20)
    p, q = rng.permutation(12), rng.permutation(14)
    assert two_seasons(one, two, a, b) == two_seasons(one[p], two[q], a[p], b[q])


def test_ageing_takes_only_athletes_with_readings_far_enough_apart():
    gap = [1, 10, 22, 1, 2, 3, 1, 30]
    assert admitted(gap, list("aaabbbcc")).tolist() == [True] * 3 + [False] * 5


def aged(rng, athletes, spread=(2.0, 2.0, 2.0), days=(2, 12, 30)):
    """Return d, gap, athlete, test: one reading in each bin of an athlete, spread by age."""
    d = np.concatenate([rng.normal(0, one, athletes) for one in spread])
    who = np.tile([f"A{i:02d}" for i in range(athletes)], len(spread))
    return d, np.repeat(days, athletes), who, who


def test_bins_of_age_are_compared_as_methods_are():
    d, gap, who, test = aged(np.random.default_rng(3), 14, (1.0, 2.0, 4.0))
    frame = ageing_bins(d, gap, who, test, rng=1).to_frame().set_index(["statistic", "group"])
    by_hand = np.sqrt((d.reshape(3, 14) ** 2).mean(axis=1))
    assert frame.loc["error_of_age", "value"].tolist() == pytest.approx(by_hand.tolist())
    ratio = frame.loc[("ratio_to_freshest", "22-42 days")]
    assert ratio["value"] == pytest.approx(by_hand[2] / by_hand[0])
    assert 1 < ratio["low"] < ratio["value"] < ratio["high"]
    # the same by the paired comparison of two methods read against the same tests
    alone = closer(np.stack([d[:14], d[28:]]).T, rng=1)
    assert ratio["value"] == pytest.approx(1 / alone.ratio(0))
    assert (frame["n"] == 14).all()


def test_bins_need_ten_athletes_with_readings_in_two():
    d, gap, who, test = aged(np.random.default_rng(3), 9)
    with pytest.raises(NotEstimable, match="fewer than 10 athletes have readings in two bins"):
        ageing_bins(d, gap, who, test)
    d, gap, who, test = aged(np.random.default_rng(3), 12, days=(2, 5, -3))
    with pytest.raises(NotEstimable, match="two bins"):  # one bin, and readings after the test
        ageing_bins(d, gap, who, test)


@pytest.mark.slow
def test_equal_bins_of_age_are_rarely_told_apart():
    rng = np.random.default_rng(8)
    found = [ageing_bins(*aged(rng, 20), n_flips=499, rng=i).found.p_joint for i in range(600)]
    rate = np.mean([np.nanmin(p) < 0.05 for p in found])
    assert 0.03 < rate < 0.07  # .05 for all bins together; 600 runs: SE .009


@pytest.mark.slow
@pytest.mark.parametrize(
    ("k", "tau", "tau_log", "new_bias", "athlete"),
    [
        (2, 2, 0.2, 1.0, 0.982),
        (2, 4, 0.4, 0.937, 0.963),
        (3, 2, 0.2, 0.970, 0.972),
        (3, 4, 0.4, 0.940, 0.962),
        (5, 2, 0.2, 0.953, 0.960),
        (5, 4, 0.4, 0.953, 0.968),
        (10, 0, 0.0, 1.0, 0.956),
        (10, 2, 0.2, 0.957, 0.957),
    ],
)
def test_the_next_squad_lies_where_the_method_sheet_says(k, tau, tau_log, new_bias, athlete):
    """Coverage by simulation; the sheet's rates are from 300 runs, as these are."""
    rng, runs = np.random.default_rng(k), 300
    hits = np.zeros(2)
    for _ in range(runs):
        n = rng.integers(12, 41, k)
        sd = 4 * np.exp(rng.normal(0, tau_log, k))
        bias = rng.normal(1, tau, k)
        seen_sd = sd * np.sqrt(rng.chisquare(n - 1) / (n - 1))
        rows = zip(rng.normal(bias, sd / np.sqrt(n)), seen_sd, n, strict=True)
        found = pooled_studies([Study("", *row) for row in rows])
        _, low, high = found.bias(new=True)
        next_bias, next_sd = rng.normal(1, tau), 4 * exp(rng.normal(0, tau_log))
        ends = (np.array(found.athlete()) - next_bias) / next_sd
        hits += low <= next_bias <= high, stats.norm.cdf(ends[1]) - stats.norm.cdf(ends[0])
    assert hits / runs == pytest.approx([new_bias, athlete], abs=0.045)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("first", "second", "shared"),
    [(20, 20, 0), (20, 20, 3), (20, 20, 10), (20, 20, 20), (12, 30, 8), (35, 35, 15)],
)
def test_the_interval_between_seasons_covers(first, second, shared):
    """Simulated: athletes keep a lasting error; sheet: 0.942 to 0.960."""
    rng, runs, hits = np.random.default_rng(shared), 800, np.zeros(2)
    for _ in range(runs):
        lasting = rng.normal(0, 2.5, first + second)
        a, b = np.arange(first), np.arange(first - shared, first + second - shared)
        one = lasting[a] + rng.normal(0, 2.5, first)
        two = 1.3 * (lasting[b] + rng.normal(0, 2.5, second)) + 1.0
        found = two_seasons(one, two, a, b)
        hits += found.interval.contains(1.0), found.ratio_interval.contains(1.3)
    assert hits / runs == pytest.approx([0.95, 0.95], abs=0.025)


@pytest.mark.slow
@pytest.mark.parametrize("athletes", [10, 15, 30])
def test_the_intervals_of_ageing_cover(athletes):
    """Simulated, true values that stay: sheet 0.938 to 0.960 for the drift, 0.936 to 0.968 for growth."""
    rng, runs, hits = np.random.default_rng(athletes), 500, np.zeros(2)
    for _ in range(runs):
        who = np.repeat(np.arange(athletes), 6)
        gap = rng.integers(2, 71, who.size)
        spread = np.sqrt(4.0 + 3.0 * gap / 28)
        d = rng.normal(0, 2, athletes)[who] + 0.5 * gap / 28 + rng.normal(0, 1, who.size) * spread
        found = ageing(d, gap, who)
        hits[0] += found.drift_interval.contains(0.5)
        d -= 0.5 * gap / 28
        hits[1] += ageing(d, gap, who).square_interval.contains(3.0)
    assert hits / runs == pytest.approx([0.95, 0.95], abs=0.035)


def test_two_reports_known_by_their_numbers_are_compared_as_by_scipy():
    found = two_seasons_by_numbers((1.2, 3.1, 24), (2.9, 4.2, 31))
    welch = stats.ttest_ind_from_stats(2.9, 4.2, 31, 1.2, 3.1, 24, equal_var=False)
    assert found.p == pytest.approx(welch.pvalue, rel=1e-9)
    half = 1.7 / welch.statistic * stats.t.ppf(0.975, found.df)
    assert tuple(found.interval) == pytest.approx((1.7 - half, 1.7 + half), rel=1e-9)
    with pytest.raises(ValueError, match="equal"):
        two_seasons_by_numbers((1.2, 0.0, 24), (2.9, 4.2, 31))


def test_the_age_of_a_reading_by_hand():
    """Squares of 1, 2.5 and 4 on days 0, 14 and 28: 3 more in four weeks; 1 and 2 at the ends."""
    gap, d = np.tile([0.0, 14.0, 28.0], 6), np.tile(np.sqrt([1.0, 2.5, 4.0]), 6)
    found = ageing(d, gap, np.repeat(np.arange(6), 3)).to_frame().set_index("statistic")["value"]
    assert found.to_dict() == pytest.approx(
        {
            "added_square": 3.0,
            "drift_in_28_days": 1.0,
            "error_on_day_0": 1.0,
            "error_on_day_28": 2.0,
        }
    )
