"""The other figures draw the numbers they are given."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.collections import LineCollection, PathCollection
from printed import words_of

from agreement.figures.averaging_curve import averaging_caption, plot_averaging
from agreement.figures.budget import budget_caption, plot_budget
from agreement.figures.change import change_captions, change_words, plot_change, plot_change_arrows
from agreement.figures.estimates import Estimate
from agreement.figures.key import key_of
from agreement.figures.profiles import plot_profiles, profiles_caption
from agreement.figures.regression import plot_regression, regression_caption
from agreement.report.page.machine import worded


def table(rows, analysis):
    frame = pd.DataFrame(rows, columns=["group", "statistic", "value", "low", "high"])
    return frame.assign(analysis=analysis, method="m", mode="run")


@pytest.fixture
def groups():
    nan = np.nan
    rows = [
        ("long", "bias", -3.0, -4.5, -1.5),
        ("long", "lower_limit", -8.0, nan, nan),
        ("long", "upper_limit", 2.0, nan, nan),
        ("short", "bias", nan, nan, nan),
        ("all", "p_welch", 0.02, nan, nan),
    ]
    return table(rows, "profile_bias")


def points(ax):
    """Places of what is drawn as points, and which are hollow."""
    (drawn,) = [c for c in ax.collections if isinstance(c, PathCollection)]
    return np.asarray(drawn.get_offsets()), drawn.get_facecolors()[:, 0] > 0.5


def by_id(ax):
    return {line.get_gid(): line for line in ax.lines if line.get_gid()}


def test_profiles_stand_at_their_bias_and_limits(pairs, groups, ax):
    plot_profiles(pairs, groups, Estimate(-2.5), ax=ax)
    found = by_id(ax)
    for statistic, value in (("bias", -3.0), ("lower_limit", -8.0), ("upper_limit", 2.0)):
        assert found[f"profile_bias/m/run/long/{statistic}"].get_xdata() == [value]
    assert [label.get_text() for label in ax.get_yticklabels()] == ["short", "long"]


def test_a_profile_of_few_shows_points_only(pairs, groups, ax):
    plot_profiles(pairs, groups, Estimate(-2.5), ax=ax)
    assert not any("short" in gid for gid in by_id(ax))
    assert "too few to say" in {text.get_text() for text in ax.texts}
    points = [line for line in ax.lines if len(line.get_xdata()) == 4]
    assert sorted(points[0].get_xdata()) == [-5.0, -3.0, -2.0, 0.0]


def test_a_bias_drawn_towards_the_others_stands_hollow_beside_the_groups_own(pairs, groups, ax):
    pooled = table([("long", "bias_pooled", -2.0, -3.0, -1.0)], "profile_bias")
    plot_profiles(pairs, pd.concat([groups, pooled]), Estimate(-2.5), ax=ax)
    mark = by_id(ax)["profile_bias/m/run/long/bias_pooled"]
    assert (mark.get_xdata(), mark.get_markerfacecolor()) == ([-2.0], "#ffffff")
    assert list(key_of(ax).entries) == ["with the other profiles taken into account"]


def test_the_key_names_no_mark_that_is_not_drawn(pairs, groups, ax):
    pooled = table([("short", "bias_pooled", -2.0, -3.0, -1.0)], "profile_bias")
    plot_profiles(pairs, pd.concat([groups, pooled]), Estimate(-2.5), ax=ax)
    assert "profile_bias/m/run/short/bias_pooled" not in by_id(ax)  # too few to say
    assert key_of(ax) is None


def test_the_words_of_profiles_give_bias_with_interval(groups):
    assert "long \u22123.0 (\u22124.5 to \u22121.5)" in words_of(profiles_caption(groups))


@pytest.fixture
def line():
    rows = [
        ("all", "slope", 0.8, 0.6, 1.0),
        ("all", "intercept", 12.0, 5.0, 19.0),
        ("all", "standard_error_of_estimate", 3.0, 2.0, 4.0),
        ("all", "r", 0.9, 0.8, 0.95),
    ]
    return table(rows, "regression")


def test_calibration_line_runs_through_its_equation(pairs, line, ax):
    plot_regression(pairs, line, ax=ax)
    drawn = by_id(ax)["regression/m/run/all/slope"]
    field = np.array([pairs["field"].min(), pairs["field"].max()])
    np.testing.assert_allclose(drawn.get_xdata(), field)
    np.testing.assert_allclose(drawn.get_ydata(), 12.0 + 0.8 * field)


def test_field_is_on_the_x_axis_as_in_the_equation(pairs, line, ax):
    plot_regression(pairs, line, ax=ax)
    ordered = pairs.sort_values("field")
    np.testing.assert_array_equal(points(ax)[0], ordered[["field", "lab"]])
    assert ax.get_xlabel().startswith("field")
    assert "laboratory = 12.0 + 0.80 times field" in words_of(regression_caption(line))


def test_budget_bars_have_the_length_of_their_standard_deviation(ax):
    rows = [
        ("all", "total", 9.0, 7.0, 12.0),
        ("all", "day_to_day", 4.0, 3.0, 5.0),
        ("all", "level", 1.5, 0.0, 3.0),
        ("all", "half_width_without_day_to_day", 4.4, np.nan, np.nan),
    ]
    budget = table(rows, "budget")
    plot_budget(budget, ax=ax)
    widths = {bar.get_gid(): bar.get_width() for bar in ax.patches}
    assert widths["budget/m/run/all/day_to_day"] == pytest.approx(2.0)  # of a variance of 4
    assert widths["budget/m/run/all/level"] == pytest.approx(1.2247, abs=1e-4)
    whiskers = sorted(
        x for c in ax.collections for path in c.get_paths() for x in path.vertices[:, 0]
    )
    assert whiskers == pytest.approx([0.0, 3**0.5, 3**0.5, 5**0.5])
    assert "\u00b14.4" in {text.get_text() for text in ax.texts}
    assert words_of(budget_caption(budget)).endswith("day-to-day noise 2.0; fitness level 1.2.")


def test_a_budget_of_few_athletes_draws_and_tells_no_interval(ax):
    nan = np.nan
    rows = [("all", "day_to_day", 4.0, nan, nan), ("all", "persistent_rest", 1.5, nan, nan)]
    budget = table(rows, "budget")
    plot_budget(budget, ax=ax)
    assert len(ax.patches) == 2
    assert not ax.lines
    assert not ax.collections
    assert "interval" not in worded(budget_caption(budget).of("Watch"))
    some = table([("all", "day_to_day", 4.0, 3.0, 5.0)], "budget")
    assert "with 95 % intervals" in worded(budget_caption(some).of("Watch"))


def test_averaging_curve_draws_fitted_observed_and_floor(ax):
    rows = [
        (str(day), "half_width_fitted", 8.0 - 0.2 * day, np.nan, np.nan) for day in range(1, 15)
    ]
    rows += [(str(day), "half_width_observed", 7.9 - 0.2 * day, np.nan, np.nan) for day in (1, 2)]
    rows += [("floor", "half_width_laboratory", 2.5, 2.0, 3.0)]
    curve = table(rows, "averaging_curve")
    plot_averaging(curve, margin=3.5, ax=ax)
    drawn = {line.get_label(): line for line in ax.lines}
    np.testing.assert_allclose(drawn["fitted"].get_ydata(), [8.0 - 0.2 * d for d in range(1, 15)])
    np.testing.assert_allclose(drawn["observed"].get_xdata(), [1, 2])
    assert by_id(ax)["averaging_curve/m/run/floor/half_width_laboratory"].get_ydata()[0] == 2.5
    assert "by days averaged: 7.8 for 1 day, 5.2 for 14" in words_of(averaging_caption(curve))


@pytest.fixture
def changes():
    return pd.DataFrame(
        {"athlete_id": ["A", "B", "C"], "lab": [2.0, -1.0, 4.0], "field": [1.0, 0.5, 3.0]}
    )


def test_changes_in_the_other_direction_have_a_shape_of_their_own(changes, ax):
    plot_change(changes, smallest_real=2.5, ax=ax)
    places, hollow = points(ax)
    np.testing.assert_array_equal(places, [(-1.0, 0.5), (2.0, 1.0), (4.0, 3.0)])
    np.testing.assert_array_equal(hollow, [True, False, False])
    assert {"same direction", "other direction"} <= {line.get_label() for line in ax.lines}


def test_the_field_change_that_cards_call_real_is_drawn_on_the_axis_of_the_field(changes, ax):
    plot_change(changes, smallest_real=2.5, card=6.4, ax=ax)
    level = {line.get_ydata()[0] for line in ax.lines if set(line.get_xdata()) == {0, 1}}
    assert {6.4, -6.4} <= level
    assert ax.get_ylim()[1] > 6.4


def test_a_point_of_change_says_whose_it_is(changes, ax):
    plot_change(changes, told=change_words(changes), ax=ax)
    (drawn,) = [c for c in ax.collections if isinstance(c, PathCollection)]
    assert drawn.get_urls()[0] == "point:B: laboratory \u22121.0, field 0.5 mL/kg/min"


def test_arrows_without_names_tell_nobody(changes, ax):
    plot_change_arrows(changes, named=False, ax=ax)
    assert [label.get_text() for label in ax.get_yticklabels()] == []


@pytest.mark.parametrize("draw", [plot_change, plot_change_arrows])
def test_axes_of_changes_say_their_unit(changes, ax, draw):
    draw(changes, ax=ax)
    assert "(mL/kg/min)" in ax.get_xlabel()


def test_arrows_run_from_laboratory_to_field(changes, ax):
    plot_change_arrows(changes, ax=ax)
    (stems,) = [c for c in ax.collections if isinstance(c, LineCollection)]
    assert [sorted(stem[:, 0]) for stem in stems.get_segments()] == [[-1, 0.5], [1, 2], [3, 4]]
    heads = {line.get_marker(): line.get_data() for line in ax.lines if line.get_marker() in "<>"}
    np.testing.assert_array_equal(heads[">"], ([0.5], [0]))  # each at the field's change
    np.testing.assert_array_equal(heads["<"], ([1.0, 3.0], [1, 2]))
    assert "2 changed in the same direction" in words_of(change_captions(changes)[0])
