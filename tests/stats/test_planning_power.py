"""Power of the verdict against the published sample size and simulation."""

import numpy as np
import pytest

from agreement.stats.planning_power import athletes_needed, power_of_verdict
from agreement.stats.tolerance import limit_factors

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
