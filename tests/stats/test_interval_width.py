"""
How exactly the limits are known, and who would halve that doubt.

Sources: Bland JM, how to choose the sample size of a study of agreement (a web page of his, from
memory): the 95 % interval of a limit is about +/- 0.34 s with 100 people and +/- 0.24 s with 200, by
1.96 sqrt(3 / n). Independent: the noncentral t distribution of scipy, tried one n after the other.
"""

import numpy as np
import pytest
from scipy import stats

from agreement.stats.limits.interval_width import interval_width, interval_width_of
from agreement.stats.limits.limits import LimitsOfAgreement, RepeatedLimits, limits_of_agreement
from agreement.stats.limits.limits_of_agreement import Group, GroupedLimits
from agreement.stats.method_data import NotEstimable


def exact_width(n, sd):
    """Width of the exact interval of a limit, from the distribution itself."""
    away = stats.norm.ppf(0.975) * np.sqrt(n)
    low, high = stats.nct.ppf([0.025, 0.975], n - 1, away) / np.sqrt(n)
    return (high - low) * sd


@pytest.mark.parametrize(("n", "half"), [(100, 0.34), (200, 0.24)])
def test_widths_are_those_of_the_printed_rule(n, half):
    found = interval_width(LimitsOfAgreement(n, 0.0, 1.0))
    assert found.of_upper / 2 == pytest.approx(half, abs=0.012)
    assert found.of_lower == pytest.approx(found.of_upper)


@pytest.mark.parametrize("n", [10, 12, 27, 60])
def test_the_number_that_halves_is_the_first_that_does(n):
    found = interval_width(LimitsOfAgreement(n, -3.0, 2.5))
    assert found.of_lower == pytest.approx(exact_width(n, 2.5), rel=1e-6)
    sizes = np.arange(n, 5 * n)
    enough = [exact_width(m, 2.5) <= exact_width(n, 2.5) / 2 for m in sizes]
    assert found.athletes_to_halve == sizes[np.argmax(enough)]
    assert 2.5 * n < found.athletes_to_halve < 4 * n


def test_it_hangs_on_the_spread_alone_not_on_where_the_differences_lie():
    rng = np.random.default_rng(4)
    d = rng.normal(1, 3, 34)
    here, there = (
        interval_width(limits_of_agreement(50 + d + c, np.full(34, 50.0))) for c in (0, 9)
    )
    assert here.of_lower == pytest.approx(there.of_lower)
    assert here.athletes_to_halve == there.athletes_to_halve


def test_with_repeats_four_times_the_people_halve_it_or_fewer():
    limits = RepeatedLimits(20, 60, 1.0, between=9.0, within=4.0, within_share=2 / 3)
    found = interval_width(limits)
    more = limits.of_size(found.athletes_to_halve)
    assert more.n_pairs == 3 * more.n
    low, high = more.lower_interval()
    assert (
        high - low
        <= found.of_lower / 2
        < np.subtract(*limits.of_size(more.n - 1).lower_interval()[::-1])
    )
    assert 50 < found.athletes_to_halve <= 80


def test_its_rows_and_its_sentence_say_the_same():
    found = interval_width(LimitsOfAgreement(12, 0.0, 3.5))
    rows = found.to_frame().set_index("statistic")["value"]
    assert rows["width_of_lower_limit"] == found.of_lower
    assert rows["athletes_to_halve"] == found.athletes_to_halve
    said = (
        f"{found.of_lower:.1f} and {found.of_upper:.1f} mL/kg/min wide; {found.athletes_to_halve} a"
    )
    assert said in found.summary()
    assert "Widths of the 95 % intervals" in found._repr_html_()


def test_of_equal_differences_nothing_is_left_to_halve():
    with pytest.raises(NotEstimable, match="not_estimable: all differences are equal"):
        interval_width(LimitsOfAgreement(12, -3.0, 0.0))


def test_below_ten_athletes_it_is_not_told():
    with pytest.raises(NotEstimable, match="too_few: 9 athletes are too few"):
        interval_width_of(GroupedLimits((Group("all", 9, 9, LimitsOfAgreement(9, 0.0, 1.0)),)))
