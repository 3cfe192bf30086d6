"""
What must not change a statistic, and what must change it in a known way, for every statistic.

Rows in another order; other names of athletes and groups; all values moved by the same amount;
another unit; the two methods swapped; every athlete a second time. `RULES` says of each statistic
which of its values move and how; a value that no rule names has to stay.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from simulate.known_parts import DailyParts, simulate_daily

from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.basics.shares import total_deviation_index
from agreement.stats.basics.welch import brown_forsythe, contrasts_with_overall, welch_test
from agreement.stats.catalogue import ANALYSES
from agreement.stats.causes.mass_mismatch import mass_mismatch
from agreement.stats.causes.profile_at_equal_level import equal_fitness
from agreement.stats.causes.profile_bias import profile_bias
from agreement.stats.compare.two_estimators import two_estimators
from agreement.stats.evidence import Evidence
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
from agreement.stats.results_table import analyse
from agreement.tables.options import Margin

UNIT, SQUARED = "mL/kg/min", "(mL/kg/min)^2"
SHIFT, SCALE = 8.0, 4.0  # powers of two: nothing is rounded on the way
pytestmark = pytest.mark.filterwarnings("ignore::agreement.errors.AgreementWarning")


@dataclass(frozen=True)
class Squad:
    """Two visits of each athlete; 231 slopes between the 22 pairs, an odd number."""

    f: np.ndarray
    x: np.ndarray
    who: np.ndarray
    group: np.ndarray
    told: np.ndarray  # mass told too high. [%]
    unit: float = 1.0

    @classmethod
    def drawn(cls, seed: int) -> "Squad":
        rng = np.random.default_rng(seed)
        x = np.repeat(rng.normal(50, 6, 11), 2) + rng.normal(0, 1.5, 22)
        f = x + np.repeat(rng.normal(1, 2, 11), 2) + rng.normal(0, 1.5, 22)
        who = np.repeat([f"a{i:02}" for i in range(11)], 2)
        group = np.repeat(list("ghghghghghg"), 2)
        # multiples of a power of two: differences and sums are exact, ties stay ties
        return cls(np.round(f * 32) / 32, np.round(x * 32) / 32, who, group, rng.normal(0, 4, 22))

    def reordered(self) -> "Squad":
        order = np.random.default_rng(5).permutation(self.x.size)
        names = ("f", "x", "who", "group", "told")
        return replace(self, **{name: getattr(self, name)[order] for name in names})

    def renamed(self) -> "Squad":
        who = np.array([f"z{one}" for one in self.who])  # in the same order: the draws are the same
        return replace(self, who=who, group=np.where(self.group == "g", "y", "b"))

    def moved(self) -> "Squad":
        return replace(self, f=self.f + SHIFT, x=self.x + SHIFT)

    def scaled(self) -> "Squad":
        return replace(self, f=self.f * SCALE, x=self.x * SCALE, unit=SCALE)

    def swapped(self) -> "Squad":
        return replace(self, f=self.x, x=self.f)

    def doubled(self) -> "Squad":
        twice = {name: np.tile(getattr(self, name), 2) for name in ("f", "x", "group", "told")}
        return replace(self, who=np.r_[self.who, [f"b{one}" for one in self.who]], **twice)

    @property
    def codes(self) -> np.ndarray:
        return np.unique(self.who, return_inverse=True)[1]

    @property
    def d(self) -> np.ndarray:
        return self.f - self.x

    @property
    def frame(self) -> pd.DataFrame:
        columns = {"athlete_id": self.who, "training_profile": self.group}
        return pd.DataFrame(
            columns | {"field": self.f, "lab": self.x, "lab_test_id": np.arange(len(self.f))}
        )

    def resampling(self):
        return cluster_resampling(self.who, n_resamples=49, rng=1)


Values = dict[str, float]


def frame_values(result: object) -> tuple[Values, dict[str, str]]:
    """Every value of a result by statistic and group, and its unit."""
    table = result.to_frame()
    groups = table["group"].fillna("") if "group" in table else [""] * len(table)
    keys = [
        f"{name} {group}".strip() for name, group in zip(table["statistic"], groups, strict=True)
    ]
    return dict(zip(keys, table["value"], strict=True)), dict(zip(keys, table["unit"], strict=True))


def numbers(units: dict[str, str], **values: float) -> tuple[Values, dict[str, str]]:
    return values, {name: units.get(name, "1") for name in values}


def unpooled(found):
    """Leave out what rests on a prior in mL/kg/min: another unit is another prior."""
    frame = found.to_frame()
    pooled = ("bias_pooled", "weight_own", "sd_between")
    return SimpleNamespace(to_frame=lambda: frame[~frame["statistic"].isin(pooled)])


def of_welch(s: Squad):
    found = welch_test([s.d[s.group == one] for one in np.unique(s.group)])
    return numbers({}, f=found.f, df2=found.df2)


def of_contrasts(s: Squad):
    found = contrasts_with_overall([s.d[s.group == one] for one in np.unique(s.group)])
    by_group = dict(zip(np.unique(s.group), found, strict=True))
    values = {f"bias {one}": contrast.estimate for one, contrast in by_group.items()}
    return values, dict.fromkeys(values, UNIT)


def of_intraclass(s: Squad):
    found = concordance(s.f, s.x)
    values = {"A,1": found.icc_a1, "C,1": found.icc_c1}
    return values, dict.fromkeys(values, "1")


def of_tdi(s: Squad):
    found = total_deviation_index(s.d)
    return numbers({"value": UNIT, "bound": UNIT}, value=found.value, bound=found.upper_bound)


def negative(v: Values) -> Values:
    """Swap the ends and the sign of everything that is a signed difference."""
    other = {"lower_limit": "upper_limit", "upper_limit": "lower_limit"}
    signed = ("bias", "lower_limit", "upper_limit", "difference_from_overall", "median", "offset", "bias_cv_none",
              "adjusted_bias", "adjusted_difference")  # fmt: skip
    found = {}
    for key in v:
        name, _, group = key.partition(" ")
        if name in signed:
            found[key] = -v[f"{other.get(name, name)} {group}".strip()]
    return found


def line_moved(v: Values) -> Values:
    """A line through moved points: y + c = a + b x is y = a' + b (x + c)."""
    return {"intercept": v["intercept"] + SHIFT * (1 - v["slope"])}


def line_swapped(v: Values) -> Values:
    return {"slope": 1 / v["slope"], "intercept": -v["intercept"] / v["slope"]}


def nothing(_: Values) -> Values:
    return {}


@dataclass(frozen=True)
class Rule:
    """
    One statistic.

    `of` computes it. `moved`, `swapped` give new values of those that a shift or a swap changes in a
    known way; names in `moves`, `swaps`, `scales` change in no way that is worth a rule. `stays` are the
    values that a second copy of every athlete leaves as they are.
    """

    of: Callable[[Squad], object]
    moved: Callable[[Values], Values] = nothing
    moves: tuple[str, ...] = ()
    swapped: Callable[[Values], Values] = negative
    swaps: tuple[str, ...] = ()
    stays: tuple[str, ...] = ("bias",)
    swap_within: float = 1e-7
    scales: tuple[str, ...] = ()

    def values(self, squad: Squad) -> tuple[Values, dict[str, str]]:
        result = self.of(squad)
        return result if isinstance(result, tuple) else frame_values(result)


def trend_moved(v: Values) -> Values:
    return {
        "intercept_on_mean": v["intercept_on_mean"] - SHIFT * v["slope_on_mean"],
        "spread_intercept": v["spread_intercept"] - SHIFT * v["spread_on_mean"],
    }


def trend_swapped(v: Values) -> Values:
    return {name: -v[name] for name in ("slope_on_mean", "intercept_on_mean")}


TREND = Rule(
    lambda s: trend(s.f, s.x), trend_moved, (), trend_swapped, (),
    ("slope_on_mean", "spread_on_mean", "intercept_on_mean"),
)  # fmt: skip
LINE = ("slope", "intercept")
RULES = {
    "limits": Rule(lambda s: limits_of_agreement(s.f, s.x)),
    "repeated": Rule(lambda s: limits_by_athlete(s.d, s.who)),
    "anova": Rule(
        lambda s: limits_of_agreement_anova(s.d, s.codes, resampling=s.resampling())
    ),
    "trend": TREND,
    "trend, clustered": replace(TREND, of=lambda s: trend(s.f, s.x, resampling=s.resampling()),
                                swaps=("p_slope", "p_spread")),
    "ratio": Rule(
        lambda s: ratio_limits(s.f, s.x, np.arange(s.f.size)),
        moves=("ratio", "lower_limit_of_ratio", "upper_limit_of_ratio"),
        swapped=lambda v: {
            "ratio": 1 / v["ratio"],
            "lower_limit_of_ratio": 1 / v["upper_limit_of_ratio"],
            "upper_limit_of_ratio": 1 / v["lower_limit_of_ratio"],
        },
        stays=("ratio",),
    ),
    "quantiles": Rule(lambda s: quantile_limits(np.tile(s.f - s.x, 5)), stays=("median",)),
    "regression": Rule(
        lambda s: regression(s.f, s.x), line_moved, (), nothing,
        ("slope", "intercept", "standard_error_of_estimate"), ("slope", "intercept", "r"),
    ),
    "deming": Rule(
        lambda s: deming(s.f, s.x), line_moved, (),
        lambda v: line_swapped(v) | {
            "slope_at_half_lambda": 1 / v["slope_at_twice_lambda"],
            "slope_at_twice_lambda": 1 / v["slope_at_half_lambda"],
        }, (), LINE,
    ),
    "passing-bablok": Rule(
        lambda s: passing_bablok(s.f, s.x), line_moved, (), line_swapped, ("intercept",), LINE,
        swap_within=1e-3,  # of an even number of slopes the mean of two is taken
    ),
    "linearity": Rule(
        lambda s: linearity(s.f, s.x, n_simulations=9, rng=1),
        swapped=nothing, swaps=("linearity_statistic", "p_linearity"), stays=(),
        scales=("p_linearity",),  # simulated values get as many decimals as the data, here fewer
    ),
    "concordance": Rule(lambda s: concordance(s.f, s.x), stays=()),
    "intraclass": Rule(of_intraclass, stays=()),
    "errors": Rule(
        lambda s: errors_of_estimate(s.f, s.x, s.resampling(), margin=3 * s.unit),
        moves=("mape",), swaps=("mape",), stays=("mae", "mape", "rmse", "share_within_margin"),
    ),
    "equivalence": Rule(lambda s: equivalence(s.d, 2.0 * s.unit), stays=()),
    "calibration": Rule(
        lambda s: calibration(s.f, s.x, rng=1), line_moved, (), negative,
        (*LINE, "rmse_cv_line", "mae_cv_line", "bias_cv_line"), ("offset", *LINE),
    ),
    "two estimators": Rule(
        lambda s: two_estimators(s.f - 50 * s.unit, s.x - 50 * s.unit, n_resamples=49, rng=1),
        swapped=lambda v: {"ratio_of_sd": 1 / v["ratio_of_sd"],
                           "difference_of_sd": -v["difference_of_sd"],
                           "sd_of_first": v["sd_of_second"], "sd_of_second": v["sd_of_first"]},
        stays=("ratio_of_sd",),
    ),
    "profiles": Rule(
        lambda s: unpooled(profile_bias(s.frame, s.resampling())),
        swaps=("standard_error_of_estimate",), stays=("bias g", "bias h"),
    ),
    "welch": Rule(of_welch, stays=()),
    "contrasts": Rule(of_contrasts, stays=("bias g", "bias h")),
    "brown-forsythe": Rule(
        lambda s: numbers({}, p=brown_forsythe([s.d[s.group == g] for g in np.unique(s.group)])),
        stays=(),
    ),
    "total deviation": Rule(of_tdi, stays=()),
    "shape": Rule(
        lambda s: shape(s.d, s.codes), swapped=lambda v: {"skewness": -v["skewness"]}, stays=()
    ),
    "mass": Rule(
        lambda s: mass_mismatch(s.f, s.x, s.told),
        moves=("slope", "p_full_effect", "p_no_effect"), swapped=nothing,
        swaps=("slope", "p_full_effect", "p_no_effect"), stays=("slope",),
    ),
    "equal fitness": Rule(
        lambda s: equal_fitness(s.d, s.x, s.group, s.unit**2),
        swaps=("adjusted_bias", "adjusted_difference"),
        stays=(),
    ),
    "repeatability": Rule(lambda s: repeatability(s.f, s.who), moves=("coefficient_of_variation",),
        swaps=("typical_error", "smallest_real_change", "coefficient_of_variation"), stays=("typical_error", "smallest_real_change")),
}  # fmt: skip


NOTHING = 1e-8  # mL/kg/min; rounding of values of 50, where a bias nearly vanishes


def compared(
    name: tuple[str, str],
    values: Values,
    expected: Values,
    free: tuple[str, ...],
    within: float = 1e-7,
) -> None:
    for key, wanted in expected.items():
        if key in free or key.split(" ")[0] in free:
            continue
        assert values[key] == pytest.approx(wanted, rel=within, abs=NOTHING, nan_ok=True), (
            name,
            key,
        )


def holds(name: str, squad: Squad) -> None:
    """Check one statistic on one squad against all that must leave or change it."""
    rule = RULES[name]
    values, units = rule.values(squad)
    compared((name, "reordered"), rule.values(squad.reordered())[0], values, ())
    other = {"g": "y", "h": "b"}
    named = {
        " ".join(other.get(word, word) for word in key.split(" ")): v for key, v in values.items()
    }
    compared((name, "renamed"), rule.values(squad.renamed())[0], named, ())
    compared(
        (name, "moved"), rule.values(squad.moved())[0], values | rule.moved(values), rule.moves
    )
    power = {UNIT: SCALE, SQUARED: SCALE**2}
    scaled = {key: v * power.get(units[key], 1.0) for key, v in values.items()}
    compared((name, "scaled"), rule.values(squad.scaled())[0], scaled, rule.scales)
    compared(
        (name, "swapped"),
        rule.values(squad.swapped())[0],
        values | rule.swapped(values),
        rule.swaps,
        rule.swap_within,
    )
    kept = {key: values[key] for key in rule.stays}
    compared((name, "doubled"), rule.values(squad.doubled())[0], kept, ())


@pytest.mark.parametrize("name", RULES)
def test_what_leaves_or_changes_a_statistic(name):
    for seed in (2, 3):
        holds(name, Squad.drawn(seed))


@pytest.mark.slow
@pytest.mark.parametrize("name", RULES)
@settings(max_examples=25)
@given(seed=st.integers(0, 2**31))
def test_what_leaves_or_changes_a_statistic_of_any_squad(name, seed):
    squad = Squad.drawn(seed)
    try:
        RULES[name].values(squad)
    except ValueError as why:  # of two methods without a clear relation there is no line
        assume("does not clearly rise" not in str(why))
        raise
    holds(name, squad)


# --- the whole table of results, so that no analysis is left out ------------------------------------

FRAMES = ("pairs", "daily", "repeats", "coverage", "splits", "averaging", "across_modes")
VO2MAX = (
    *("field", "lab", "difference", "vo2max", "extrapolation_se", "expected_bias"),
    *("observed_error", "total", "cost", "heart_rate"),
)
NOT_DIFFERENCES = {  # what a shift of both methods moves, as it is about levels and not differences
    *(
        "intercept",
        "intercept_on_mean",
        "spread_intercept",
        "mape",
        "lab_mean",
        "field_mean",
        "ratio",
        "lower_limit_of_ratio",
    ),
    *("upper_limit_of_ratio", "coefficient_of_variation", "reading", "mean_vo2max"),
    *("share_more_median", "share_more_p10", "share_more_p90"),
    "mean_of_both",
    *("expected_in_runners", "expected_in_triathletes", "expected_in_cyclists"),
}


@pytest.fixture(scope="module")
def study():
    """A study with repeats in the laboratory and two visits each, and its table of results."""
    parts = DailyParts(n_athletes=24, days=4, share_repeated=0.5, sd_day=2.0, gain=2.0, gain_sd=3.0)
    found = simulate_daily(parts, rng=8)
    margin = Margin(limit=7.0, mean_limit=2.0, agreed_on=date(2020, 1, 1))
    found = replace(
        found, options=replace(found.options, margin=margin), **of_training(found.pairs)
    )
    return found, analysed(found)


def of_training(pairs: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Return invented coverage, splits and values under two averaging rules of these pairs."""
    rng = np.random.default_rng(3)
    n = len(pairs)
    named = pairs[["athlete_id", "lab_test_id", "method", "mode", "training_profile"]]
    bias, cost = rng.normal(-2, 3, n), rng.normal(0, 2, n)
    coverage = named.assign(
        hr_span=rng.uniform(20, 60, n),
        top_share_of_hr_max=rng.uniform(0.7, 0.95, n),
        hr_max_bpm=190.0,
        extrapolation_se=rng.uniform(1, 5, n),
        expected_bias=bias,
        observed_error=bias + rng.normal(0, 2, n),
    )
    splits = named.assign(
        n_points=4, total=pairs["difference"], cost=cost, heart_rate=pairs["difference"] - cost
    )
    tests = pairs[["athlete_id", "lab_test_id", "mode"]].assign(in_use="moving 30 s")
    averaging = pd.concat(
        tests.assign(rule=rule, vo2max=pairs["lab"] + more + rng.normal(0, 0.2, n))
        for rule, more in (("moving 30 s", 0.5), ("fixed 30 s", 0.0), ("moving 5 breaths", 2.0))
    )
    half = pairs.assign(field=pairs["field"] + rng.normal(0, 1, n))
    return {
        "coverage": coverage,
        "splits": splits,
        "averaging": averaging,
        "across_modes": half.assign(laboratory_mode="cycle"),
        "other_rules": {"half_window": half},
    }


def test_no_analysis_is_missing_from_the_table_asked(study):
    told = study[1].dropna(subset="value").index.get_level_values("analysis")
    asked_above = {"linearity", "two_estimators", "profile_at_equal_level"}  # by `RULES`
    asked_elsewhere = {"closer", "laboratory_change"}  # in tests of their own
    asked_elsewhere |= {"ageing", "ageing_bins", "control", "no_number", "profiles_two_by_two"}
    asked_elsewhere |= {"thresholds", "threshold_agreement", "threshold_agreement_hr"}
    asked_elsewhere |= {"training_zones", "economy", "economy_explained"}
    # limits of other groups or of other laboratory values
    needs_other_values = {"borderline_moved", "limits_by_rule"}
    everything = {analysis.name for analysis in ANALYSES}
    assert everything - set(told) == asked_above | asked_elsewhere | needs_other_values


def analysed(evidence: Evidence) -> pd.DataFrame:
    table = analyse(evidence).frame
    return table.set_index(["analysis", "group", "statistic"])[
        ["value", "low", "high", "unit", "n"]
    ]


def changed(evidence: Evidence, how: Callable[[pd.DataFrame], pd.DataFrame]) -> Evidence:
    frames = {name: how(getattr(evidence, name)) for name in FRAMES}
    other = {name: how(pairs) for name, pairs in evidence.other_rules.items()}
    return replace(evidence, **frames, other_rules=other)


def test_the_table_in_another_unit_is_the_table_times_the_unit(study):
    evidence, before = study

    def times(frame: pd.DataFrame) -> pd.DataFrame:
        return frame.assign(**{name: frame[name] * SCALE for name in VO2MAX if name in frame})

    margin = replace(evidence.options.margin, limit=7.0 * SCALE, mean_limit=2.0 * SCALE)
    other = replace(changed(evidence, times), options=replace(evidence.options, margin=margin))
    after = analysed(other)
    assert after.index.equals(before.index)
    power = before["unit"].map({UNIT: SCALE, SQUARED: SCALE**2}).fillna(1.0)
    assert (power == SCALE).sum() > 60
    for column in ("value", "low", "high"):
        wrong = ~np.isclose(after[column], before[column] * power, rtol=1e-4, equal_nan=True)
        assert before.index[wrong].tolist() == []


def test_values_moved_together_move_no_difference(study):
    evidence, before = study

    def moved(frame: pd.DataFrame) -> pd.DataFrame:
        names = [name for name in ("field", "lab", "vo2max") if name in frame]
        return frame.assign(**{name: frame[name] + SHIFT for name in names})

    after = analysed(changed(evidence, moved))
    about_levels = before.index.get_level_values("statistic").isin(NOT_DIFFERENCES)
    about_levels |= before.index.get_level_values("analysis") == "mass_mismatch"  # per cent of them
    assert about_levels.sum() < 0.14 * len(before)
    for column in ("value", "low", "high"):
        same = np.isclose(after[column], before[column], rtol=1e-4, atol=1e-6, equal_nan=True)
        assert before.index[~same & ~about_levels].tolist() == []


def test_other_names_and_another_order_of_rows_leave_the_table(study):
    evidence, before = study

    def other(frame: pd.DataFrame) -> pd.DataFrame:
        mixed = frame.sample(frac=1, random_state=1, ignore_index=True)
        if "method" not in frame:  # repeats: the tests of a unit keep their order in time
            order = mixed["lab_test_id"].unique()
            mixed = frame.set_index("lab_test_id").loc[order].reset_index()
        return mixed.assign(athlete_id="Z" + mixed["athlete_id"])

    pd.testing.assert_frame_equal(analysed(changed(evidence, other)), before)
