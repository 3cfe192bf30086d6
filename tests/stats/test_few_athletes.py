"""
Intervals of few athletes: Student's t from leaving out each in turn, and where there is none.

Values of `tests/reference/few_athletes.json`: computed by another implementation of the same formulas
with numpy and scipy (no printed source), tolerance 1e-9.
"""

import numpy as np
import pytest
from held import held
from scipy import stats

from agreement.stats.basics.bootstrap import bootstrap_of_sums, cluster_resampling
from agreement.stats.change.change_result import same_direction, weighted_kappa
from agreement.stats.indices.error import errors_of_estimate
from agreement.stats.lines.passing_bablok import clustered_intervals
from agreement.stats.lines.regression import regression
from agreement.stats.lines.trend import trend

HELD = held("few_athletes")["jackknife_t"]


def study(n, *, pairs=2, seed=1):
    rng = np.random.default_rng(seed)
    who = np.repeat(np.arange(n), pairs)
    lab = rng.normal(50, 6, n)[who] + rng.normal(0, 2, who.size)
    return lab + rng.normal(1, 2, n)[who] + rng.normal(0, 2, who.size), lab, who


@pytest.mark.parametrize("case", HELD)
def test_held_values(case):
    given, wanted = case["inputs"], case["outputs"]
    field, lab = np.array(given["field"]), np.array(given["laboratory"])
    drawn = cluster_resampling(given["athlete"], n_resamples=9, rng=1)
    rows = {
        "slope_on_mean": trend(field, lab, resampling=drawn).to_frame,
        "r": regression(field, lab, resampling=drawn).to_frame,
    }.get(given["statistic"], errors_of_estimate(field, lab, drawn).to_frame)()
    row = rows.set_index("statistic").loc[given["statistic"]]
    assert tuple(row[["value", "low", "high"]]) == pytest.approx(
        (wanted["value"], wanted["low"], wanted["high"]), rel=1e-9
    )
    assert row["note"] == "clustered; jackknife_t"


def test_of_a_mean_the_interval_is_students():
    d = np.random.default_rng(2).normal(1, 3, 12)
    sums = np.stack([np.ones(12), d], axis=1)
    drawn = cluster_resampling(np.arange(12), n_resamples=9, rng=1)
    found = bootstrap_of_sums(drawn, sums, lambda s: s[:, 1:] / s[:, :1], scales=("plain",))
    assert found.interval() == pytest.approx(stats.ttest_1samp(d, 0).confidence_interval())
    assert found.p_value() == pytest.approx(stats.ttest_1samp(d, 0).pvalue)


@pytest.mark.parametrize(
    ("athletes", "smooth", "share"),
    [
        (4, "clustered; too_few", "clustered; too_few"),
        (5, "clustered; jackknife_t", "clustered; too_few"),
        (14, "clustered; jackknife_t", "clustered; too_few"),
        (15, "clustered; jackknife_t", "clustered"),
        (29, "clustered; jackknife_t", "clustered"),
        (30, "clustered", "clustered"),
    ],
)
def test_what_so_many_athletes_allow(athletes, smooth, share):
    field, lab, who = study(athletes)
    drawn = cluster_resampling(who, n_resamples=199, rng=1)
    rows = errors_of_estimate(field, lab, drawn, margin=5.0).to_frame().set_index("statistic")
    assert rows.loc[["mae", "mape", "rmse"], "note"].tolist() == [smooth] * 3
    assert rows.loc["share_within_margin", "note"] == share
    assert rows.loc["mae", "low"] < rows.loc["mae", "value"] or smooth.endswith("too_few")
    assert rows.loc["share_within_margin", "value"] > 0  # the value stays
    assert np.isnan(rows.loc["share_within_margin", "low"]) == (athletes < 15)
    told = errors_of_estimate(*study(athletes, pairs=1)[:2], only(athletes), margin=5.0)
    assert np.isfinite(told.share_interval()).all()  # one pair each: Wilson's, however few


def only(athletes):
    return cluster_resampling(np.arange(athletes), n_resamples=9, rng=1)


@pytest.mark.parametrize(("athletes", "known"), [(14, False), (15, True)])
def test_ranks_and_counts_of_repeated_pairs_need_fifteen_athletes(athletes, known):
    field, lab, who = study(athletes, pairs=3)
    drawn = cluster_resampling(who, n_resamples=199, rng=1)
    ends = [*clustered_intervals(field, lab, who, slope=1.0, rng=1)]
    ends.append(same_direction(field - 50, lab - 50, drawn).interval)
    ends.append(weighted_kappa(field - 50, lab - 50, drawn, threshold=1.0).interval())
    assert [np.isfinite(end).all() for end in ends] == [known] * 4


def test_a_value_off_its_scale_without_one_athlete_has_no_interval():
    """All miss by nothing but one: without him the logarithm of the mean miss does not exist."""
    who = np.repeat(np.arange(6), 2)
    lab = np.linspace(45, 55, 12)
    field = lab + np.where(who == 0, 1.0, 0.0)
    found = errors_of_estimate(field, lab, cluster_resampling(who, n_resamples=9, rng=1))
    row = found.to_frame().set_index("statistic").loc["mae"]
    assert row["value"] == pytest.approx(1 / 6)
    assert np.isnan(row["low"])
    assert row["note"].startswith("clustered; not_estimable")
