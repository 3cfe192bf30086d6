"""
The formula that a record states, followed by hand with numpy, gives the number of the results table.

Each case holds the words that were followed: who changes the code or the words meets them here. The
computations are ours, from the words alone; no printed source.
"""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.catalogue import statistic_of
from agreement.stats.compare.closer import closer
from agreement.stats.compare.two_estimators import two_estimators
from agreement.stats.indices.error import errors_of_estimate
from agreement.stats.limits.interval_width import interval_width
from agreement.stats.limits.limits import limits_by_athlete
from agreement.stats.limits.limits_by_level import LimitsByLevel
from agreement.stats.limits.net_of_laboratory import net_of_laboratory
from agreement.stats.lines.calibration import calibration
from agreement.stats.lines.passing_bablok import passing_bablok
from agreement.stats.lines.slope_on_one_method import drift_of, slope_on_one_method_of
from agreement.stats.lines.structural import structural_slope
from agreement.stats.lines.trend import trend
from agreement.stats.repeats.averaging_rule import averaging_rules
from agreement.stats.repeats.laboratory_variance import LaboratoryVariance
from agreement.stats.repeats.repeatability import repeatability
from agreement.stats.studies.ageing import ageing

RNG = np.random.default_rng(14)
LAB = np.round(RNG.normal(52, 6, 40), 1)
FIELD = np.round(0.8 * LAB + 9 + RNG.normal(0, 3, 40), 1)
OTHER = np.round(LAB + RNG.normal(-1, 2, 40), 1)
D, WHO, MEAN = FIELD - LAB, np.arange(40), (FIELD + LAB) / 2
DAYS = RNG.integers(0, 120, 40)
NOISE = 2.25  # variance of a laboratory test
LABORATORY = LaboratoryVariance(NOISE, 30.0)
DATA = SimpleNamespace(
    lab=LAB,
    field=FIELD,
    difference=D,
    n=40,
    clustered=False,
    day=DAYS.astype(float),
    pairs=pd.DataFrame({"lab_date": pd.Timestamp("2026-01-01") + pd.to_timedelta(DAYS, "D")}),
)
TESTS = pd.DataFrame(
    {
        "athlete_id": np.repeat([f"A{i}" for i in range(12)], 2),
        "lab_test_id": np.repeat([f"T{i}" for i in range(12)], 2),
        "rule": ["fixed 30 s", "moving 15 s"] * 12,
        "vo2max": np.round(RNG.normal(52, 5, 24), 1),
        "in_use": "fixed 30 s",
    }
)
OF_30, OF_15 = (TESTS["vo2max"].to_numpy()[k::2] for k in (0, 1))


def slope(x, y):
    return np.polyfit(x, y, 1)[0]


def left_out_line():
    """Predict each athlete by the line of the others, one refit each."""
    lines = (np.polyfit(np.delete(FIELD, k), np.delete(LAB, k), 1) for k in range(40))
    misses = [np.polyval(line, FIELD[k]) - LAB[k] for k, line in enumerate(lines)]
    return np.sqrt(np.mean(np.square(misses)))


def field_noise():
    """What the structural slope leaves of the field's variance."""
    true = LAB.var(ddof=1) - NOISE
    both = np.cov(LAB, FIELD)[0, 1]
    return FIELD.var(ddof=1) - both**2 / true


def on_gap(gap, squared):
    """Carry mean squared d along its slope within athletes, all of as many readings."""
    gaps, values = gap.reshape(12, 5), squared.reshape(12, 5)
    centred = gaps - gaps.mean(axis=1, keepdims=True)
    return values.mean() + (centred * values).sum() / (centred**2).sum() * (28 - gaps.mean())


GAP = RNG.integers(0, 60, 60).astype(float)
OLD = RNG.normal(1, 2 + GAP / 30)
CASES = {
    "passing_bablok/intercept": (
        "median of field less slope times laboratory",
        lambda: passing_bablok(FIELD, LAB),
        lambda found: np.median(FIELD - found.slope * LAB),
    ),
    "calibration/offset": (
        "minus the mean of d over pairs",
        lambda: calibration(FIELD, LAB, rng=1),
        lambda _: -D.mean(),
    ),
    "calibration/slope": (
        "least squares of laboratory on field",
        lambda: calibration(FIELD, LAB, rng=1),
        lambda _: slope(FIELD, LAB),
    ),
    "calibration/rmse_cv_line": (
        "each form fitted without one athlete at a time, that athlete's pairs predicted",
        lambda: calibration(FIELD, LAB, rng=1),
        lambda _: left_out_line(),
    ),
    "limits_by_level/mean_of_both": (
        "smallest and largest mean of both methods, and the middle between them",
        lambda: LimitsByLevel(trend(FIELD, LAB)),
        lambda _: [MEAN.min(), (MEAN.min() + MEAN.max()) / 2, MEAN.max()],
    ),
    "interval_width/width_of_upper_limit": (
        "upper less lower end of the interval",
        lambda: interval_width(limits_by_athlete(D, WHO)),
        lambda _: np.subtract(*limits_by_athlete(D, WHO).upper_interval()[::-1]),
    ),
    "net_of_laboratory/own_sd": (
        "root of the variance of d less the laboratory's part of it",
        lambda: net_of_laboratory(D, WHO, LABORATORY),
        lambda _: np.sqrt(D.var(ddof=1) - NOISE),
    ),
    "net_of_laboratory/own_lower_limit": (
        "own bias minus and plus z times the own spread",
        lambda: net_of_laboratory(D, WHO, LABORATORY),
        lambda _: D.mean() - 1.959963984540054 * np.sqrt(D.var(ddof=1) - NOISE),
    ),
    "structural/error_ratio": (
        "what the structural slope leaves unexplained, over the laboratory's noise",
        lambda: structural_slope(FIELD, LAB, LABORATORY),
        lambda _: field_noise() / NOISE,
    ),
    "structural/lean_from_noise": (
        "field's own error variance less the laboratory's, over twice the variance of the mean of both",
        lambda: structural_slope(FIELD, LAB, LABORATORY),
        # the variance that the mean of both has where the slope is 1
        lambda _: (
            (field_noise() - NOISE) / (2 * (LAB.var(ddof=1) - NOISE + (field_noise() + NOISE) / 4))
        ),
    ),
    "structural/sem_for_slope_one": (
        "root of the variance of laboratory values less their covariance with the field, for one test",
        lambda: structural_slope(FIELD, LAB, LABORATORY),
        lambda _: np.sqrt(LAB.var(ddof=1) - np.cov(LAB, FIELD)[0, 1]),
    ),
    "error/total_deviation_index": (
        "normal quantile of 90 % times the root of the sum of d squared over n - 1",
        lambda: errors_of_estimate(FIELD, LAB, cluster_resampling(WHO, n_resamples=99, rng=1)),
        lambda _: 1.6448536269514722 * np.sqrt((D**2).sum() / 39),
    ),
    "slope_on_one_method/slope_on_field": (
        "least squares of d on the field value",
        lambda: slope_on_one_method_of(DATA),
        lambda _: slope(FIELD, D),
    ),
    "drift/change_in_30_days": (
        "least squares of d on the day of the laboratory test, times 30",
        lambda: drift_of(DATA),
        lambda _: 30 * slope(DAYS, D),
    ),
    "averaging_rule/shift_of_bias": (
        "mean under the rule in use less that under this rule",
        lambda: averaging_rules(TESTS),
        lambda _: [0.0, OF_30.mean() - OF_15.mean()],
    ),
    "averaging_rule/share_more_p90": (
        "quantiles over tests of the value over that by fixed 30 s, less 1",
        lambda: averaging_rules(TESTS),
        lambda _: [0.0, np.quantile(OF_15 / OF_30 - 1, 0.9)],
    ),
    "repeatability/typical_error": (
        "root of the mean square within visits",
        lambda: repeatability(LAB, WHO // 2),
        lambda _: np.sqrt(np.mean((LAB[::2] - LAB[1::2]) ** 2) / 2),
    ),
    "two_estimators/ratio_of_sd": (
        "standard deviation of the first's d over the second's",
        lambda: two_estimators(D, OTHER - LAB, rng=1),
        lambda _: D.std() / (OTHER - LAB).std(),
    ),
    "ageing/error_on_day_28": (
        "root of the mean squared d, carried along its slope to day 28",
        lambda: ageing(OLD, GAP, np.repeat(np.arange(12), 5)),
        lambda _: np.sqrt(on_gap(GAP, OLD**2)),
    ),
}


@pytest.mark.parametrize("key", CASES)
def test_the_words_followed_by_hand_give_the_number(key):
    words, computed, by_hand = CASES[key]
    analysis, name = key.split("/")
    assert statistic_of(analysis, name).formula.startswith(words)
    found = computed()
    frame = found.to_frame()
    values = frame.loc[frame["statistic"] == name, "value"].to_numpy()
    np.testing.assert_allclose(values, np.atleast_1d(by_hand(found)), rtol=1e-9, atol=1e-12)


def test_the_joint_interval_of_a_ratio_is_wider_than_the_jackknifes_alone():
    """The words: jackknife of its log and the largest Student t of the flips."""
    words = (
        "first over second; interval by jackknife of its log and the largest Student t of the flips"
    )
    assert statistic_of("closer", "rmse_ratio").formula == words
    assert statistic_of("closer", "sd_ratio").formula == words
    third = LAB + RNG.normal(0, 4, 40)
    found = closer(np.column_stack([D, OTHER - LAB, third - LAB]), rng=1)
    low, high = np.log(found.joint_interval(0))
    assert high - low == pytest.approx(2 * found.factor * found.errors[0])
    alone = np.log(found.interval(0))
    assert (low, high) < (alone[0], np.inf)
    assert high > alone[1]
