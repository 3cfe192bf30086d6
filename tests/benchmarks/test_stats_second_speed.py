"""Speed of regression, concordance and budget against yardsticks of the same run."""

import tracemalloc

import numpy as np
import pandas as pd
import pytest
from simulate.known_parts import DailyParts, simulate_daily
from timed import median_seconds

from agreement.stats.causes.budget import budget_of
from agreement.stats.indices.concordance import concordance
from agreement.stats.lines.deming import deming
from agreement.stats.lines.passing_bablok import passing_bablok
from agreement.stats.results_table import method_data

pytestmark = pytest.mark.slow


def study(n, decimals, seed=1):
    rng = np.random.default_rng(seed)
    truth = rng.normal(50, 8, n)
    lab = np.round(truth + rng.normal(0, 2, n), decimals)
    return np.round(5 + 0.9 * truth + rng.normal(0, 3, n), decimals), lab


def all_pairs(field, lab):
    """Every slope in numpy, sorted; the shift K and the median, nothing else."""
    i, j = np.triu_indices(len(lab), 1)
    dx, dy = lab[j] - lab[i], field[j] - field[i]
    with np.errstate(divide="ignore", invalid="ignore"):
        slopes = np.sort(dy / dx)
    shift = np.searchsorted(slopes, -1.0)
    return slopes[len(slopes) // 2 + shift]


@pytest.mark.parametrize(("n", "repeats"), [(1000, 5), (10_000, 1)])
@pytest.mark.parametrize("decimals", [0, 1])
def test_passing_bablok_against_all_pairs(n, repeats, decimals, told):
    field, lab = study(n, decimals)
    yardstick = median_seconds(lambda: all_pairs(field, lab), repeats)
    ours = median_seconds(lambda: passing_bablok(field, lab))
    # the contract is n = 10 000 rounded to 0.1; below, listing the slopes is what we do, too
    must = 0.15 if n == 10_000 else 1.5
    aim = 0.1 if n == 10_000 else None
    work = f"Passing-Bablok, {decimals} decimals"
    told(work, ours / yardstick, size=f"{n:,}", must=must, aim=aim)


@pytest.mark.parametrize("decimals", [0, 1, 6])
def test_passing_bablok_of_100_000(decimals, told):
    numbers = np.random.default_rng(0).random(1_000_000)
    yardstick = median_seconds(lambda: np.sort(numbers))
    field, lab = study(100_000, decimals)
    ours = median_seconds(lambda: passing_bablok(field, lab), 3)
    work = f"Passing-Bablok against a sort, {decimals} decimals"
    told(work, ours / yardstick, size="100,000", must=30, aim=20)


@pytest.mark.parametrize("decimals", [1, 6])
def test_passing_bablok_memory(decimals, told):
    field, lab = study(100_000, decimals)
    passing_bablok(field[:100], lab[:100])  # what is imported late is not counted
    tracemalloc.start()
    passing_bablok(field, lab)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    work = f"Passing-Bablok, extra memory, {decimals} decimals"
    told(work, peak / 1e6, size="100,000", must=200, unit="MB")


@pytest.mark.parametrize("n", [10_000, 100_000, 1_000_000])
def test_deming_with_jackknife(n, told):
    field, lab = study(n, 6)
    yardstick = median_seconds(lambda: (np.mean(lab), np.std(lab)), 9)
    ratio = median_seconds(lambda: deming(field, lab)) / yardstick
    must, aim = (40, 30) if n == 1_000_000 else (None, None)
    told("Deming with jackknife", ratio, size=f"{n:,}", must=must, aim=aim)


@pytest.mark.filterwarnings("ignore:The inplace keyword")  # pingouin's own call of pandas
@pytest.mark.parametrize("n", [100, 1000, 10_000])
def test_intraclass_correlations(n, told):
    import pingouin

    field, lab = study(n, 6)
    table = np.stack([field, lab], axis=1)
    long = pd.DataFrame(table).reset_index().melt("index", var_name="method")
    yardstick = median_seconds(lambda: pingouin.intraclass_corr(long, "index", "method", "value"))
    must, aim = (1 / 30, 1 / 60) if n == 1000 else (None, None)
    ours = median_seconds(lambda: concordance(field, lab), 9)  # both forms, and the concordance
    told("ICC with intervals", ours / yardstick, size=f"{n} x 2", must=must, aim=aim)


def test_error_budget_of_five_methods(told):
    parts = DailyParts(n_athletes=60, share_repeated=0.5, profiles={"a": -2.0, "b": 0.0, "c": 2.0})
    (data,) = method_data(simulate_daily(parts, rng=1))
    budget_of(data)
    seconds = 5 * median_seconds(lambda: budget_of(data))
    told("error budget of five methods", seconds, size="60", must=2, aim=1, unit="s")
