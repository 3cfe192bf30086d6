"""Which training profile differs from which: Games and Howell, Hedges' g."""

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from held import held
from scipy import stats
from turns import slowly

from agreement.stats.basics import welch
from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.basics.welch import games_howell
from agreement.stats.causes.profiles_two_by_two import profiles_two_by_two_of
from agreement.stats.method_data import MethodData, NotEstimable
from agreement.tables.options import StudyOptions

PUBLISHED = held("published_statistics")
PLANTS = list(PUBLISHED["plant_growth"]["groups"].values())
SLEEP = list(PUBLISHED["sleep"]["groups"].values())


def by_hand(groups, i, j):
    """Difference, ends and p of Games & Howell 1976, by scipy's own distribution."""
    a, b = np.asarray(groups[i]), np.asarray(groups[j])
    u, v = a.var(ddof=1) / a.size, b.var(ddof=1) / b.size
    df = (u + v) ** 2 / (u**2 / (a.size - 1) + v**2 / (b.size - 1))
    d, error = a.mean() - b.mean(), np.sqrt((u + v) / 2)
    half = stats.studentized_range.ppf(0.95, len(groups), df) * error
    p = stats.studentized_range.sf(abs(d) / error, len(groups), df)
    return d, d - half, d + half, p


def test_two_groups_are_welch_s_t_test_on_the_sleep_data():
    # printed output of R's t.test (memory): p 0.07939, interval -3.3654832 to 0.2054832
    (one,) = games_howell(SLEEP)
    assert one.between == (0, 1)
    assert one.p == pytest.approx(0.07939, abs=5e-6)
    assert one.interval == pytest.approx((-3.3654832, 0.2054832), abs=5e-7)


def test_three_groups_by_the_published_formula():
    found = games_howell(PLANTS)
    assert [one.between for one in found] == [(0, 1), (0, 2), (1, 2)]
    for one in found:
        d, low, high, p = by_hand(PLANTS, *one.between)
        assert one.estimate == pytest.approx(d, abs=1e-12)
        assert one.interval == pytest.approx((low, high), abs=1e-4)
        assert one.p == pytest.approx(p, abs=1e-9)


@pytest.mark.parametrize("k", [2, 5, *slowly([3, 9])])
def test_the_quantile_is_that_of_the_studentized_range(k):
    df = np.array([4.0, 6.5, 17.0, 80.0])
    exact = stats.studentized_range.ppf(0.95, k, df) / np.sqrt(2)
    np.testing.assert_allclose(welch._simultaneous(k, df), exact, rtol=1e-5)


def of_moments(mean, sd, n, rng):
    """Values of exactly this mean and standard deviation."""
    x = rng.normal(size=n)
    return mean + sd * (x - x.mean()) / x.std(ddof=1)


def test_hedges_g_of_a_printed_example():
    # Borenstein, Hedges, Higgins, Rothstein, Introduction to Meta-Analysis 2009, chapter 4 (memory):
    # means 103 and 100, SD 5.5 and 4.5, 50 each: d 0.5970, g 0.5924, standard error of g 0.2028
    rng = np.random.default_rng(1)
    (one,) = games_howell([of_moments(103, 5.5, 50, rng), of_moments(100, 4.5, 50, rng)])
    assert one.g == pytest.approx(0.5924, abs=5e-5)
    half = (one.g_interval.high - one.g_interval.low) / 2 / stats.t.ppf(0.975, 98)
    assert half == pytest.approx(0.2028, abs=2e-3)  # there d's, shrunk; here by g itself
    assert half == pytest.approx(np.sqrt(2 / 50 + one.g**2 / 200), abs=1e-9)


def method_of(rows):
    """The data of one method: rows of athlete, training profile and difference."""
    pairs = pd.DataFrame(rows, columns=["athlete_id", "training_profile", "difference"])
    pairs = pairs.assign(lab_test_id=[f"T{k}" for k in range(len(rows))], lab=50.0)
    pairs["field"] = pairs["lab"] + pairs["difference"]
    nothing = pairs.iloc[:0]
    drawn = cluster_resampling(pairs["athlete_id"].to_numpy(), n_resamples=10, rng=1)
    return MethodData("wrist", "run", pairs, pairs, nothing, nothing, StudyOptions(), True, drawn)


def test_every_athlete_counts_once_in_the_profile_of_most_of_his_pairs():
    rows = []
    for k in range(18):
        main = ("base", "long", "short")[k % 3]
        visits = [main, main, "long" if main != "long" else "base"] if k % 2 else [main]
        rows += [(f"A{k:02}", main_or_not, k % 5 + 0.3 * v) for v, main_or_not in enumerate(visits)]
    data = method_of(rows)
    found = profiles_two_by_two_of(data)
    frame = pd.DataFrame(rows, columns=["who", "profile", "d"])
    most = frame.groupby("who")["profile"].agg(lambda own: own.mode()[0])
    kept = frame[frame["profile"] == frame["who"].map(most)]
    means = kept.groupby(["profile", "who"])["d"].mean()
    groups = [means[name].to_numpy() for name in ("base", "long", "short")]
    told = found.to_frame().set_index(["group", "statistic"])
    for i, j in combinations(range(3), 2):
        name = f"{('base', 'long', 'short')[i]} minus {('base', 'long', 'short')[j]}"
        d, low, high, p = by_hand(groups, i, j)
        row = told.loc[name, "difference_of_bias"]
        assert (row["value"], row["low"], row["high"]) == pytest.approx((d, low, high), abs=1e-3)
        assert told.loc[(name, "p_difference_of_bias"), "value"] == pytest.approx(p, abs=1e-9)
        assert row["n"] == 12
        assert row["n_pairs"] == len(found.members()[name]) == 18
        assert {who for who, _ in found.members()[name]} == {
            who for who in most.index if most[who] in name.split(" minus ")
        }
    assert "Of 3 pairs of training profiles" in found.summary()


def test_a_field_that_reads_higher_for_all_changes_nothing_and_the_other_way_round_the_sign():
    (one,) = games_howell(SLEEP)
    (shifted,) = games_howell([np.asarray(group) + 7 for group in SLEEP])
    (turned,) = games_howell([-np.asarray(group) for group in SLEEP])
    for name in ("estimate", "g", "p"):
        assert getattr(shifted, name) == pytest.approx(getattr(one, name), rel=1e-9)
    assert (turned.estimate, turned.g) == pytest.approx((-one.estimate, -one.g), rel=1e-12)
    assert turned.interval == pytest.approx((-one.interval.high, -one.interval.low), rel=1e-12)


def test_fewer_than_two_profiles_of_five_are_refused():
    rows = [(f"A{k:02}", "base" if k < 9 else "long", k % 4) for k in range(13)]
    with pytest.raises(NotEstimable, match="fewer than two groups"):
        profiles_two_by_two_of(method_of(rows))
    assert len(profiles_two_by_two_of(method_of([*rows, ("A13", "long", 1.0)])).apart) == 1


@pytest.mark.parametrize(
    ("groups", "match"),
    [
        ([[1.0, 2.0, 4.0]], "fewer than two groups"),
        ([[1.0, 2.0, 4.0], [3.0, 3.0, 3.0]], "without any spread"),
        ([[1.0, 2.0, 4.0], [3.0, 4.0]], "a group of two"),
    ],
)
def test_groups_that_cannot_be_compared_are_refused(groups, match):
    with pytest.raises(NotEstimable, match=match):
        games_howell(groups)


@pytest.mark.slow
def test_all_intervals_hold_at_once_under_unequal_spreads():
    runs, held, alone = 500, 0, 0
    means, spreads, sizes = np.array([0.0, 2.0, -1.0]), (2.0, 3.0, 5.0), (12, 8, 6)
    rng = np.random.default_rng(20260101)
    pooled = np.sqrt((11 * 4 + 7 * 9) / 18)
    for _ in range(runs):
        groups = [rng.normal(m, s, n) for m, s, n in zip(means, spreads, sizes, strict=True)]
        found = games_howell(groups)
        held += all(
            one.interval.contains(means[one.between[0]] - means[one.between[1]]) for one in found
        )
        alone += found[0].g_interval.contains(-2.0 / pooled)
    assert held / runs == pytest.approx(0.95, abs=0.03)  # 3 standard errors
    assert alone / runs == pytest.approx(0.95, abs=0.03)
