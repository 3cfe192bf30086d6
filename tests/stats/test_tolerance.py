"""Factors of exact intervals against printed tables and an independent integration."""

import numpy as np
import pytest
from held import held
from scipy import integrate, stats

from agreement.stats.basics.tolerance import (
    LARGE,
    approximate_factors,
    howe_factor,
    limit_factors,
    tolerance_factor,
)

PUBLISHED = held("published_statistics")
PRINTED = PUBLISHED["tolerance_two_sided_95"]["values"]
FACTORS = PUBLISHED["limit_factors"]["values"]


@pytest.mark.parametrize("name", PRINTED)
def test_two_sided_tolerance_factors(name):
    # Berthouex & Brown, Table 21.1 (read), printed to 2 decimals; some entries are rounded up
    n, share = name.removeprefix("n").split("_p")
    assert tolerance_factor(int(n), float(share)) == pytest.approx(PRINTED[name], abs=0.0062)


@pytest.mark.parametrize("n", FACTORS)
def test_factors_of_limits(n):
    # derived, checked with R at n = 52
    expected = FACTORS[n]
    single = limit_factors(int(n))
    assert single == pytest.approx((expected["single_lo"], expected["single_hi"]), abs=1e-9)
    pair = tolerance_factor(int(n), 0.95, 0.025), tolerance_factor(int(n), 0.95, 0.975)
    assert pair == pytest.approx((expected["pair_inner"], expected["pair_outer"]), abs=1e-8)


def test_the_handbooks_approximation():
    # NIST/SEMATECH handbook 7.2.6.3 (read): n = 43, P = 0.90, confidence 0.99
    assert howe_factor(43, 0.90, 0.99) == pytest.approx(2.2173159, abs=5e-8)
    assert tolerance_factor(43, 0.90, 0.99) == pytest.approx(2.2228, abs=5e-5)  # derived


@pytest.mark.parametrize("n", [3, 30, 1000, LARGE])
def test_the_factor_of_one_limit_by_direct_integration(n):
    """P[mean + g sd >= z] over the chi distribution of the SD, without noncentral t."""
    z = stats.norm.ppf(0.975)
    for factor, share in zip(limit_factors(n), (0.025, 0.975), strict=True):

        def exceeds(s, g=factor):
            return stats.norm.cdf((g * s - z) * np.sqrt(n)) * density(s)

        def density(s):
            return stats.chi.pdf(s * np.sqrt(n - 1), n - 1) * np.sqrt(n - 1)

        low, high = stats.chi.ppf([1e-13, 1 - 1e-13], n - 1) / np.sqrt(n - 1)
        value, _ = integrate.quad(exceeds, low, high, epsabs=1e-11, limit=400)
        assert value == pytest.approx(share, abs=1e-8)


def test_the_large_sample_form_takes_over_without_a_step():
    below, above = limit_factors(LARGE), limit_factors(LARGE + 1)
    assert above == pytest.approx(below, abs=5e-5)  # 0.4 % of the half width
    assert above == approximate_factors(LARGE + 1)


@pytest.mark.parametrize("function", [limit_factors, tolerance_factor, approximate_factors])
def test_one_athlete_has_no_factor(function):
    with pytest.raises(ValueError, match="`n` must be 2 or more; got 1"):
        function(1)


@pytest.mark.parametrize(("coverage", "confidence"), [(0.3, 0.95), (0.5, 0.9), (0.99, 0.01)])
def test_tolerance_factors_hold_what_they_say(coverage, confidence):
    rng = np.random.default_rng(8)
    runs, n = 20_000, 8
    sample = rng.normal(size=(runs, n))
    mean, sd = sample.mean(axis=1), sample.std(axis=1, ddof=1)
    k = tolerance_factor(n, coverage, confidence)
    held = stats.norm.cdf(mean + k * sd) - stats.norm.cdf(mean - k * sd) >= coverage
    error = np.sqrt(confidence * (1 - confidence) / runs)
    assert held.mean() == pytest.approx(confidence, abs=3.5 * error)
