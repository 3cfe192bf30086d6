"""Planning: a printed size, exact integrals, another library's power, simulation of the design."""

import numpy as np
import pytest
from scipy import integrate, stats
from statsmodels.stats.power import TTestIndPower

from agreement.stats.basics.tolerance import limit_factors
from agreement.stats.limits.limits import limits_by_athlete
from agreement.stats.verdict.planning import athletes_per_group, half_width_of_limit, plan
from agreement.stats.verdict.planning_power import (
    StudyToMake,
    athletes_needed_clustered,
    power_curve,
    simulated_power,
)


def test_printed_size_of_2016():
    # Lu et al. 2016 Int J Biostat 12(2): n = 83 (n read second-hand). With exact intervals: 97
    # (derived, statistics of noncentral t)
    found = plan(0.001129, bias=0.001167, margin=0.004)
    assert found.for_power_printed == 83
    assert found.for_power == 97
    assert found.power_reached == pytest.approx(0.80, abs=0.005)
    assert found.power_reached >= 0.80


@pytest.mark.parametrize(("n", "printed"), [(20, 0.83), (50, 0.49), (100, 0.34)])
def test_half_width_of_a_limit(n, printed):
    # exact half widths in standard deviations (derived: noncentral t, table of the method sheet)
    assert half_width_of_limit(n, StudyToMake(0.0, 1.0)) == pytest.approx(printed, abs=0.005)


def test_smallest_size_for_a_precision():
    found = plan(4.0, half_width=1.5)
    n = found.for_precision
    widths = [np.diff(limit_factors(k))[0] / 2 * 4.0 for k in (n - 1, n)]
    assert widths[1] <= 1.5 < widths[0]
    # approximate rule n = 3 (z s / h)^2
    assert n == pytest.approx(3 * (1.96 * 4 / 1.5) ** 2, rel=0.1)
    # bias: t table, half width t s / sqrt(n)
    bias = [
        stats.t.ppf(0.975, k - 1) * 4 / np.sqrt(k) for k in (found.for_bias - 1, found.for_bias)
    ]
    assert bias[1] <= 1.5 < bias[0]


@pytest.mark.parametrize(("difference", "groups"), [(3.0, 2), (3.0, 4), (1.5, 3)])
def test_group_contrast(difference, groups):
    # statsmodels: t test at level 0.05 / groups, power 0.80
    n = TTestIndPower().solve_power(difference / 4, alpha=0.05 / groups, power=0.80)
    assert athletes_per_group(difference, 4.0, groups) == int(np.ceil(n))


def exact_power(n, design, margin):
    """P(|mean| + c s <= margin) by integrating over the distribution of s."""
    c, sd = limit_factors(n)[1], design.sd

    def shown(s):
        room = margin - c * s
        ends = (np.array([-room, room]) - design.bias) / (sd / np.sqrt(n))
        density = 2 * (n - 1) * s / sd**2 * stats.chi2.pdf((n - 1) * s**2 / sd**2, n - 1)
        return np.diff(stats.norm.cdf(ends))[0] * density

    return integrate.quad(shown, 0, margin / c, limit=200)[0]


@pytest.mark.parametrize(("n", "bias", "margin"), [(20, 0.0, 3.0), (60, 0.5, 3.2), (40, 0.0, 3.5)])
def test_simulated_power_is_the_integral(n, bias, margin):
    design = StudyToMake(bias, 1.0)
    found = simulated_power(n, design, margin, simulations=4000, rng=1)
    expected = exact_power(n, design, margin)
    assert found == pytest.approx(expected, abs=4 * np.sqrt(expected * (1 - expected) / 4000))


def test_simulated_power_applies_the_rule_of_the_limits():
    # the same studies, each judged by the limits' own code
    design, margin, rng = StudyToMake(0.3, 1.0, 0.8, pairs=2), 4.0, np.random.default_rng(5)
    own = rng.normal(0.3, 1.0, (200, 25, 1))
    d = own + rng.normal(0, 0.8, (200, 25, 2))
    athlete = np.repeat(np.arange(25), 2)
    shown = 0
    for study in d:
        limits = limits_by_athlete(study.ravel(), athlete)
        shown += limits.lower_interval().low >= -margin and limits.upper_interval().high <= margin
    assert simulated_power(25, design, margin, simulations=200, rng=5) == shown / 200


def test_several_pairs_need_fewer_athletes():
    one = plan(4.0, margin=12.0).for_power
    two = plan(4.0, margin=12.0, pairs_per_athlete=2, sd_within=3.0)
    assert two.for_power < one
    assert two.power_reached >= 0.80
    assert two.for_power_printed is None
    same_all_the_time = plan(4.0, half_width=1.5, pairs_per_athlete=3, sd_within=0.0)
    alone = plan(4.0, half_width=1.5)
    assert same_all_the_time.for_precision == pytest.approx(alone.for_precision, rel=0.1)


def test_power_curve_rises():
    curve = power_curve([20, 40, 80], StudyToMake(0.0, 1.0), 3.0, simulations=1000, rng=1)
    assert curve["n"].tolist() == [20, 40, 80]
    assert curve["power"].is_monotonic_increasing
    assert (curve["standard_error"] < 0.02).all()


def test_no_number_would_do():
    found = plan(2.0, bias=1.0, margin=4.0)
    assert found.for_power is None
    assert found.athletes is None
    assert athletes_needed_clustered(StudyToMake(1.0, 2.0, 1.0, 2), 4.0) is None


def test_the_largest_number_of_all_criteria():
    found = plan(4.0, bias=1.0, margin=12.0, half_width=2.0, difference=3.0, groups=4)
    asked = (found.for_power, found.for_power_printed, found.for_precision, found.for_bias)
    assert found.athletes == 4 * found.per_group > max(asked)


def test_all_problems_are_told_at_once():
    with pytest.raises(ValueError, match=r"sd.*margin.*pairs_per_athlete.*groups") as caught:
        plan(0.0, margin=-1.0, pairs_per_athlete=0, groups=1)
    assert "got 0" in str(caught.value)
    with pytest.raises(ValueError, match="to plan by"):
        plan(4.0)
    with pytest.raises(ValueError, match="sd_within"):
        plan(4.0, margin=12.0, pairs_per_athlete=2)
    with pytest.raises(ValueError, match="between 0 and"):
        plan(4.0, margin=12.0, sd_within=5.0)
    with pytest.raises(ValueError, match="power"):
        plan(4.0, margin=12.0, power=80)
    with pytest.raises(ValueError, match="n >= 3"):
        simulated_power(2, StudyToMake(0.0, 1.0), 3.0)
