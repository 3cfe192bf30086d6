"""One figure of all methods draws each number where its method and source, day or profile stand."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.collections import QuadMesh
from printed import words_of

from agreement.figures.across_methods import (
    across_caption,
    plot_averaging_curves,
    plot_budgets,
    plot_profiles_of_methods,
)
from agreement.figures.canvas import blank
from agreement.figures.key import facet, key_of
from agreement.figures.regression import plot_regression
from agreement.figures.theme import house_style

NAN = np.nan


def table(analysis, rows):
    columns = ["method", "group", "statistic", "value", "low", "high"]
    return pd.DataFrame(rows, columns=columns).assign(analysis=analysis, mode="run")


@pytest.fixture
def budgets():
    rows = [
        ("a", "all", "day_to_day", 4.0, 3.0, 5.0),
        ("a", "all", "level", 0.25, 0.0, 1.0),
        ("b", "all", "day_to_day", 9.0, 3.0, 12.0),
        ("b", "all", "level", NAN, NAN, NAN),
        ("b", "chest_strap", "level", 100.0, NAN, NAN),
    ]
    return table("budget", rows)


def test_a_cell_is_the_root_of_its_variance_and_empty_without_one(budgets, ax):
    plot_budgets(budgets, ["b", "a"], mode="run", labels={"a": "First"}, ax=ax)
    (mesh,) = [c for c in ax.collections if isinstance(c, QuadMesh)]
    cells = np.ma.filled(mesh.get_array().reshape(2, 2), NAN)  # the other sources are known of none
    np.testing.assert_allclose(cells, [[3.0, 2.0], [NAN, 0.5]])
    assert [label.get_text() for label in ax.get_yticklabels()] == [
        "day-to-day noise",
        "fitness level",
    ]
    assert [label.get_text() for label in ax.get_xticklabels()] == ["b", "First"]
    assert {text.get_text() for text in ax.texts} - {""} == {"3.0", "2.0", "0.5"}
    assert words_of(
        across_caption("budgets", budgets, ["b", "a"], mode="run", labels={"a": "First"})
    ).endswith("b: day-to-day noise, 3.0; First: day-to-day noise, 2.0.")


def test_each_curve_is_its_methods_and_in_order_of_days(ax):
    rows = [("a", str(day), "half_width_fitted", 10.0 - day / 10, NAN, NAN) for day in range(1, 15)]
    rows += [("a", "floor", "half_width_laboratory", 4.0, NAN, NAN)]
    curves = table("averaging_curve", rows[::-1])
    plot_averaging_curves(curves, ["a", "b"], mode="run", margin=7.0, noise=4.9, ax=ax)
    drawn = {line.get_label(): line for line in ax.lines}
    assert list(drawn["a"].get_xdata()) == list(range(1, 15))
    assert drawn["a"].get_ydata()[-1] == pytest.approx(8.6)
    assert "b" not in drawn
    assert drawn["agreed \u00b17.0"].get_ydata()[0] == 7.0
    assert words_of(across_caption("averaging_curves", curves, ["a", "b"], mode="run")) == (
        "Half width of the limits in mL/kg/min by days averaged. a: 9.9 for 1 day, 8.6 for 14 days."
    )


def test_each_bias_stands_in_the_row_of_its_profile(ax):
    rows = [
        ("a", "long", "bias", -3.0, -4.0, -2.0),
        ("b", "short", "bias", 1.0, 0.0, 2.0),
        ("a", "all", "p_welch", 0.01, NAN, NAN),
    ]
    groups = table("profile_bias", rows)
    plot_profiles_of_methods(groups, ["a", "b"], mode="run", ax=ax)
    found = {line.get_gid(): line for line in ax.lines if line.get_gid()}
    places = {label.get_text(): place for place, label in enumerate(ax.get_yticklabels())}
    for key, value, profile in (("a/run/long", -3.0, "long"), ("b/run/short", 1.0, "short")):
        mark = found[f"profile_bias/{key}/bias"]
        assert list(mark.get_xdata()) == [value]
        assert round(mark.get_ydata()[0]) == places[profile]
    assert words_of(across_caption("profiles_of_methods", groups, ["a", "b"], mode="run")) == (
        "Bias by training profile in mL/kg/min. a: long \u22123.0; b: short 1.0."
    )


@pytest.mark.parametrize("figure", ["budgets", "averaging_curves", "profiles_of_methods"])
def test_nothing_to_draw_is_said(figure):
    told = across_caption(figure, table("x", []), ["a"], mode="run")
    assert words_of(told)[:3] in ("No ", "Too")


def test_panels_of_one_kind_share_axes_and_say_once_what_holds_for_all(pairs):
    rows = [
        ("m", "all", "slope", 0.8, 0.6, 1.0),
        ("m", "all", "intercept", 12.0, 5.0, 19.0),
        ("m", "all", "standard_error_of_estimate", 3.0, 2.0, 4.0),
    ]
    line = table("regression", rows)
    with house_style():
        _, axes = blank(panels=3)
        for shift, ax in zip((0, 10, 20), axes, strict=True):
            plot_regression(pairs.assign(field=pairs["field"] + shift), line, ax=ax)
        facet(axes, ["one", "two", "three"])
    assert len({ax.get_xlim() for ax in axes}) == len({ax.get_ylim() for ax in axes}) == 1
    assert all(ax.get_xlabel() for ax in axes)
    (key,) = [found for ax in axes if (found := key_of(ax))]
    assert len(key.entries) == 3
