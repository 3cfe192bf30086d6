"""
Limits that follow fitness, and limits of the ratio with repeats.

Independent: numpy's polynomial fit, its residuals and pandas by hand. Printed values of the line and
of its residuals are in `test_trend`, of ratios in `test_ratio_and_quantile_limits`.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from simulate.known_parts import DailyParts, simulate_daily

from agreement.stats.limits.limits_by_level import limits_by_level_of
from agreement.stats.limits.ratio_limits import ratio_limits_of
from agreement.stats.lines.trend import trend
from agreement.stats.method_data import NotEstimable
from agreement.stats.results_table import analyse, method_data

Z = stats.norm.ppf(0.975)


def pairs(n=60, growth=0.0, seed=2):
    """Differences that fall with fitness; their spread grows by `growth` for each unit of it."""
    rng = np.random.default_rng(seed)
    level = rng.uniform(35, 65, n)
    d = 12 - 0.3 * level + rng.normal(0, 1, n) * (2 + growth * (level - 35))
    return level + d / 2, level - d / 2


def evidence(n, visits=1):
    """A study with so many athletes, tested once or twice."""
    found = simulate_daily(DailyParts(n_athletes=n, days=3), rng=4)
    kept = found.pairs.groupby("athlete_id").head(visits).reset_index(drop=True)
    return replace(found, pairs=kept)


def by_hand(field, lab):
    mean, d = (field + lab) / 2, field - lab
    slope, intercept = np.polyfit(mean, d, 1)
    residual = d - (intercept + slope * mean)
    at = np.array([mean.min(), (mean.min() + mean.max()) / 2, mean.max()])
    return mean, at, intercept + slope * at, residual


def told(found):
    table = found.to_frame()
    wide = table.pivot_table(index="group", columns="statistic", values="value")
    return wide.loc[["low_end", "middle", "high_end"]]


def test_even_spread_gives_parallel_limits():
    field, lab = pairs()
    _, at, centre, residual = by_hand(field, lab)
    half = Z * np.sqrt((residual**2).sum() / (residual.size - 2))
    table = told(limits_by_level_of(trend(field, lab)))
    np.testing.assert_allclose(table["mean_of_both"], at)
    np.testing.assert_allclose(table["bias"], centre)
    np.testing.assert_allclose(table["upper_limit"], centre + half)
    np.testing.assert_allclose(table["lower_limit"], centre - half)


def test_uneven_spread_opens_the_limits():
    field, lab = pairs(n=200, growth=0.1)
    found = trend(field, lab)
    assert found.uneven
    assert found.depends_on_level
    mean, at, centre, residual = by_hand(field, lab)
    growth, start = np.polyfit(mean, np.abs(residual), 1)
    half = Z * np.sqrt(np.pi / 2) * (start + growth * at)
    table = told(limits_by_level_of(found))
    np.testing.assert_allclose(table["upper_limit"] - table["bias"], half)
    np.testing.assert_allclose(table["bias"], centre)


def test_below_ten_athletes_there_are_none():
    field, lab = pairs(n=9)
    with pytest.raises(NotEstimable, match="9 athletes are too few"):
        limits_by_level_of(trend(field, lab))


def test_of_few_athletes_the_table_says_why():
    table = analyse(evidence(n=8)).frame
    rows = table[table["analysis"].isin(["limits_by_level", "ratio_limits"])]
    assert set(rows["group"]) == {"low_end", "middle", "high_end", "all"}
    assert rows["value"].isna().all()
    assert rows["note"].str.startswith("too_few").all()


def test_ratios_count_an_athlete_once():
    (data,) = method_data(evidence(n=20, visits=2))
    own = data.pairs.assign(log=np.log(data.pairs["field"] / data.pairs["lab"]))
    means = own.groupby("athlete_id")["log"].mean()
    within = own.groupby("athlete_id")["log"].var(ddof=1).mean()
    sd = np.sqrt(means.var(ddof=1) + within / 2)
    found = ratio_limits_of(data)
    assert found.ratio == pytest.approx(np.exp(means.mean()))
    assert found.upper == pytest.approx(np.exp(means.mean() + Z * sd))
    assert found.to_frame()["n_pairs"].tolist() == [40, 40, 40]


def test_ratios_of_pairs_one_per_athlete():
    (data,) = method_data(evidence(n=30))
    log = pd.Series(np.log(data.field / data.lab))
    found = ratio_limits_of(data)
    assert found.lower == pytest.approx(np.exp(log.mean() - Z * log.std()))
    other = replace(data, pairs=data.pairs.assign(field=2 * data.field, lab=2 * data.lab))
    assert ratio_limits_of(other).lower == pytest.approx(found.lower)
