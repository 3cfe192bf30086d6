"""How often 95 % intervals hold the truth in simulated studies: 0.95, or the figure we own up to."""

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from simulate.known_parts import DailyParts, simulate_daily

from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.basics.intervals import (
    Interval,
    VariancePart,
    interval_of_difference,
    variance_interval,
)
from agreement.stats.basics.welch import contrasts_with_overall
from agreement.stats.causes.profile_bias import profile_bias
from agreement.stats.change.change_result import response_difference, same_direction, weighted_kappa
from agreement.stats.indices.error import errors_of_estimate
from agreement.stats.limits.limits import limits_by_athlete, limits_of_agreement
from agreement.stats.limits.limits_of_agreement_anova import limits_of_agreement_anova
from agreement.stats.limits.ratio_limits import ratio_limits
from agreement.stats.lines.regression import regression
from agreement.stats.lines.slope_on_one_method import drift_of
from agreement.stats.lines.trend import trend
from agreement.stats.repeats.repeatability import repeatability
from agreement.stats.results_table import method_data

pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("ignore::agreement.errors.SmallSampleWarning"),
]
Z = stats.norm.ppf(0.975)
RUNS, DRAWS = 600, 999
PLAIN = 0.95
# A bootstrap of 30 athletes is short of its word, more so for spreads than for means; the
# docstrings of `Replicates.bca_interval` and of the statistics give these figures.
OF_MEANS, OF_SPREADS, OF_SPREAD_SLOPE = 0.93, 0.915, 0.89


def drawn(who, rng):
    return cluster_resampling(who, n_resamples=DRAWS, rng=rng)


def one_pair(rng):
    """30 athletes, one pair: laboratory 50 (6), difference 1 (3)."""
    lab, d = rng.normal(50, 6, 30), rng.normal(1, 3, 30)
    field = lab + d
    limits, line, slope = limits_of_agreement(field, lab), regression(field, lab), trend(field, lab)
    errors = errors_of_estimate(field, lab, drawn(np.arange(30), rng), margin=5.0)
    ratios = ratio_limits(lab * np.exp(rng.normal(0.02, 0.05, 30)), lab, np.arange(30)).to_frame()
    of_line = line.intervals()
    beta = 36 / 45
    away = 3 * np.sqrt(2 / np.pi) * np.exp(-1 / 18) + 1 - 2 * stats.norm.cdf(-1 / 3)
    inside = stats.norm.cdf(4 / 3) - stats.norm.cdf(-2)
    return {
        "bias": (limits.bias_interval(), 1, PLAIN),
        "sd": (limits.sd_interval(), 3, PLAIN),
        "lower limit": (limits.lower_interval(), 1 - 3 * Z, PLAIN),
        "upper limit of ratio": (ratios.loc[2, ["low", "high"]], np.exp(0.02 + 0.05 * Z), PLAIN),
        "slope": (of_line[0], beta, PLAIN),
        "intercept": (of_line[1], 50 - 51 * beta, PLAIN),
        "r": (of_line[2], np.sqrt(beta), PLAIN),
        "standard error of estimate": (of_line[3], np.sqrt(36 * (1 - beta)), PLAIN),
        "slope on mean": (slope.slope_interval(), 4.5 / (36 + 9 / 4), PLAIN),
        "spread on mean": (slope.spread_interval(), 0, PLAIN),
        "share within margin": (errors.share_interval(), inside, PLAIN),
        "mae": (errors.replicates.bca_interval(0), away, OF_MEANS),
        "rmse": (errors.replicates.bca_interval(2), np.sqrt(10), OF_SPREADS),
    }


def several_pairs(rng):
    """30 athletes, three pairs each: 2.5 between, 1.5 within."""
    who = np.repeat(np.arange(30), 3)
    sd = np.hypot(2.5, 1.5)
    lab = rng.normal(50, 6, 30)[who] + rng.normal(0, 1, 90)
    d = rng.normal(1, 2.5, 30)[who] + rng.normal(0, 1.5, 90)
    resampling = drawn(who, rng)
    fair = limits_by_athlete(d, who)
    anova = limits_of_agreement_anova(d, who, resampling=resampling).to_frame()
    anova = anova.set_index("statistic")[["low", "high"]]
    slope = trend(lab + d, lab, resampling=resampling)
    line = regression(lab + d, lab, resampling=resampling).intervals()
    beta = 37 / (37 + sd**2)
    return {
        "bias": (fair.bias_interval(), 1, PLAIN),
        "upper limit": (fair.upper_interval(), 1 + Z * sd, PLAIN),
        "sd": (fair.sd_interval(), sd, PLAIN),
        "anova bias": (anova.loc["bias"], 1, OF_MEANS),
        "anova sd": (anova.loc["sd_of_differences"], sd, OF_SPREADS),
        "anova upper limit": (anova.loc["upper_limit"], 1 + Z * sd, OF_MEANS),
        "slope on mean": (slope.slope_interval(), sd**2 / 2 / (37 + sd**2 / 4), OF_MEANS),
        "spread on mean": (slope.spread_interval(), 0, OF_SPREAD_SLOPE),
        "slope": (line[0], beta, OF_MEANS),
        "r": (line[2], np.sqrt(beta), OF_MEANS),
        "standard error of estimate": (line[3], np.sqrt(37 * (1 - beta)), OF_SPREADS),
        "typical error": (repeatability(rng.normal(0, 2, 90), who).interval(), 2, PLAIN),
    }


def groups(rng):
    """Profiles of unequal size and spread, and of 15 athletes each."""
    sizes = ((0, 2, 8), (1, 3, 12), (2, 4, 15))
    found = contrasts_with_overall([rng.normal(m, s, n) for m, s, n in sizes])
    held = {f"contrast {k}": (c.interval, k - 1, PLAIN) for k, c in enumerate(found)}
    kind, who, names = np.arange(45) % 3, np.repeat(np.arange(45), 2), np.array(list("abc"))
    d = kind[who] + rng.normal(0, 2, 45)[who] + rng.normal(0, 1.5, 90)
    frame = {"athlete_id": who, "training_profile": names[kind][who], "field": d, "lab": 0 * d}
    pairs = pd.DataFrame(frame)
    found = profile_bias(pairs, drawn(who, rng))
    for k, profile in enumerate(found.profiles):
        held[f"deviation, clustered {k}"] = (profile.deviation.interval, k - 1, OF_MEANS)
    return held


def changes_of(rng, n):
    truth = rng.normal(2, 3, n)
    return 0.7 * truth + rng.normal(0, 1.5, n), truth + rng.normal(0, 1.5, n)


@cache
def known_changes():
    """Share of equal signs and kappa of two million changes, by counting."""
    field, lab = changes_of(np.random.default_rng(5), 2_000_000)
    place = [np.digitize(x, [-1.5, 1.5]) for x in (lab, field)]
    table = np.histogram2d(*place, bins=3)[0] / lab.size
    distance = np.abs(np.subtract.outer(range(3), range(3)))
    by_chance = np.outer(table.sum(axis=1), table.sum(axis=0))
    kappa = 1 - (table * distance).sum() / (by_chance * distance).sum()
    return float((np.sign(field) == np.sign(lab)).mean()), kappa


def changes(rng):
    """40 athletes, one change each."""
    field, lab = changes_of(rng, 40)
    resampling = drawn(np.arange(40), rng)
    share, kappa = known_changes()
    response = 1.4 / np.sqrt(0.49 * 9 + 2.25) - 2 / np.sqrt(9 + 2.25)
    return {
        "same direction": (same_direction(field, lab, resampling).interval, share, PLAIN),
        "kappa": (weighted_kappa(field, lab, resampling, threshold=1.5).interval(), kappa, PLAIN),
        "responsiveness": (
            response_difference(field, lab, resampling).interval(),
            response,
            PLAIN,
        ),
    }


def spreads_and_drift(rng):
    """Sums and differences of variances; the error between methods; a drift of 0.02 a day."""
    first, second = (s * rng.chisquare(df) / df for s, df in ((9.0, 40), (4.0, 30)))
    total = variance_interval((VariancePart(first, 40), VariancePart(second, 30)))
    ends = [
        Interval(*(v * df / stats.chi2.ppf([0.975, 0.025], df)))
        for v, df in ((first, 40), (second, 30))
    ]
    less = interval_of_difference(first, ends[0], second, ends[1])
    held = {
        "sum of variances": (total, 13, PLAIN),
        "difference of variances": (less, 5, PLAIN),
    }
    for visits, level in ((1, PLAIN), (2, OF_MEANS)):
        found = simulate_daily(DailyParts(n_athletes=30, visits=visits, days=2), rng=rng)
        day = rng.integers(0, 90, len(found.pairs))
        moved = found.pairs["field"] + 0.02 * day
        pairs = found.pairs.assign(
            lab_date=pd.Timestamp("2026-01-01") + pd.to_timedelta(day, "D"),
            field=moved,
            difference=moved - found.pairs["lab"],
        )
        (data,) = method_data(replace(found, pairs=pairs))
        held[f"drift, {visits} visits"] = (drift_of(data).interval, 0.02, level)
    return held


STUDIES = [one_pair, several_pairs, groups, changes, spreads_and_drift]


@pytest.mark.parametrize("study", STUDIES)
def test_share_of_studies_whose_interval_holds_the_truth(study):
    held, expected = {}, {}
    for run in range(RUNS):
        for name, (interval, truth, level) in study(np.random.default_rng([7, run])).items():
            low, high = interval
            held[name] = held.get(name, 0) + (low <= truth <= high) / RUNS
            expected[name] = level
    error = 3 * np.sqrt(0.95 * 0.05 / RUNS)
    off = {name: share for name, share in held.items() if abs(share - expected[name]) > error}
    assert not off
