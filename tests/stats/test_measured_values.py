"""Mean and spread of what laboratory and field measured."""

import statistics

import pytest
from simulate.known_parts import DailyParts, simulate_daily

from agreement.stats.limits.measured_values import measured_values_of
from agreement.stats.method_data import NotEstimable
from agreement.stats.results_table import method_data


def data(athletes):
    (one,) = method_data(simulate_daily(DailyParts(athletes, visits=2), rng=4))
    return one


def test_against_the_standard_library_every_pair_counted_once():
    pairs = data(14)
    told = measured_values_of(pairs).to_frame().set_index("statistic")["value"]
    for name, values in (("lab", list(pairs.lab)), ("field", list(pairs.field))):
        assert len(values) == 28
        assert told[f"{name}_mean"] == pytest.approx(statistics.fmean(values), rel=1e-12)
        assert told[f"{name}_sd"] == pytest.approx(statistics.stdev(values), rel=1e-12)


def test_two_athletes_have_no_spread():
    with pytest.raises(NotEstimable, match="the values of 2 athletes have no spread"):
        measured_values_of(data(2))
