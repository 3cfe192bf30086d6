"""Physiology against its yardsticks: the ratios that the project promises, 2 cores, median of 9."""

import numpy as np
import pandas as pd
import pytest
from timed import median_seconds

from agreement.physiology.averaging import COMPARED_RULES, vo2max_under_rules
from agreement.physiology.heart_rate import extrapolations, point_sums

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("n", [300, 1000, 3000])
def test_all_averaging_rules(n, told):
    rng = np.random.default_rng(1)
    vo2, t = rng.normal(3000, 200, n), np.cumsum(rng.uniform(0.6, 1.4, n))
    yardstick = median_seconds(lambda: np.convolve(vo2, np.ones(15) / 15), 99)
    assert len(COMPARED_RULES) > 10
    ratio = median_seconds(lambda: vo2max_under_rules(t, vo2), 99) / yardstick
    must, aim = (100, 50) if n == 1000 else (None, None)
    told("all averaging rules", ratio, size=f"{n} breaths", must=must, aim=aim)


@pytest.fixture(scope="module")
def samples():
    """A million samples of 5000 athletes in random order: athlete, heart rate, uptake."""
    rng = np.random.default_rng(2)
    athlete = rng.integers(0, 5000, 1_000_000)
    hr = rng.normal(140, 15, athlete.size)
    return athlete, hr, 0.4 * hr - 20 + rng.normal(0, 2, athlete.size)


def regressions(samples):
    """Return slope, intercept, r, residual SD and the estimate of every athlete."""
    sums = point_sums(*samples, groups=5000)
    return extrapolations(sums, np.full(5000, 190.0), form="hr_on_vo2")


@pytest.mark.parametrize("n", [100_000, 300_000, 1_000_000])
def test_regressions_of_five_thousand_athletes(n, samples, told):
    part = tuple(column[:n] for column in samples)
    yardstick = median_seconds(lambda: (np.mean(part[1]), np.std(part[1])), 9)
    ratio = median_seconds(lambda: regressions(part), 9) / yardstick
    must, aim = (24, 16) if n == 1_000_000 else (None, None)
    told("regressions of 5000 athletes", ratio, size=f"{n:,}", must=must, aim=aim)


def test_regressions_against_one_fit_per_athlete(samples, told):
    athlete, hr, vo2 = (column[:100_000] for column in samples)
    frame = pd.DataFrame({"hr": hr, "vo2": vo2}).groupby(athlete)

    def one_by_one():
        return frame.apply(lambda part: np.polyfit(part["vo2"], part["hr"], 1))

    slow = median_seconds(one_by_one, 1)
    ratio = median_seconds(lambda: regressions((athlete, hr, vo2)), 9) / slow
    told("the same, against a fit per athlete", ratio, size="100,000", must=1 / 30)
    # and they are the same lines, for athletes whose line rises
    by_fit = np.vstack(one_by_one().to_list())
    found = regressions((athlete, hr, vo2))["slope"].to_numpy()[frame.size().index]
    assert found == pytest.approx(1 / by_fit[:, 0], rel=1e-8)
