"""The truths of invented visits are found again by what is inferred net of the laboratory."""

import numpy as np
import pytest
from simulate.known_visits import VisitParts, simulate_visits

from agreement.stats.limits.net_of_laboratory import net_of_laboratory
from agreement.stats.lines.structural import structural_slope
from agreement.stats.repeats.laboratory_itself import laboratory_repeats
from agreement.stats.repeats.laboratory_variance import laboratory_variance

MANY = 4000  # athletes, so that estimates stand for what they aim at


def own_of(parts, rng=1):
    found = simulate_visits(parts, rng)
    known = laboratory_variance(found.tests["lab"], found.tests["unit"])
    d = (found.pairs["field"] - found.pairs["lab"]).to_numpy()
    tests = np.full(len(d), parts.tests)
    return found, known, net_of_laboratory(d, found.pairs["athlete"], known, tests_behind=tests)


def test_the_laboratory_and_the_fields_own_error_are_recovered():
    parts = VisitParts(MANY, tests=2, sem=2.6, shift=1.5, bias=-2.0)
    found, known, own = own_of(parts)
    repeats = laboratory_repeats(found.tests["lab"], found.tests["unit"], found.tests["unit"])
    assert known.sd == pytest.approx(2.6, rel=0.03)
    assert repeats.steps[0].shift == pytest.approx(1.5, abs=0.15)
    assert own.sd == pytest.approx(parts.own_sd, rel=0.05)
    assert own.bias == pytest.approx(
        -2.0 - 0.75, abs=0.1
    )  # half of the shift is in two tests' mean


def test_lasting_and_visit_errors_are_told_by_several_visits():
    parts = VisitParts(MANY, visits=2, tests=2, sd_lasting=2.0, sd_visit=0.5)
    _, _, own = own_of(parts)
    assert own.sd == pytest.approx(parts.own_sd, rel=0.05)


def test_shared_errors_make_the_own_spread_too_small():
    """The caution that a shared day prints: with a correlation of .3 the spread comes out low."""
    parts = VisitParts(MANY, tests=2, sd_lasting=0.0, sd_visit=3.0, shared=0.3)
    _, _, own = own_of(parts)
    assert own.sd < 0.9 * parts.own_sd


def test_responsiveness_is_recovered_where_the_plain_slope_is_attenuated():
    parts = VisitParts(MANY, visits=2, tests=2, sd_change=4.0, responsiveness=0.6)
    found, known, _ = own_of(parts)
    wide = found.pairs.pivot(index="athlete", columns="visit", values=["lab", "field"])
    lab, field = (wide[name][1] - wide[name][0] for name in ("lab", "field"))
    slope = structural_slope(field, lab, known, noise_shares=np.full(MANY, 1.0))
    assert slope.slope == pytest.approx(0.6, abs=0.04)
    assert slope.slope * slope.reliability < 0.5  # least squares
