"""Limits and bootstrap against their yardsticks, measured in the same run."""

import numpy as np
import pytest
from scipy import stats
from timed import median_seconds

from agreement.stats.basics import bootstrap
from agreement.stats.basics.bootstrap import bootstrap_of_sums, cluster_resampling
from agreement.stats.basics.least_squares import fit_line
from agreement.stats.limits.limits import limits_by_athlete

pytestmark = pytest.mark.slow

Z = stats.norm.ppf(0.975)


@pytest.fixture(scope="module")
def million() -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(1)
    lab = rng.normal(50, 7, 1_000_000)
    return lab + rng.normal(1, 3, 1_000_000), lab


@pytest.mark.parametrize("n", [10_000, 100_000, 1_000_000])
def test_limits_with_exact_intervals_and_slope_on_the_mean(n, million, told):
    field, lab = (values[:n] for values in million)
    d = field - lab
    athlete = np.arange(n) * 20_000 // n  # as a study has them: codes in order, many pairs each

    def work() -> None:
        limits = limits_by_athlete(field - lab, athlete)
        limits.lower_interval(), limits.upper_interval(), limits.bias_interval()  # timed
        fit_line((field + lab) * 0.5, field - lab).slope_interval()

    yardstick = median_seconds(lambda: (np.mean(d), np.std(d)), 9)
    must, aim = (25, 12) if n == 1_000_000 else (None, None)
    told("limits and slope", median_seconds(work, 9) / yardstick, size=f"{n:,}", must=must, aim=aim)


@pytest.mark.parametrize("n", [30, 300, 3000])
def test_bca_of_bias_sd_and_both_limits(n, told):
    d = np.random.default_rng(n).normal(2, 3, n)

    def upper_limit(x: np.ndarray, axis: int = -1) -> np.ndarray:
        return x.mean(axis=axis) + Z * x.std(axis=axis, ddof=1)

    def four(sums: np.ndarray) -> np.ndarray:
        count, total, squares = sums.T
        mean = total / count
        sd = np.sqrt((squares - total * mean) / (count - 1))
        return np.stack([mean, sd, mean - Z * sd, mean + Z * sd], axis=1)

    def ours() -> list[tuple[float, float]]:
        bootstrap._drawing.cache_clear()  # the first method of a study draws for all
        columns = np.stack([np.ones(n), d, d * d], axis=1)
        drawn = bootstrap_of_sums(cluster_resampling(np.arange(n), rng=1), columns, four)
        return [drawn.bca_interval(k) for k in range(4)]

    def theirs() -> tuple[float, float]:
        found = stats.bootstrap((d,), upper_limit, n_resamples=9999, vectorized=True, rng=1)
        return tuple(found.confidence_interval)

    # the same drawing, but for the dozen of 3e7 numbers that theirs draws anew
    assert ours()[3] == pytest.approx(theirs(), rel=1e-6 if n < 1000 else 1e-3)
    # in turns: a machine is not always as fast
    turns = range(7 if n > 1000 else 15)
    ratio = np.median([median_seconds(ours, 1) / median_seconds(theirs, 1) for _ in turns])
    told("BCa 9999, bias, SD, both limits", ratio, size=f"{n:,}", must=0.6, aim=0.45)
