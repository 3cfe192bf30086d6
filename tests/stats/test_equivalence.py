"""Two one-sided tests against another library, by duality, and their refusals."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from simulate.known_parts import DailyParts, simulate_daily
from statsmodels.stats.weightstats import DescrStatsW

from agreement.stats.indices.equivalence import equivalence, equivalence_of
from agreement.stats.method_data import NotEstimable
from agreement.stats.results_table import method_data
from agreement.tables.options import Margin


@pytest.fixture(scope="module")
def data():
    (found,) = method_data(simulate_daily(DailyParts(n_athletes=25, visits=2), rng=1))
    return found


def with_margin(data, margin):
    return replace(data, options=replace(data.options, margin=margin))


@pytest.mark.parametrize("margin", [0.5, 1.5, 3.0])
def test_statsmodels_agrees(margin):
    d = np.random.default_rng(3).normal(0.4, 2.0, 30)
    result = equivalence(d, margin)
    p, *_ = DescrStatsW(d).ttost_mean(-margin, margin)
    assert result.p_tost == pytest.approx(p, rel=1e-9)


def test_significant_exactly_when_the_90_percent_interval_lies_inside():
    # Schuirmann 1987: the two tests at 5 % and the 90 % interval say the same
    d = np.random.default_rng(5).normal(0.4, 2.0, 30)
    low, high = equivalence(d, 1.0).interval
    edge = max(abs(low), abs(high))
    assert equivalence(d, edge).p_tost == pytest.approx(0.05, abs=1e-12)
    assert equivalence(d, edge + 0.01).p_tost < 0.05 < equivalence(d, edge - 0.01).p_tost


def test_repeated_pairs_count_once_per_athlete(data):
    means = data.pairs.assign(d=data.difference).groupby("athlete_id")["d"].mean()
    result = equivalence(data.difference, 2.0, athlete=data.athlete)
    assert (result.n, result.n_pairs) == (25, 50)
    assert result.p_tost == pytest.approx(DescrStatsW(means).ttost_mean(-2, 2)[0], rel=1e-9)


def test_no_spread_is_known_for_sure():
    assert equivalence([1.0] * 5, 2.0).p_tost == 0.0
    assert equivalence([3.0] * 5, 2.0).p_tost == 1.0


@pytest.mark.parametrize(
    ("difference", "margin", "message"),
    [
        ([], 1.0, "at least 3 athletes"),
        ([1.0, 2.0], 1.0, "at least 3 athletes"),
        ([1.0, 2.0, 3.0], 0.0, "above 0"),
        ([1.0, 2.0, 3.0], np.nan, "above 0"),
        ([1.0, np.nan, 3.0], 1.0, "missing or infinite"),
        ([1.0, np.inf, 3.0], 1.0, "missing or infinite"),
    ],
)
def test_refused(difference, margin, message):
    with pytest.raises(ValueError, match=message):
        equivalence(difference, margin)


def test_margin_of_the_study(data):
    with pytest.raises(NotEstimable, match="no_margin"):
        equivalence_of(data)
    for_one = with_margin(data, Margin(limit=3.5))
    assert equivalence_of(for_one).margin == 3.5
    for_the_mean = with_margin(data, Margin(limit=3.5, mean_limit=2.0))
    result = equivalence_of(for_the_mean)
    assert result.margin == 2.0
    frame = result.to_frame()
    assert frame["statistic"].tolist() == ["p_tost"]
    assert frame["note"].tolist() == ["clustered"]
    assert "single athlete" in result.summary()


def test_a_margin_agreed_late_is_said(data):
    late = with_margin(data, Margin(limit=3.5, agreed_on=date(2030, 1, 1)))
    assert "agreed after the first laboratory test" in equivalence_of(late).note


@pytest.mark.slow
def test_size_at_the_margin():
    # bias exactly at the margin: significant in 5 % of studies
    rng = np.random.default_rng(20260101)
    wrong = sum(equivalence(rng.normal(1.0, 1.0, 20), 1.0).p_tost < 0.05 for _ in range(4000))
    assert wrong / 4000 == pytest.approx(0.05, abs=3 * np.sqrt(0.05 * 0.95 / 4000))
