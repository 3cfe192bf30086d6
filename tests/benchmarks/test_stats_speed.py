"""Limits, groups, mixed model and bootstrap against their yardsticks, measured in the same run."""

import time
from collections.abc import Callable
from statistics import median

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from agreement.stats.bootstrap import bootstrap_of_sums, cluster_resampling
from agreement.stats.grouped_limits import limits_by_group
from agreement.stats.limits import limits_of_agreement
from agreement.stats.reml import random_intercept
from agreement.stats.trend import line_on_mean

pytestmark = pytest.mark.slow

Z = stats.norm.ppf(0.975)


def seconds(work: Callable[[], object], times: int = 9) -> float:
    """Return the median time of hot calls."""
    work()
    found = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        found.append(time.perf_counter() - start)
    return median(found)


def report(name: str, ratio: float, must: float, capsys: pytest.CaptureFixture[str]) -> None:
    with capsys.disabled():
        print(f"\n{name}: {ratio:.4g} times the yardstick, must be below {must:.4g}", end=" ")  # noqa: T201 # a benchmark's result
    assert ratio < must


@pytest.fixture(scope="module")
def million() -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(1)
    lab = rng.normal(50, 7, 1_000_000)
    return lab + rng.normal(1, 3, 1_000_000), lab


def test_limits_with_exact_intervals_and_slope_on_the_mean(million, capsys):
    field, lab = million
    d = field - lab

    def work() -> None:
        limits = limits_of_agreement(field, lab)
        limits.lower_interval(), limits.upper_interval(), limits.bias_interval()  # timed
        line_on_mean(field, lab).slope_interval()

    yardstick = seconds(lambda: (np.mean(d), np.std(d)))
    report("limits and slope, 1e6 pairs", seconds(work) / yardstick, 10, capsys)


def test_limits_of_twenty_thousand_groups(million, capsys):
    field, lab = million
    group = np.random.default_rng(2).integers(0, 20_000, field.size)
    frame = pd.DataFrame({"d": field - lab, "group": group})
    by_pandas = seconds(lambda: frame.groupby("group")["d"].agg(["mean", "std", "count"]), 5)
    ours = seconds(lambda: limits_by_group(field, lab, group), 5)
    report("grouped limits, 1e6 pairs, 20 000 groups", ours / by_pandas, 0.8, capsys)


def test_random_intercept(capsys):
    import statsmodels.formula.api as smf

    rng = np.random.default_rng(3)
    who = np.repeat(np.arange(2000), 6)
    y = rng.normal(0, 2, 2000)[who] + rng.normal(1, 1.5, who.size)
    data = pd.DataFrame({"y": y})
    start = time.perf_counter()
    smf.mixedlm("y ~ 1", data, groups=who).fit(reml=True)
    general = time.perf_counter() - start
    report("REML, 2000 x 6", seconds(lambda: random_intercept(y, who)) / general, 1 / 300, capsys)


@pytest.mark.parametrize("n", [30, 300, 3000])
def test_bca_of_bias_sd_and_both_limits(n, capsys):
    d = np.random.default_rng(n).normal(2, 3, n)

    def upper_limit(x: np.ndarray, axis: int = -1) -> np.ndarray:
        return x.mean(axis=axis) + Z * x.std(axis=axis, ddof=1)

    def four(sums: np.ndarray) -> np.ndarray:
        count, total, squares = sums.T
        mean = total / count
        sd = np.sqrt((squares - total * mean) / (count - 1))
        return np.stack([mean, sd, mean - Z * sd, mean + Z * sd], axis=1)

    def ours() -> list[tuple[float, float]]:
        columns = np.stack([np.ones(n), d, d * d], axis=1)
        drawn = bootstrap_of_sums(cluster_resampling(np.arange(n), rng=1), columns, four)
        return [drawn.bca_interval(k) for k in range(4)]

    def theirs() -> tuple[float, float]:
        found = stats.bootstrap((d,), upper_limit, n_resamples=9999, vectorized=True, rng=1)
        return tuple(found.confidence_interval)

    assert ours()[3] == pytest.approx(theirs(), rel=1e-6)
    times = 5 if n > 1000 else 9
    report(f"BCa 9999, n = {n}", seconds(ours, times) / seconds(theirs, times), 0.6, capsys)
