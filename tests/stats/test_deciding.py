"""
What would decide a verdict.

Values of `tests/reference/verdict.json`: computed by another implementation of the same formulas
with numpy and scipy (no printed source), tolerance 1e-9, 1e-6 where the noncentral t enters.
"""

from dataclasses import replace

import numpy as np
import pytest
from held import held
from scipy import stats

from agreement.stats.basics.tolerance import limit_factors
from agreement.stats.limits.limits import limits_by_athlete
from agreement.stats.limits.net_of_laboratory import net_of_laboratory
from agreement.stats.lines.structural import structural_slope
from agreement.stats.repeats.laboratory_variance import LaboratoryVariance
from agreement.stats.verdict.at_fitness import limits_at_fitness, two_piece_limits
from agreement.stats.verdict.deciding import Design, athletes_to_decide
from agreement.stats.verdict.yardsticks import Material, judge, sem_needed

HELD = held("verdict")


@pytest.mark.parametrize("case", HELD["decide_design"])
def test_held_designs(case):
    told = case["inputs"]
    design = Design(
        told["bias"],
        told["own_variance"],
        told["v"],
        told["nu_existing"],
        told["margin"],
        told["against"],
        power=told["power"],
    )
    assert athletes_to_decide(design, told["tests_per_athlete"]) == case["outputs"]["athletes"]


@pytest.mark.parametrize("case", HELD["limit_factors_looks"])
def test_held_factors_of_planned_looks(case):
    told, wanted = case["inputs"], case["outputs"]
    found = limit_factors(told["n"], 0.95, 1 - 0.05 / told["looks"])
    assert found == pytest.approx((wanted["g_low"], wanted["g_high"]), rel=1e-6)


def test_a_slope_that_is_not_sure_widens_the_limits_away_from_the_mean():
    rng = np.random.default_rng(8)
    lab = rng.normal(52, 6, 30)
    field = 6 + 0.9 * lab + rng.normal(0, 2, 30)
    slope = structural_slope(field, lab, LaboratoryVariance(2.0, 30.0))
    sure = replace(slope, standard_error=0.0)
    one, other = (limits_at_fitness(field, lab, slope=each) for each in (sure, slope))
    t, mean = stats.t.ppf(0.80, 28), ((field + lab) / 2).mean()
    for at, known, unsure in (
        (one.low, one.at_low, other.at_low),
        (one.high, one.at_high, other.at_high),
    ):
        reached = (unsure.upper - unsure.outer_upper) ** 2 - (known.upper - known.outer_upper) ** 2
        assert reached == pytest.approx((t * slope.standard_error * (at - mean)) ** 2)


@pytest.mark.parametrize("case", HELD["at_fitness"])
def test_held_limits_at_fitness(case):
    told, wanted = case["inputs"], case["outputs"]
    found = limits_at_fitness(told["field"], told["laboratory"], confidence=told["confidence"])
    assert found.at_low == pytest.approx(wanted["low_fitness"], rel=1e-9)
    assert found.at_high == pytest.approx(wanted["high_fitness"], rel=1e-9)


@pytest.mark.parametrize("case", HELD["two_piece"])
def test_held_limits_of_two_pieces(case):
    told, wanted = case["inputs"], case["outputs"]
    found = two_piece_limits(np.subtract(told["field"], told["laboratory"]))
    assert (found.lower, found.upper) == pytest.approx((wanted["lower"], wanted["upper"]), rel=1e-6)
    assert found.skewness == pytest.approx(wanted["skewness"], abs=1e-9)


def material(told):
    d = np.subtract(told["field"], told["laboratory"])
    who = np.array(told.get("athlete", range(d.size)))
    own = slope = None
    if "v" in told:
        laboratory = LaboratoryVariance(told["v"], told["nu"])
        own = net_of_laboratory(d, who, laboratory)
        slope = structural_slope(told["field"], told["laboratory"], laboratory, athlete=who)
    first = np.unique(who, return_index=True)[1]
    field, lab = (np.array(told[name])[first] for name in ("field", "laboratory"))
    return Material(limits_by_athlete(d, who), own, slope, field, lab)


@pytest.mark.parametrize("case", HELD["verdict"])
@pytest.mark.filterwarnings("ignore::agreement.errors.SmallSampleWarning")
def test_held_verdicts(case):
    told, wanted = case["inputs"], case["outputs"]
    found = judge(material(told), told["against"], told["margin"], looks=told["looks"])
    assert (found.outcome, found.code) == (wanted["outcome"], wanted["code"])
    assert [*found.lower, *found.upper] == pytest.approx(wanted["ends"], rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("case", HELD["sem_needed"])
@pytest.mark.filterwarnings("ignore::agreement.errors.SmallSampleWarning")
def test_held_laboratory_errors_that_would_do(case):
    told, wanted = case["inputs"], case["outputs"]["sem"]
    d = np.subtract(told["field"], told["laboratory"])
    own = net_of_laboratory(d, range(d.size), LaboratoryVariance(1.0, told["nu"]))
    found = sem_needed(own, told["margin"])
    assert np.isnan(found) if wanted is None else found == pytest.approx(wanted)
