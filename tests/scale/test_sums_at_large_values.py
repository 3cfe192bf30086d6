"""
Sums of chunks of one row around 1e8, against exact arithmetic in fractions.

The sums see floats, which are fractions; so the oracle is what a person with enough paper would get.
"""

from fractions import Fraction
from functools import reduce
from itertools import groupby
from math import sqrt
from operator import add, itemgetter

import numpy as np
import pandas as pd
import pytest

from agreement.physiology.heart_rate import extrapolations
from agreement.physiology.point_sums import point_sums
from agreement.scale.athlete_sums import AthleteSums
from agreement.scale.finished import error_from, limits_from, regression_from, trend_from
from agreement.scale.grouped_jackknife import FOLDS
from agreement.scale.keyed_sums import KeyedSums
from agreement.scale.method_sums import MethodSums, SpreadSums
from agreement.scale.pair_sums import PairSums
from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.indices.error import errors_of_estimate

RNG = np.random.default_rng(20)
N = 160
SHIFT = 1e8
LAB = SHIFT + RNG.normal(0, 8, N)
FIELD = SHIFT + 0.8 * (LAB - SHIFT) + 2 + RNG.normal(0, 1, N) * (4 + 0.15 * (LAB - SHIFT))
ATHLETE = np.sort(RNG.integers(0, 60, N))
ORDER = RNG.permutation(N)
EXACT = {"rel": 1e-9, "abs": 0.0}


def fractions(values):
    return [Fraction(float(value)) for value in values]


def mean(values):
    return sum(values, Fraction(0)) / len(values)


def products(x, y):
    """Return the exact centred sum of products."""
    mean_x, mean_y = mean(x), mean(y)
    return sum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True))


def exact_line(x, y):
    """Return slope, intercept, residual SD and r of y on x."""
    sxx, sxy, syy = products(x, x), products(x, y), products(y, y)
    slope = sxy / sxx
    rss = syy - slope * sxy
    return (
        float(slope),
        float(mean(y) - slope * mean(x)),
        sqrt(rss / (len(x) - 2)),
        float(sxy) / sqrt(sxx * syy),
    )


def exact_limits(difference, athlete):
    """Return bias, variance of the athletes' means, and mean square within athletes."""
    groups = [
        [one for _, one in rows]
        for _, rows in groupby(zip(athlete, difference, strict=True), key=itemgetter(0))
    ]
    means = [mean(group) for group in groups]
    within = sum((one - mean(group)) ** 2 for group in groups for one in group)
    between = products(means, means) / (len(means) - 1)
    return float(mean(means)), float(between), float(within / (len(difference) - len(groups)))


def pairs_one_by_one(margin=np.nan):
    made = [PairSums.of(FIELD[i : i + 1], LAB[i : i + 1], margin=margin) for i in ORDER]
    return reduce(add, made)


@pytest.mark.parametrize("large", [False, True], ids=["differences of 3", "differences of 1e8"])
def test_limits_of_athletes_one_athlete_at_a_time(large):
    # the difference itself may be large where one side is in another unit
    d = FIELD - (LAB - SHIFT) if large else FIELD - LAB
    bias, between, within = exact_limits(fractions(d), ATHLETE)
    made = [AthleteSums.of(ATHLETE[a == ATHLETE], d[a == ATHLETE]) for a in np.unique(ATHLETE)]
    by_athlete = reduce(add, [made[i] for i in RNG.permutation(len(made))]).limits()
    by_row = KeyedSums.merged(KeyedSums.of(ATHLETE[[i]], d[[i]]) for i in ORDER)
    for found in (by_athlete, by_row.limits_by_athlete()):
        # far better than promised: a mean of 1e8 kept as one number would lose the tenth digit
        assert found.bias == pytest.approx(bias, rel=1e-13)
        assert found.between == pytest.approx(between, rel=1e-13)
        assert found.within == pytest.approx(within, rel=1e-13)


def test_pairs_merged_one_by_one_in_a_chain_and_in_a_tree_agree_with_exact_limits():
    d = fractions(FIELD - LAB)
    parts = [PairSums.of(FIELD[[i]], LAB[[i]]) for i in ORDER]
    tree = parts
    while len(tree) > 1:
        tree = [reduce(add, tree[i : i + 8]) for i in range(0, len(tree), 8)]
    for found in (tree[0].limits(), reduce(add, parts).limits()):
        assert found.bias == pytest.approx(float(mean(d)), **EXACT)
        assert found.sd == pytest.approx(sqrt(products(d, d) / (N - 1)), **EXACT)


def test_trend_and_regression_line_one_pair_at_a_time():
    field, lab = fractions(FIELD), fractions(LAB)
    sums = pairs_one_by_one()
    a = [(f + one) / 2 for f, one in zip(field, lab, strict=True)]
    d = [f - one for f, one in zip(field, lab, strict=True)]
    for line, x, y in ((sums.trend_line(), a, d), (sums.regression_line(), field, lab)):
        found = (line.slope, line.intercept, line.residual_sd, line.r)
        assert found == pytest.approx(exact_line(x, y), **EXACT)


def test_spread_about_the_trend_one_pair_at_a_time():
    line = pairs_one_by_one().trend_line()
    rows = pd.DataFrame({"athlete_id": [f"a{i}" for i in ATHLETE], "field": FIELD, "lab": LAB})
    sums = reduce(add, [SpreadSums.of(rows.iloc[[i]], line) for i in ORDER])
    a = [(f + one) / 2 for f, one in zip(fractions(FIELD), fractions(LAB), strict=True)]
    d = [f - one for f, one in zip(fractions(FIELD), fractions(LAB), strict=True)]
    slope = products(a, d) / products(a, a)
    residual = [y - mean(d) - slope * (x - mean(a)) for x, y in zip(a, d, strict=True)]
    everyone = AthleteSums(N, N)  # one pair each, so that nothing is left out in turn
    folds = (pairs_one_by_one(), *(PairSums(),) * (FOLDS - 1))
    trend = trend_from(MethodSums({"all": everyone}, folds), sums)
    expected = exact_line(a, [abs(r) for r in residual])
    assert trend.spread.slope == pytest.approx(expected[0], **EXACT)
    assert trend.spread.residual_sd == pytest.approx(expected[2], **EXACT)


def test_heart_rate_lines_of_athletes_one_sample_at_a_time():
    # no heart beats like this; a time stamp beside it would
    sums = KeyedSums.merged(KeyedSums.of(ATHLETE[[i]], LAB[[i]], FIELD[[i]]) for i in ORDER)
    lines = sums.lines()
    for athlete in np.unique(ATHLETE):
        x, y = LAB[athlete == ATHLETE], FIELD[athlete == ATHLETE]
        if len(x) >= 4:  # three points may lie on a line but for rounding
            found = lines.loc[athlete, ["slope", "intercept", "residual_sd", "r"]].tolist()
            assert found == pytest.approx(exact_line(fractions(x), fractions(y)), rel=1e-9)


@pytest.mark.parametrize("form", ["vo2_on_hr", "hr_on_vo2"])
def test_heart_rate_extrapolations_from_sums_are_those_from_samples(form):
    hr = RNG.normal(140, 15, N)
    vo2 = 0.4 * hr - 20 + RNG.normal(0, 2, N)
    top = np.full(len(np.unique(ATHLETE)), 190.0)
    sums = KeyedSums.merged(KeyedSums.of(ATHLETE[[i]], hr[[i]], vo2[[i]]) for i in ORDER)
    found = extrapolations(sums.heart_rate_points(), top, form=form)
    codes = np.unique(ATHLETE, return_inverse=True)[1]
    expected = extrapolations(point_sums(codes, hr, vo2), top, form=form)
    assert expected["vo2max"].notna().sum() > 10
    solid = expected["n_points"] > 2
    pd.testing.assert_frame_equal(found[solid], expected[solid], rtol=1e-9, atol=0.0)


@pytest.mark.parametrize("margin", [3.0, 2.9999999999])
def test_errors_and_share_one_pair_at_a_time(margin):
    d, lab = fractions(FIELD - LAB), fractions(LAB)
    sums = pairs_one_by_one(margin)
    size = [abs(one) for one in d]
    assert sums.mae == pytest.approx(float(mean(size)), **EXACT)
    shares = [100 * a / b for a, b in zip(size, lab, strict=True)]
    assert sums.mape == pytest.approx(float(mean(shares)), **EXACT)
    assert sums.rmse == pytest.approx(sqrt(mean([one * one for one in d])), **EXACT)
    who = cluster_resampling(np.arange(N), n_resamples=20, rng=1)
    in_memory = errors_of_estimate(FIELD, LAB, who, margin=margin)
    assert (sums.within, sums.share_within) == (in_memory.within, in_memory.share_within_margin)


def test_a_value_on_the_margin_is_within_it_as_in_memory():
    lab = np.full(5, 50.0)
    field = lab + np.array([2.9, 3.0, 3.1, -3.0, 0.1 + 0.2])
    sums = reduce(add, [PairSums.of(field[[i]], lab[[i]], margin=3.0) for i in range(5)])
    assert sums.within == 4
    assert PairSums.of(field, lab, margin=0.3).within == 1


def test_groups_and_errors_of_a_method_one_athlete_at_a_time():
    rows = pd.DataFrame(
        {
            "athlete_id": [f"a{i:03d}" for i in ATHLETE],
            "field": FIELD,
            "lab": LAB,
            "hr_limiting_drug": "no",
            "max_confirmed": np.where(ATHLETE % 3 > 0, "yes", "no"),
            "sensor": "chest_strap",
            "training_profile": np.where(ATHLETE % 2 > 0, "low", "mixed"),
        }
    )
    parts = [part for _, part in rows.groupby("athlete_id")]
    made = [
        MethodSums.of(parts[i], heart_rate_based=True, margin=3.0)
        for i in RNG.permutation(len(parts))
    ]
    sums = reduce(add, made)
    d = fractions(FIELD - LAB)
    for name, own in (
        ("all", np.ones(N, bool)),
        ("confirmed", ATHLETE % 3 > 0),
        ("profile:low", ATHLETE % 2 > 0),
    ):
        some = [one for one, here in zip(d, own, strict=True) if here]
        found = sums.groups[name].limits()
        expected = exact_limits(some, ATHLETE[own])
        assert (found.bias, found.between, found.within) == pytest.approx(expected, **EXACT)
    assert limits_from(sums).everyone.bias == sums.groups["all"].limits().bias
    line = regression_from(sums).line
    found = (line.slope, line.intercept, line.residual_sd, line.r)
    assert found == pytest.approx(exact_line(fractions(FIELD), fractions(LAB)), **EXACT)
    error = error_from(sums, 3.0)
    assert error.rmse == pytest.approx(sqrt(mean([one * one for one in d])), **EXACT)
    assert error.deviation.value == pytest.approx(
        1.6448536269514722 * sqrt(sum(one * one for one in d) / (N - 1)), **EXACT
    )
