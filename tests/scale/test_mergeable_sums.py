from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agreement.scale.keyed_sums import KeyedSums
from agreement.scale.pair_sums import PairSums
from agreement.scale.quantile_sketch import QuantileSketch
from agreement.stats.basics.least_squares import fit_line
from agreement.stats.limits.limits import limits_of_agreement
from agreement.stats.limits.quantile_limits import limits_of_ordered, quantile_limits
from agreement.stats.limits.repeated import limits_by_athlete

RNG = np.random.default_rng(11)
LAB = RNG.normal(52, 8, 500)
FIELD = 0.8 * LAB + 9 + RNG.normal(0, 3, 500)
ATHLETE = RNG.integers(0, 140, 500)
LINE_FIELDS = ["n", "slope", "intercept", "mean_x", "mean_y", "sxx", "syy", "rss"]


def chunks(sizes):
    """Cut 500 rows into chunks of these sizes, the last one taking what is left."""
    edges = np.unique(np.clip(np.cumsum([0, *sizes, 500]), 0, 500))
    return [slice(a, b) for a, b in pairwise(edges)]


def merged(parts):
    total = PairSums()
    for part in parts:
        total = total + part
    return total


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(1, 120), max_size=12), st.randoms(use_true_random=False))
def test_chunks_in_any_order_give_the_in_memory_result(sizes, random):
    cuts = chunks(sizes)
    random.shuffle(cuts)
    sums = merged(PairSums.of(FIELD[c], LAB[c]) for c in cuts)
    whole = limits_of_agreement(FIELD, LAB)
    assert (sums.limits().bias, sums.limits().sd) == pytest.approx((whole.bias, whole.sd), rel=1e-9)
    for line, x, y in (
        (sums.trend_line(), (FIELD + LAB) / 2, FIELD - LAB),
        (sums.regression_line(), FIELD, LAB),
    ):
        expected = fit_line(x, y)
        assert [getattr(line, f) for f in LINE_FIELDS] == pytest.approx(
            [getattr(expected, f) for f in LINE_FIELDS], rel=1e-9
        )
    keyed = KeyedSums.merged(KeyedSums.of(ATHLETE[c], (FIELD - LAB)[c]) for c in cuts)
    repeated = limits_by_athlete(FIELD - LAB, ATHLETE)
    assert keyed.limits_by_athlete().upper == pytest.approx(repeated.upper, rel=1e-9)
    assert keyed.limits_by_athlete().n_pairs == 500


def test_chunks_of_one_around_a_hundred_million_keep_their_digits():
    shift = 1e8
    d = np.array([-0.25, 0.5, 0.75, -1.0, 0.125])  # exact in binary, so the truth is known
    lab = shift + np.array([0.0, 4.0, 8.0, 12.0, 16.0])
    sums = merged(PairSums.of(lab[i : i + 1] + d[i : i + 1], lab[i : i + 1]) for i in range(5))
    assert sums.limits().bias == pytest.approx(np.mean(d), rel=1e-9)
    assert sums.limits().sd == pytest.approx(np.std(d, ddof=1), rel=1e-9)
    slope = np.polyfit(lab - shift + d / 2, d, 1)[0]
    assert sums.trend_line().slope == pytest.approx(slope, rel=1e-9)
    keyed = KeyedSums.merged(KeyedSums.of(["a"], lab[i : i + 1]) for i in range(5))
    assert keyed.frame.loc["a", "sxx"] == pytest.approx(160.0, rel=1e-9)


def test_errors_and_share_within_the_margin_add_up():
    sums = merged(PairSums.of(FIELD[c], LAB[c], margin=3.0) for c in chunks([7, 100, 1]))
    d = FIELD - LAB
    assert sums.mae == pytest.approx(np.mean(np.abs(d)))
    assert sums.mape == pytest.approx(100 * np.mean(np.abs(d) / LAB))
    assert sums.rmse == pytest.approx(np.sqrt(np.mean(d**2)))
    assert sums.share_within == np.mean(np.abs(d) <= 3.0)


def test_one_line_per_athlete_equals_a_fit_of_each():
    cuts = chunks([90, 90, 33, 1, 200])
    lines = KeyedSums.merged(KeyedSums.of(ATHLETE[c], LAB[c], FIELD[c]) for c in cuts).lines()
    for athlete, rows in pd.DataFrame({"x": LAB, "y": FIELD}).groupby(ATHLETE):
        if len(rows) >= 3:
            slope, intercept = np.polyfit(rows.x, rows.y, 1)
            assert lines.loc[athlete, ["slope", "intercept"]].tolist() == pytest.approx(
                [slope, intercept], rel=1e-6
            )
        else:
            assert np.isnan(lines.loc[athlete, "slope"])


def test_nothing_is_the_neutral_element():
    some = PairSums.of(FIELD[:40], LAB[:40])
    empty = PairSums.of(FIELD[:0], LAB[:0])
    assert (some + empty, empty + some) == (some, some)
    assert len(KeyedSums.merged([]).frame) == 0


def test_a_missing_value_and_too_few_pairs_are_refused():
    with pytest.raises(ValueError, match="missing or infinite"):
        PairSums.of(np.array([50.0, np.nan]), np.array([50.0, 51.0]))
    with pytest.raises(ValueError, match="at least 3 pairs are needed; 2 found"):
        PairSums.of(np.array([50.0, 52.0]), np.array([50.0, 51.0])).limits()
    with pytest.raises(ValueError, match="all values on the horizontal axis are equal"):
        PairSums.of(np.full(5, 50.0), np.full(5, 50.0)).trend_line()


def test_limits_by_quantiles_are_within_the_error_bound_that_their_notes_state():
    lab = RNG.normal(52, 8, 1500)
    field = lab + RNG.gumbel(1, 3, 1500)
    d = np.round(field - lab, 6)
    parts = [QuantileSketch.of(d[c]) for c in (slice(0, 1), slice(1, 2), slice(2, 900))]
    parts += [QuantileSketch.of(d[900:]), QuantileSketch.of(d[:0])]
    sketch = sum(reversed(parts), QuantileSketch())
    assert sketch.n == 1500
    bound = sketch.error_bound
    found = limits_of_ordered(sketch.ordered, 1500, off_by=bound).to_frame()
    expected = quantile_limits(field, lab).to_frame()
    numbers = ["value", "low", "high"]
    off = found[numbers] - expected[numbers]
    assert 0.0 < off.abs().max(axis=None) <= bound + 1e-9
    assert bound == 0.005
    assert found["note"].eq("by a sketch: off by 0.005 at most").all()


def test_a_value_that_a_grid_cannot_hold_is_refused_rather_than_lost():
    for values in ([0.0, 1e5], [0.0, np.nan], [np.inf, 1.0]):
        with pytest.raises(ValueError, match="within 10000 of each other, none missing"):
            QuantileSketch.of(np.array(values))
