"""Speed of what is inferred net of the laboratory, and of the whole verdict, against plain numpy."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from simulate.known_parts import DailyParts, simulate_daily
from timed import median_seconds

from agreement.stats.all_methods import all_counted
from agreement.stats.catalogue import BY_NAME
from agreement.stats.results_table import _studied, method_data
from agreement.tables.options import Margin

pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("ignore::agreement.errors.AgreementWarning"),
]
MUST = {
    "net_of_laboratory": 2,
    "structural": 2,
    "deming": 2,
    "verdict": 8,
    "change": 12,
    "profile_at_equal_level": 12,
    "error": 1,
}


@pytest.fixture(scope="module")
def data():
    parts = DailyParts(
        n_athletes=60,
        visits=2,
        share_repeated=0.5,
        profiles={"low": -1.0, "mixed": 0.0, "high": 1.0},
    )
    evidence = simulate_daily(parts, rng=1)
    margin = Margin(limit=7.0, mean_limit=2.0, agreed_on=date(2026, 1, 1), against="true value")
    (found,) = method_data(replace(evidence, options=replace(evidence.options, margin=margin)))
    return found


@pytest.fixture(scope="module")
def yardstick():
    same = np.arange(60 * 200, dtype=np.float64).reshape(60, 200)
    return median_seconds(lambda: np.linalg.svd(same), 9)


@pytest.mark.parametrize("name", MUST)
def test_one_analysis(name, data, yardstick, told):
    ratio = median_seconds(lambda: BY_NAME[name].compute(data)) / yardstick
    told(name.replace("_", " "), ratio, size="60 athletes, twice", must=MUST[name])


def test_counting_every_method(data, yardstick, told):
    studied = [_studied(data)] * 5
    ratio = median_seconds(lambda: all_counted(list(studied)), 3) / yardstick
    told("five verdicts and profiles counted together", ratio, size="60 athletes", must=18)
