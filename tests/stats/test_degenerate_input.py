"""Every statistic on input that cannot be right: a clear refusal, or numbers and reasons in full."""

import traceback
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import agreement
from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.basics.shares import total_deviation_index
from agreement.stats.basics.welch import brown_forsythe, contrasts_with_overall, welch_test
from agreement.stats.causes.mass_mismatch import mass_mismatch
from agreement.stats.causes.profile_at_equal_level import equal_fitness
from agreement.stats.causes.profile_bias import profile_bias
from agreement.stats.compare.two_estimators import two_estimators
from agreement.stats.indices.concordance import concordance
from agreement.stats.indices.equivalence import equivalence
from agreement.stats.indices.error import errors_of_estimate
from agreement.stats.limits.limits import limits_by_athlete, limits_of_agreement
from agreement.stats.limits.limits_of_agreement_anova import limits_of_agreement_anova
from agreement.stats.limits.quantile_limits import quantile_limits
from agreement.stats.limits.ratio_limits import ratio_limits
from agreement.stats.limits.shape import shape
from agreement.stats.lines.calibration import calibration
from agreement.stats.lines.deming import deming
from agreement.stats.lines.linearity import linearity
from agreement.stats.lines.passing_bablok import passing_bablok
from agreement.stats.lines.regression import regression
from agreement.stats.lines.trend import trend
from agreement.stats.repeats.repeatability import repeatability

pytestmark = [
    pytest.mark.filterwarnings("ignore::agreement.errors.AgreementWarning"),
    # pingouin's own arithmetic on tiny p values
    pytest.mark.filterwarnings("ignore:.*underflow:RuntimeWarning"),
]
LIBRARY = str(Path(agreement.__file__).parent)
RNG = np.random.default_rng(1)
X = RNG.normal(50, 6, 12)
Y = X + RNG.normal(0, 2, 12)
INPUT = {
    "nobody": ([], []),
    "one": ([50.0], [51.0]),
    "two": ([50.0, 51.0], [51.0, 53.0]),
    "three": ([50.0, 51.0, 55.0], [51.0, 53.0, 54.0]),
    "all equal": (np.full(12, 50.0), np.full(12, 50.0)),
    "equal laboratory": (Y, np.full(12, 50.0)),
    "equal field": (np.full(12, 50.0), X),
    "perfect": (X, X),
    "perfect line": (2 + 1.1 * X, X),
    "pure shift": (X + 2, X),
    "ties everywhere": (np.round(Y / 5) * 5, np.round(X / 5) * 5),
    "no spread in a group": (X + np.tile([0.0, 1.0], 6) * np.arange(12), X),
    "falling": (100 - X, X),
    "infinite": (np.r_[np.inf, Y[1:]], X),
    "missing field": (np.r_[np.nan, Y[1:]], X),
    "missing laboratory": (Y, np.r_[np.nan, X[1:]]),
}
BAD = ("infinite", "missing field", "missing laboratory")


def each(x):
    return np.arange(x.size)


def twice(x):
    return np.arange(x.size) // 2


def label(x):
    return np.tile(["a", "b"], x.size)[: x.size]


def drawn(who):
    return cluster_resampling(who, n_resamples=99, rng=1)


def squad(f, x, who):
    names = [f"A{i}" for i in who]
    columns = {"athlete_id": names, "training_profile": label(f), "field": f, "lab": x}
    return pd.DataFrame(columns), drawn(names)


STATISTICS = {
    "limits": limits_of_agreement,
    "repeated": lambda f, x: limits_by_athlete(f - x, twice(x)),
    "anova": lambda f, x: limits_of_agreement_anova(f - x, twice(x), resampling=drawn(twice(x))),
    "one athlete": lambda f, x: limits_by_athlete(f - x, np.zeros(x.size)),
    "trend": trend,
    "trend, clustered": lambda f, x: trend(f, x, resampling=drawn(twice(x))),
    "ratio": lambda f, x: ratio_limits(f, x, each(x)),
    "quantiles": lambda f, x: quantile_limits(np.tile(f - x, 4)),
    "regression": regression,
    "regression, clustered": lambda f, x: regression(f, x, resampling=drawn(twice(x))),
    "deming": deming,
    "deming, clustered": lambda f, x: deming(f, x, athlete=twice(x)),
    "passing-bablok": passing_bablok,
    "linearity": lambda f, x: linearity(f, x, n_simulations=9, rng=1),
    "concordance": concordance,
    "errors": lambda f, x: errors_of_estimate(f, x, drawn(each(x)), margin=3.0),
    "equivalence": lambda f, x: equivalence(f - x, 2.0),
    "calibration": lambda f, x: calibration(f, x, rng=1),
    "two estimators": lambda f, x: two_estimators(f, x, n_resamples=99, rng=1),
    "profiles": lambda f, x: profile_bias(*squad(f, x, each(x))),
    "profiles, clustered": lambda f, x: profile_bias(*squad(f, x, twice(x))),
    "welch": lambda f, x: welch_test([f, x]),
    "contrasts": lambda f, x: contrasts_with_overall([f, x]),
    "brown-forsythe": lambda f, x: brown_forsythe([f, x]),
    "total deviation": lambda f, x: total_deviation_index(f - x),
    "shape": lambda f, x: shape(f - x, each(x)),
    "mass": lambda f, x: mass_mismatch(f, x, each(x) % 5 - 2.0),
    "equal fitness": lambda f, x: equal_fitness(f - x, x, label(x), 1.0),
    "repeatability": lambda f, x: repeatability(f - x, twice(f)),
}


def complete(frame):
    """Whether every number is there, or says why not."""
    missing = frame["value"].isna() & (frame["note"] == "")
    return not missing.any() and not np.isinf(frame["value"].to_numpy(dtype=float)).any()


def asked(name, kind):
    """The result, or the refusal."""
    field, lab = (np.asarray(values, dtype=float) for values in INPUT[kind])
    try:
        return STATISTICS[name](field, lab), None
    except ValueError as refusal:
        return None, refusal


@pytest.mark.parametrize("name", STATISTICS)
def test_refused_in_our_words_or_answered_in_full(name):
    for kind in INPUT:
        result, refusal = asked(name, kind)
        if refusal is not None:
            where = traceback.extract_tb(refusal.__traceback__)[-1].filename
            assert where.startswith(LIBRARY), f"{kind}: another library refused: {refusal}"
            assert len(str(refusal)) > 20, kind
            continue
        assert kind not in BAD, f"{kind}: gaps and infinities must be refused"
        assert kind not in ("nobody", "one") or name.startswith("profiles")
        if hasattr(result, "to_frame") and "value" in result.to_frame():
            assert complete(result.to_frame()), (kind, result.to_frame())
        if hasattr(result, "summary"):
            assert "nan" not in result.summary(), kind


def test_one_group_and_one_athlete():
    with pytest.raises(ValueError, match="fewer than two groups"):
        welch_test([X])
    with pytest.raises(ValueError, match="fewer than two groups"):
        contrasts_with_overall([X])
    with pytest.raises(ValueError, match="at least 3 athletes"):
        limits_by_athlete(Y - X, np.zeros(12))
    one_profile, resampling = squad(Y, X, each(X))
    found = profile_bias(one_profile.assign(training_profile="a"), resampling)
    assert np.isnan(found.p_equal)
    assert "fewer than two groups" in found.reason
