"""Power of the verdict against the published sample size and simulation."""

import numpy as np
import pytest
from scipy import integrate, stats

from agreement.stats.basics.tolerance import limit_factors
from agreement.stats.verdict.planning_power import (
    StudyToMake,
    athletes_needed,
    power_of_verdict,
    simulated_power,
)

# Lu et al 2016 Int J Biostat 12(2): mean 0.001167, SD 0.001129, limit 0.004, power 0.80, n = 83
LU = {"bias": 0.001167, "sd": 0.001129, "margin": 0.004}


def test_the_published_sample_size():
    # n read second-hand; the powers at 83 and 82 derived
    assert athletes_needed(**LU, bound="approximate") == 83
    assert power_of_verdict(83, **LU, bound="approximate") == pytest.approx(0.8043, abs=5e-5)
    assert power_of_verdict(82, **LU, bound="approximate") == pytest.approx(0.7998, abs=5e-5)


def test_exact_intervals_need_more():
    assert athletes_needed(**LU) == 97  # derived


def test_power_by_simulation():
    rng = np.random.default_rng(3)
    runs, n = 20_000, 40
    sample = rng.normal(0.5, 1.0, (runs, n))
    mean, sd = sample.mean(axis=1), sample.std(axis=1, ddof=1)
    outer = limit_factors(n)[1] * sd
    shown = ((mean - outer > -3.2) & (mean + outer < 3.2)).mean()
    error = 3 * np.sqrt(shown * (1 - shown) / runs)
    assert power_of_verdict(n, 0.5, 1.0, 3.2) == pytest.approx(shown, abs=error)


def test_the_answer_is_the_smallest():
    for bias, margin in ((0.0, 2.6), (0.3, 2.8), (0.0, 8.0)):
        n = athletes_needed(bias, 1.0, margin)
        assert power_of_verdict(n, bias, 1.0, margin) >= 0.8
        assert n == 3 or power_of_verdict(n - 1, bias, 1.0, margin) < 0.8


def test_no_number_would_do():
    assert athletes_needed(0.0, 1.0, 1.95) is None
    assert athletes_needed(2.0, 1.0, 3.0) is None
    assert athletes_needed(0.0, 1.0, 1.9601) is None  # more than 100 000


def test_the_sign_of_the_bias_does_not_matter():
    assert athletes_needed(-0.4, 1.0, 3.0) == athletes_needed(0.4, 1.0, 3.0)


@pytest.mark.parametrize(("n", "sd", "margin"), [(2, 1.0, 3.0), (20, 0.0, 3.0), (20, 1.0, 0.0)])
def test_power_needs_sensible_numbers(n, sd, margin):
    with pytest.raises(ValueError, match="n >= 3, sd > 0 and margin > 0"):
        power_of_verdict(n, 0.0, sd, margin)


def power_by_integral(n, bias, margin):
    """The power in full: for every spread that a study may show, where its bias must lie."""
    c, root = limit_factors(n)[1], np.sqrt(n)

    def at(spread):
        room = margin - c * spread
        if room <= 0:
            return 0.0
        inside = stats.norm.cdf((room - bias) * root) - stats.norm.cdf((-room - bias) * root)
        density = 2 * (n - 1) * spread * stats.chi2.pdf((n - 1) * spread**2, n - 1)
        return inside * density

    return integrate.quad(at, 0, margin / c, limit=200)[0]


@pytest.mark.parametrize(("n", "bias", "margin"), [(83, 1.0, 3.6), (40, 0.5, 3.2), (43, 0.5, 3.5)])
def test_the_closed_form_is_the_power_where_the_bias_is_not_near_zero(n, bias, margin):
    full = power_by_integral(n, bias, margin)
    assert power_of_verdict(n, bias, 1.0, margin) == pytest.approx(full, abs=0.002)


@pytest.mark.parametrize(
    ("n", "margin", "said", "true"), [(40, 3.0, 0.76, 0.81), (20, 3.0, 0.05, 0.39)]
)
def test_near_a_bias_of_zero_the_closed_form_is_a_lower_bound(n, margin, said, true):
    # the two figures are those that the docstring names
    full = power_by_integral(n, 0.0, margin)
    assert full == pytest.approx(true, abs=0.01)
    assert power_of_verdict(n, 0.0, 1.0, margin) == pytest.approx(said, abs=0.01)
    simulated = simulated_power(n, StudyToMake(0.0, 1.0), margin, simulations=20_000, rng=2)
    assert simulated == pytest.approx(full, abs=3 * np.sqrt(full * (1 - full) / 20_000))
