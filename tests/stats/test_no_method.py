"""
One number for everybody against a method, and verdicts with every method counted.

Values of `tests/reference/comparing.json`: computed by another implementation of the same formulas
with numpy and scipy (no printed source).
"""

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from held import held
from simulate.known_parts import DailyParts, simulate_daily
from statsmodels.stats.multitest import multipletests

from agreement.stats.all_methods import judged_together
from agreement.stats.limits.limits import limits_by_athlete, limits_of_agreement
from agreement.stats.method_data import NotEstimable
from agreement.stats.results_table import analyse, method_data
from agreement.stats.verdict.counted import Counted, p_acceptable, p_of_limits
from agreement.stats.verdict.no_method import constant_of, no_method_of
from agreement.stats.verdict.verdict import Verdict
from agreement.stats.verdict.yardsticks import Judgement
from agreement.tables.options import Margin

HELD = held("comparing")["checks"]
AGREED = Margin(limit=8.0, against="laboratory test", agreed_on=date(2000, 1, 1))


@pytest.mark.parametrize("case", [one for one in HELD if one["estimator"] == "acceptance_p"])
def test_held_p_values(case):
    assert p_acceptable(**case["inputs"]) == pytest.approx(case["outputs"], abs=1e-9)


def test_p_meets_the_level_where_the_exact_limit_meets_the_margin():
    rng = np.random.default_rng(1)
    lab = rng.normal(50, 6, 30)
    limits = limits_of_agreement(lab + rng.normal(0.5, 2, 30), lab)
    margin = limits.upper_interval().high
    assert p_acceptable(limits.bias, limits.sd, 30, margin) == pytest.approx(0.025, abs=1e-6)
    assert p_of_limits(limits, 6.0) == pytest.approx(
        p_acceptable(limits.bias, limits.sd, 30, 6.0), abs=1e-6
    )
    assert p_of_limits(limits, 0.1) == 1.0
    repeated = limits_by_athlete(rng.normal(0.5, 2, 60), np.repeat(np.arange(30), 2))
    at = max(repeated.upper_interval().high, -repeated.lower_interval().low)
    assert p_of_limits(repeated, at) == pytest.approx(0.025, abs=1e-6)


def squad(spread, error, *, n=20, visits=1, seed=1, agreed=AGREED, parts=None):
    """Return data of a squad whose laboratory values spread so far, and a method's errors."""
    (data,) = method_data(
        parts or simulate_daily(DailyParts(n_athletes=n, visits=visits), rng=seed)
    )
    rng = np.random.default_rng(seed)
    lab = rng.normal(50, spread, data.n)[data.athlete] + rng.normal(0, 0.5, data.n_pairs)
    field = lab + rng.normal(0, error, data.n_pairs) if error is not None else 0 * lab + 52.0
    pairs = data.pairs.assign(field=field, lab=lab, difference=field - lab)
    return replace(data, pairs=pairs, options=replace(data.options, margin=agreed))


def test_the_constant_is_the_mean_of_the_others():
    data = squad(5, 2, visits=2)
    for k in (0, 7):
        others = data.athlete != k
        means = [data.lab[data.athlete == i].mean() for i in np.unique(data.athlete[others])]
        assert constant_of(data)[data.athlete == k] == pytest.approx(np.mean(means))
    limits = no_method_of(data).limits
    assert limits.sd == pytest.approx(
        limits_by_athlete(constant_of(data) - data.lab, data.athlete).sd
    )


@pytest.mark.parametrize("visits", [1, 2])
def test_skill_by_a_slow_loop(visits):
    data = squad(5, 3, visits=visits)

    def log_ratio(kept):
        means = {i: data.lab[data.athlete == i].mean() for i in kept}
        field, constant = [], []
        for i in kept:
            lab, d = data.lab[data.athlete == i], data.difference[data.athlete == i]
            other = np.mean([means[j] for j in kept if j != i])
            field.append(np.mean(d**2))
            constant.append(np.mean((other - lab) ** 2))
        return np.log(np.mean(field) / np.mean(constant))

    everyone = list(range(data.n))
    found, whole = no_method_of(data), log_ratio(everyone)
    assert found.skill == pytest.approx(1 - np.exp(whole))
    left = np.array([log_ratio([j for j in everyone if j != i]) for i in everyone])
    error = np.sqrt((data.n - 1) / data.n * np.sum((left - left.mean()) ** 2))
    half = 2.0930240544082634 * error  # t table, 19 degrees of freedom: 2.093
    ends = (1 - np.exp(whole + half), 1 - np.exp(whole - half))
    assert found.skill_interval == pytest.approx(ends)


def test_a_device_that_says_one_number_to_like_athletes_shows_nothing():
    alike = squad(1.5, None)
    found = no_method_of(alike)
    assert found.passes
    rows = found.to_frame().set_index("statistic")
    assert rows.loc["constant_within_margin", "value"] == 1.0
    assert rows.loc["constant_within_margin", "note"] == "acceptable"
    assert found.skill_interval.low < 0
    assert "not shown to do better" in found.summary()
    unlike = no_method_of(squad(8, 1.0))
    assert not unlike.passes
    assert unlike.skill_interval.low > 0.5
    assert unlike.half_width > 8


def test_no_margin_few_athletes_and_no_spread():
    rows = no_method_of(squad(5, 2, agreed=Margin())).to_frame().set_index("statistic")
    assert rows.loc["constant_within_margin", "note"] == "no_margin"
    assert np.isfinite(rows.loc["skill", "value"])
    with pytest.raises(NotEstimable, match="too_few"):
        no_method_of(squad(5, 2, n=9))
    data = squad(5, 2)
    flat = replace(data, pairs=data.pairs.assign(lab=50.0, difference=data.pairs["field"] - 50.0))
    with pytest.raises(NotEstimable, match="equal"):
        no_method_of(flat)
    exact = squad(5, 0.0)
    assert no_method_of(exact).skill == 1.0


def study(spread, error, names=("a",)):
    """Return evidence of such a squad, one copy of the method with fresh errors per name."""
    evidence = simulate_daily(DailyParts(n_athletes=30, visits=1), rng=1)
    data = squad(spread, error, n=30, parts=evidence)
    rng, parts = np.random.default_rng(5), []
    for name in names:
        field = data.pairs["field"] + (rng.normal(0, 0.1, 30) if error is not None else 0.0)
        parts.append(
            data.pairs.assign(method=name, field=field, difference=field - data.pairs["lab"])
        )
    pairs = pd.concat(parts)
    options = replace(evidence.options, margin=AGREED)
    daily = evidence.daily.iloc[:0]
    return replace(evidence, pairs=pairs.reset_index(drop=True), options=options, daily=daily)


def test_the_verdict_says_that_the_squad_is_too_alike():
    (one,) = analyse(study(1.2, None)).methods
    assert one.verdict.outcome == "acceptable"
    assert one.verdict.code == "squad_too_alike"
    assert one.verdict.note.startswith("acceptable; squad_too_alike")
    (other,) = analyse(study(9, 1.0)).methods
    assert (other.verdict.outcome, other.verdict.code) == ("acceptable", "")
    assert other.verdict.counted.tells_apart
    assert "apart" not in other.verdict.summary()
    assert "same number for everybody" not in other.verdict.summary()


def test_who_follows_but_errs_as_much_as_one_number_is_not_said_to_tell_nobody_apart():
    """A bias leaves no skill; that the method follows the laboratory stays true."""
    (one,) = analyse(study(9, 1.0)).methods
    biased = replace(one.verdict, counted=Counted(tells_apart=False))
    assert biased.summary().endswith("to be closer than the same number for everybody.")
    flat = replace(one.verdict, counted=Counted(tells_apart=False, flat=True))
    assert flat.summary().endswith("was not shown to tell athletes apart.")


def test_rows_of_a_verdict_that_counts_every_method():
    results = analyse(study(9, 1.0, names=("a", "b", "c")))
    rows = results.frame[results.frame["analysis"] == "verdict"].set_index(["method", "statistic"])
    for name in "abc":
        assert rows.loc[(name, "acceptable_counted"), "value"] == 1.0
        assert rows.loc[(name, "p_acceptable"), "note"] == "3 methods"


def judged(p, outcome="acceptable"):
    """A verdict on 30 athletes whose limits have this p value."""
    low, high = 0.0, 8.0
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if p_acceptable(0.0, middle, 30, 8.0) < p else (low, middle)
    x = np.linspace(-1, 1, 30)
    limits = limits_of_agreement(low * x / x.std(ddof=1), 0 * x)
    found = Verdict(
        outcome=outcome, method="m", mode="run", n=30, n_pairs=30, limits=limits, agreed=AGREED,
        of_laboratory_test=Judgement("laboratory test", outcome),
    )  # fmt: skip
    return SimpleNamespace(verdict=found, no_method=None, structural=None, doubts=())


def test_holm_over_methods_by_a_general_library():
    p = [0.001, 0.011, 0.02, 0.4]
    outcomes = ["acceptable", "acceptable", "acceptable", "undecided"]
    found = judged_together([judged(*each) for each in zip(p, outcomes, strict=True)])
    assert [one.counted.p for one in found] == pytest.approx(p, abs=1e-6)
    _, corrected, *_ = multipletests(p, method="holm")  # statsmodels
    wanted = [bool(c <= 0.025) for c in corrected]
    assert [one.counted.acceptable for one in found] == wanted == [True, False, False, False]
    assert {one.counted.methods for one in found} == {4}
    assert "With every method of this study counted it is not shown" in found[1].summary()
    assert "counted" not in found[0].summary()
    (withheld,) = judged_together([judged(0.001, "withheld")])
    assert withheld.counted.acceptable is None


@pytest.mark.slow
def test_the_interval_of_skill_covers():
    # true skill: 1 - error^2 / (spread^2 n/(n-1) + noise^2 ...), by simulation of 200 000 athletes
    rng = np.random.default_rng(20261129)
    evidence = simulate_daily(DailyParts(n_athletes=20, visits=1), rng=1)
    base = squad(5, 2, parts=evidence)
    inside, runs = 0, 800
    true = 1 - 16 / (25 * 20 / 19)
    for _ in range(runs):
        lab = rng.normal(50, 5, 20)
        field = lab + rng.normal(0, 4, 20)
        pairs = base.pairs.assign(field=field, lab=lab, difference=field - lab)
        inside += no_method_of(replace(base, pairs=pairs)).skill_interval.contains(true)
    assert inside / runs == pytest.approx(0.95, abs=3 * np.sqrt(0.05 * 0.95 / runs) + 0.01)


@pytest.mark.slow
def test_many_methods_at_the_margin_are_rarely_accepted_by_chance():
    # printed: ten methods at the margin, n = 30: some acceptable .207, with Holm .022
    rng, alone, counted, runs = np.random.default_rng(20261130), 0, 0, 2000
    sd = 8.0 / 1.959963984540054  # both limits lie on the margin
    for _ in range(runs):
        d = rng.normal(0, sd * 0.92, (30, 10)) + 0.16 * sd  # the upper one on it
        p = np.array([p_acceptable(x.mean(), x.std(ddof=1), 30, 8.0) for x in d.T])
        alone += p.min() <= 0.025
        counted += p.min() <= 0.0025
    assert counted / runs < 0.035
    assert alone / runs > 2 * counted / runs
