"""Passing-Bablok against a printed example, against listing every slope, and by simulated coverage."""

import numpy as np
import pytest
from held import held
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats

from agreement.stats.basics import rotated_slopes
from agreement.stats.basics.rotated_slopes import (
    as_whole_numbers,
    count_inversions,
    kept_slopes,
    slopes_at_ranks,
)
from agreement.stats.lines.passing_bablok import clustered_intervals, passing_bablok, weighted_lines

PUBLISHED = held("published_method_comparison")


def listed(x, y):
    """Every slope by a plain double loop, in the paper's own terms: sorted, -1 dropped, and K."""
    slopes = []
    for i in range(len(x)):
        for j in range(i + 1, len(x)):
            dx, dy = x[j] - x[i], y[j] - y[i]
            if dx == 0 and dy == 0:
                continue
            slope = dy / dx if dx else np.inf
            if slope != -1:
                slopes.append(slope)
    slopes.sort()
    return slopes, sum(slope < -1 for slope in slopes)


def by_hand(x, y):
    """Slope and its interval as printed in 1983, from the list of all slopes."""
    slopes, k = listed(x, y)
    count, n = len(slopes), len(x)
    half = stats.norm.ppf(0.975) * np.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    first = round((count - half) / 2)
    if count % 2:
        middle = slopes[(count + 1) // 2 + k - 1]
    else:
        middle = (slopes[count // 2 + k - 1] + slopes[count // 2 + k]) / 2
    return middle, slopes[first + k - 1], slopes[count - first + k]


def study(n, decimals, seed, slope=0.9):
    rng = np.random.default_rng(seed)
    truth = rng.normal(52, 8, n)
    lab = np.round(truth + rng.normal(0, 2, n), decimals)
    return np.round(5 + slope * truth + rng.normal(0, 3, n), decimals), lab


@pytest.mark.parametrize(
    ("quantity", "printed", "half_digit"),
    [
        (lambda fit: fit.slope, 1.06, 0.0055),
        (lambda fit: fit.slope_interval.low, 1.02, 0.0055),
        (lambda fit: fit.slope_interval.high, 1.09, 0.0055),
        (lambda fit: fit.intercept, 7.08, 0.0055),
        (lambda fit: fit.intercept_interval.low, -0.30, 0.0055),
        (lambda fit: fit.intercept_interval.high, 19.84, 0.0055),
    ],
)
def test_giavarina_2015(quantity, printed, half_digit):
    # Giavarina 2015 Biochem Med 25:141, 30 pairs of whole numbers (data read second-hand, printed
    # results memory; half a digit and a tenth because they are)
    example = PUBLISHED["giavarina_2015"]
    fit = passing_bablok(example["b"], example["a"])
    assert fit.n_slopes == 434
    assert quantity(fit) == pytest.approx(printed, abs=half_digit)


@pytest.mark.parametrize("decimals", [0, 1, 6])
@pytest.mark.parametrize("n", [12, 35])
def test_same_bits_as_listing_every_slope(n, decimals):
    field, lab = study(n, decimals, seed=n + decimals, slope=1.0)
    x, y, power = as_whole_numbers(lab, field)
    assert power == decimals
    slope, low, high = by_hand(x.tolist(), y.tolist())
    fit = passing_bablok(field, lab)
    assert (fit.slope, *fit.slope_interval) == (slope, low, high)
    assert fit.intercept == np.median(field - slope * lab)


whole = st.lists(st.tuples(st.integers(30, 42), st.integers(30, 42)), min_size=4, max_size=14)


@given(whole, st.data())
@settings(max_examples=150)
def test_every_way_finds_the_listed_slope_with_ties_everywhere(points, data):
    x, y = np.array(points, dtype=np.int64).T
    slopes, k = listed(x.tolist(), y.tolist())
    assert kept_slopes(x, y) == len(slopes)
    assume(slopes)
    rank = data.draw(st.integers(1, len(slopes)))
    expected = (
        slopes[rank + k - 1] if rank + k <= len(slopes) else slopes[rank + k - 1 - len(slopes)]
    )
    assert slopes_at_ranks(x, y, [rank]) == [expected]
    moved_x, moved_y = x - x.min(), y - y.min()
    padded = rotated_slopes._padded_shape(moved_x, moved_y)
    table = rotated_slopes._count_displacements(moved_x, moved_y, padded)
    assert rotated_slopes._among(*table, np.array([rank])) == [expected]


@pytest.mark.parametrize("decimals", [0, 1, 4])
def test_counting_finds_the_listed_slopes(decimals):
    field, lab = study(220, decimals, seed=7)
    x, y, _ = as_whole_numbers(lab, field)
    slopes, k = listed(x.tolist(), y.tolist())
    middle = len(slopes) // 2
    ranks = np.array([middle - 700, middle, middle + 1, middle + 900])
    found = rotated_slopes._select(x - x.min(), y - y.min(), ranks)
    assert found.tolist() == [slopes[rank + k - 1] for rank in ranks]


def test_large_studies_agree_whichever_way_is_taken(monkeypatch):
    field, lab = study(1300, 1, seed=3)
    monkeypatch.setattr(rotated_slopes, "FEW_PAIRS", 2**20)
    by_list = passing_bablok(field, lab)
    monkeypatch.setattr(rotated_slopes, "FEW_PAIRS", 0)
    monkeypatch.setattr(rotated_slopes, "CELLS_PER_POINT", 10_000)
    by_grid = passing_bablok(field, lab)
    monkeypatch.setattr(rotated_slopes, "LARGEST_GRID", 0)
    by_count = passing_bablok(field, lab)
    assert by_list == by_grid == by_count


def test_many_equal_slopes_on_a_fine_grid():
    # most field values equal the laboratory's exactly: one slope, 1, holds most of the ranks, so that
    # no trial value can separate them
    rng = np.random.default_rng(3)
    lab = rng.choice([40.0, 45.0, 50.0, 55.0, 60.0], 400) + rng.choice([0.0, 0.000001], 400)
    field = lab + np.where(rng.random(400) < 0.7, 0.0, rng.normal(0, 2, 400).round(6))
    assert passing_bablok(field, lab).slope == 1.0


@given(st.permutations(range(150)))
@settings(max_examples=25)
def test_inversions(permutation):
    p = np.array(permutation)
    assert count_inversions(p) == sum(int((p[:i] > p[i]).sum()) for i in range(len(p)))


def test_swapping_the_methods_inverts_the_line():
    # Passing & Bablok 1983: the method treats both axes alike
    field, lab = study(60, 6, seed=5)
    fit, swapped = passing_bablok(field, lab), passing_bablok(lab, field)
    assert swapped.slope_interval.low == pytest.approx(1 / fit.slope_interval.high, rel=1e-12)
    assert swapped.slope_interval.high == pytest.approx(1 / fit.slope_interval.low, rel=1e-12)


@given(st.integers(-20, 20), st.permutations(range(25)))
@settings(max_examples=20)
def test_shift_and_row_order(shift, order):
    field, lab = study(25, 0, seed=11)
    fit, moved = passing_bablok(field, lab), passing_bablok(field[order] + shift, lab[order])
    assert (moved.slope, moved.slope_interval) == (fit.slope, fit.slope_interval)
    assert moved.intercept == pytest.approx(fit.intercept + shift, abs=1e-9)


def test_perfect_line():
    lab = np.arange(40.0, 60.0)
    fit = passing_bablok(3 + 1.1 * lab, lab)
    assert fit.slope == pytest.approx(1.1, abs=1e-12)
    assert fit.slope_interval == pytest.approx((1.1, 1.1), abs=1e-12)


@pytest.mark.parametrize(
    ("field", "lab", "message"),
    [
        ([], [], "at least 3 pairs"),
        ([50.0], [50.0], "at least 3 pairs"),
        ([50, 51, 52], [50, 51, 52], "does not clearly rise"),
        ([51, 52, 50], [50, 51, 52], "of the pairs of points 1 rises and 2 fall, and the"),
        ([50] * 20, list(range(40, 60)), "does not clearly rise"),
        (list(range(40, 60)), [50] * 20, "does not clearly rise"),
        (list(range(60, 40, -1)), list(range(40, 60)), "does not clearly rise"),
        ([50, np.nan, 52, 53], [50, 51, 52, 53], "missing"),
        ([50, np.inf, 52, 53], [50, 51, 52, 53], "infinite"),
        ([50, 51], [50, 51, 52], "equal length"),
        ([0, 1e9, 2e9, 3e9, 4e9], [0, 1e9, 2e9, 3e9, 4e9], "larger unit"),
    ],
)
def test_refused(field, lab, message):
    with pytest.raises(ValueError, match=message):
        passing_bablok(field, lab)


def test_two_laboratory_values_have_no_upper_bound():
    rng = np.random.default_rng(2)
    lab = np.repeat([40.0, 60.0], 15)
    with pytest.raises(ValueError, match="no upper bound"):
        passing_bablok(lab + rng.normal(0, 1, 30), lab)


def test_weighted_lines_are_the_lines_of_repeated_points():
    field, lab = study(14, 1, seed=9)
    weights = np.random.default_rng(1).multinomial(14, np.ones(14) / 14, size=30)
    slopes, intercepts = weighted_lines(lab, field, weights)
    for w, slope, intercept in zip(weights, slopes, intercepts, strict=True):
        x, y, _ = as_whole_numbers(np.repeat(lab, w), np.repeat(field, w))
        found, k = listed(x.tolist(), y.tolist())
        ranks = {(len(found) + 1) // 2, len(found) // 2 + 1}
        middle = np.mean([found[(r + k - 1) % len(found)] for r in ranks])
        assert slope == pytest.approx(middle, rel=1e-12)
        expected = np.median(np.repeat(field, w) - middle * np.repeat(lab, w))
        assert intercept == pytest.approx(expected, abs=1e-9)


def test_clustered_intervals_by_resampling_and_by_projection_agree(monkeypatch):
    rng = np.random.default_rng(4)
    truth, own = np.repeat(rng.normal(52, 8, 140), 2), np.repeat(rng.normal(0, 3, 140), 2)
    lab = np.round(truth + rng.normal(0, 2, 280), 1)
    field = np.round(truth + own + rng.normal(0, 1.5, 280), 1)
    athlete = np.repeat(np.arange(140), 2)
    fit = passing_bablok(field, lab)
    drawn = clustered_intervals(field, lab, athlete, slope=fit.slope, rng=1)[0]
    monkeypatch.setattr("agreement.stats.lines.passing_bablok.MOST_ROWS_RESAMPLED", 0)
    projected = clustered_intervals(field, lab, athlete, slope=fit.slope, rng=1)[0]
    width = drawn.high - drawn.low
    assert projected == pytest.approx(drawn, abs=0.12 * width)
    assert width > 1.1 * (fit.slope_interval.high - fit.slope_interval.low)


def test_frame_and_sentence():
    fit = passing_bablok(*study(40, 1, seed=1))
    frame = fit.to_frame()
    assert frame["statistic"].tolist() == ["slope", "intercept"]
    assert frame["unit"].tolist() == ["1", "mL/kg/min"]
    assert frame["n"].tolist() == frame["n_pairs"].tolist() == [40, 40]
    assert f"{fit.slope:.2f} laboratory" in fit.summary()
    assert "Passing-Bablok" in fit._repr_html_()


@pytest.mark.slow
@pytest.mark.parametrize("decimals", [6, 1])
def test_coverage_of_the_slope_interval(decimals):
    # both methods with normal errors in the ratio the method assumes; 1000 studies of 40 athletes
    rng = np.random.default_rng(20260101)
    held = 0
    for _ in range(1000):
        truth = rng.normal(50, 7, 40)
        lab = np.round(truth + rng.normal(0, 2, 40), decimals)
        field = np.round(truth + rng.normal(0, 2, 40), decimals)
        held += passing_bablok(field, lab).slope_interval.contains(1.0)
    assert held / 1000 == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / 1000))


@pytest.mark.slow
def test_coverage_of_the_clustered_interval():
    # 40 athletes with 2 pairs each: the plain interval would hold too little
    rng = np.random.default_rng(20260102)
    athlete = np.repeat(np.arange(40), 2)
    held = plain = 0
    for seed in range(250):
        truth, own = np.repeat(rng.normal(50, 7, 40), 2), np.repeat(rng.normal(0, 2.5, 40), 2)
        lab = truth + np.repeat(rng.normal(0, 2.5, 40), 2) + rng.normal(0, 1, 80)
        field = truth + own + rng.normal(0, 1, 80)
        fit = passing_bablok(field, lab)
        slope, _ = clustered_intervals(field, lab, athlete, slope=fit.slope, rng=seed)
        held += slope.contains(1.0)
        plain += fit.slope_interval.contains(1.0)
    error = np.sqrt(0.95 * 0.05 / 250)
    assert held / 250 == pytest.approx(0.95, abs=3 * error)
    assert plain / 250 < 0.95 - 3 * error
