"""The difference plot draws the numbers it is given, each beside its own label."""

import numpy as np
import pandas as pd
import pytest

from agreement.figures.differences import differences_alt, plot_differences
from agreement.stats.limits.limits import limits_of_agreement

NUMBERS = {
    "bias": (-2.5, -4.0, -1.0),
    "lower_limit": (-6.2, -11.0, -4.5),
    "upper_limit": (1.2, 0.1, 6.0),
}


@pytest.fixture
def limits():
    frame = pd.DataFrame(
        [(name, *values) for name, values in NUMBERS.items()],
        columns=["statistic", "value", "low", "high"],
    )
    return frame.assign(analysis="limits_of_agreement", method="m", mode="run", group="all")


def lines_by_id(ax):
    return {line.get_gid(): line for line in ax.lines if line.get_gid()}


@pytest.mark.parametrize("statistic", NUMBERS)
def test_each_line_stands_at_its_own_number(pairs, limits, ax, statistic):
    plot_differences(pairs, limits, ax=ax)
    line = lines_by_id(ax)[f"limits_of_agreement/m/run/all/{statistic}"]
    assert set(line.get_ydata()) == {NUMBERS[statistic][0]}


def test_labels_name_the_right_line(pairs, limits, ax):
    plot_differences(pairs, limits, ax=ax)
    texts = {text.get_text() for text in ax.texts}
    assert "bias\n\u22122.5 (\u22124.0 to \u22121.0)" in texts
    assert "upper limit\n1.2 (0.1 to 6.0)" in texts
    assert "lower limit\n\u22126.2 (\u221211.0 to \u22124.5)" in texts


def test_labels_stand_in_the_order_of_their_lines(pairs, limits, ax):
    plot_differences(pairs, limits, margin=1.3, ax=ax)
    side = [text for text in ax.texts if text.xycoords == ("axes fraction", "data")]
    by_height = [text.get_text().split("\n")[0] for text in sorted(side, key=lambda t: t.xy[1])]
    assert by_height == [
        "lower limit",
        "bias",
        "agreed \u22121.3",
        "upper limit",
        "agreed +1.3",
    ]


def test_points_are_mean_and_difference_and_hollow_when_unconfirmed(pairs, limits, ax):
    plot_differences(pairs, limits, ax=ax)
    drawn = {line.get_label(): line for line in ax.lines if line.get_marker() == "o"}
    confirmed = (pairs["max_confirmed"] == "yes").to_numpy()
    expected = (pairs["field"] - pairs["lab"])[confirmed]
    np.testing.assert_array_equal(drawn["maximum confirmed"].get_ydata(), expected)
    np.testing.assert_array_equal(
        drawn["maximum confirmed"].get_xdata(), ((pairs["field"] + pairs["lab"]) / 2)[confirmed]
    )
    assert len(drawn["not confirmed"].get_ydata()) == 2
    assert drawn["not confirmed"].get_markerfacecolor() == "white"


def test_a_result_object_draws_like_its_table(pairs, ax):
    with pytest.warns(UserWarning, match="barely determined"):
        result = limits_of_agreement(pairs["field"], pairs["lab"])
    plot_differences(pairs, result, ax=ax)
    heights = {line.get_ydata()[0] for line in ax.lines if len(set(line.get_ydata())) == 1}
    assert {result.bias, result.lower, result.upper} <= heights


def test_without_limits_only_points_are_drawn(pairs, limits, ax):
    limits.loc[limits["statistic"] != "bias", ["value", "low", "high"]] = np.nan
    plot_differences(pairs, limits, ax=ax)
    assert set(lines_by_id(ax)) == {"limits_of_agreement/m/run/all/bias"}
    assert "too few athletes for limits" in differences_alt(pairs, limits)


def test_axes_name_quantity_unit_and_sign(pairs, limits, ax):
    plot_differences(pairs, limits, ax=ax)
    assert ax.get_ylabel() == "field \u2212 laboratory VO2max (mL/kg/min)"
    assert ax.get_xlabel() == "mean of field and laboratory VO2max (mL/kg/min)"


def test_the_noise_floor_is_drawn_from_minus_to_plus(pairs, limits, ax):
    plot_differences(pairs, limits, noise_floor=1.7, ax=ax)
    (band,) = [patch for patch in ax.patches if "noise" in str(patch.get_label())]
    assert (band.get_y(), band.get_y() + band.get_height()) == (-1.7, 1.7)


def test_alternative_text_states_the_finding(pairs, limits):
    assert differences_alt(pairs, limits) == (
        "Field minus laboratory against their mean, 6 pairs of 5 athletes: bias \u22122.5, limits "
        "\u22126.2 to 1.2 mL/kg/min; 0 of the pairs lie outside the limits."
    )


def test_alternative_text_of_a_single_pair(pairs, limits):
    text = differences_alt(pairs.iloc[:1].assign(field=pairs["lab"].iloc[0] + 50), limits)
    assert "their mean, 1 pair of 1 athlete: bias" in text
    assert text.endswith("1 of the pairs lies outside the limits.")
