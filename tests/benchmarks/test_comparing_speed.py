"""Speed of the comparisons of methods, profiles and own corrections, against plain numpy."""

import numpy as np
import pytest
from simulate.known_parts import DailyParts, simulate_daily
from timed import median_seconds

from agreement.stats.causes.pooled_profiles import pooled_profiles
from agreement.stats.compare.closer import closer
from agreement.stats.lines.own_correction import own_correction_of
from agreement.stats.results_table import method_data
from agreement.stats.verdict.no_method import no_method_of

pytestmark = pytest.mark.slow


def test_closer_against_the_product_of_signs_and_squares(told):
    rng = np.random.default_rng(1)
    d = rng.normal(0, 4, (60, 5))

    def yardstick():
        signs = 2.0 * np.random.default_rng(1).integers(0, 2, size=(9999, 60)) - 1.0
        return signs @ (d**2)

    ratio = median_seconds(lambda: closer(d, rng=1)) / median_seconds(yardstick)
    told("closer, 5 methods", ratio, size="60 athletes", must=15, aim=8)


def test_own_correction_profiles_and_constant(told):
    (data,) = method_data(simulate_daily(DailyParts(n_athletes=60, visits=2), rng=1))
    same = np.arange(60 * 200, dtype=np.float64).reshape(60, 200)
    yardstick = median_seconds(lambda: np.linalg.svd(same), 9)
    works = {
        "own correction": lambda: own_correction_of(data),
        "pooled profiles": lambda: pooled_profiles([1, 2, 3, 4], [3] * 4, [9] * 4).interval(0),
        "no method": lambda: no_method_of(data),
    }
    for name, work in works.items():
        ratio = median_seconds(work) / yardstick
        told(name, ratio, size="60 athletes", must=4, aim=2)
