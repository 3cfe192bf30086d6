"""The difference plot draws the numbers it is given, each beside its own label."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import PathCollection, QuadMesh
from matplotlib.figure import Figure
from printed import words_of

from agreement.figures import of_arrays
from agreement.figures.canvas import blank, svg_text
from agreement.figures.differences import (
    PairsPanel,
    differences_caption,
    plot_difference_panels,
    plot_differences,
)
from agreement.figures.key import key_of
from agreement.figures.layout import settle
from agreement.figures.points import MOST_POINTS, pair_words
from agreement.figures.theme import house_style
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
    assert "bias \u22122.5\n(\u22124.0 to \u22121.0)" in texts
    assert "upper limit 1.2\n(0.1 to 6.0)" in texts
    assert "lower limit \u22126.2\n(\u221211.0 to \u22124.5)" in texts


def test_labels_stand_in_the_order_of_their_lines(pairs, limits, ax):
    plot_differences(pairs, limits, margin=1.3, ax=ax)
    by_height = [text.get_text().split("\n")[0] for text in sorted(ax.texts, key=lambda t: t.xy[1])]
    assert by_height == [
        "lower limit \u22126.2",
        "bias \u22122.5",
        "agreed \u22121.3",
        "upper limit 1.2",
        "agreed +1.3",
    ]


def test_labels_stand_at_the_left_of_every_point(pairs, limits):
    with house_style():
        figure, (ax,) = blank()
        plot_differences(pairs, limits, margin=1.3, ax=ax)
        labels = list(ax.texts)
        settle(figure)
        renderer = FigureCanvasAgg(figure).get_renderer()
    ends = [ax.transData.inverted().transform(t.get_window_extent(renderer).p1)[0] for t in labels]
    assert max(ends) <= ((pairs["field"] + pairs["lab"]) / 2).min()


def points(ax):
    """Places and fills of what is drawn as points."""
    (drawn,) = [c for c in ax.collections if isinstance(c, PathCollection)]
    return np.asarray(drawn.get_offsets()), drawn.get_facecolors()[:, 0] > 0.5


def test_points_are_mean_and_difference_and_hollow_when_unconfirmed(pairs, limits, ax):
    plot_differences(pairs, limits, ax=ax)
    places, hollow = points(ax)
    np.testing.assert_allclose(places[:, 0], np.sort((pairs["field"] + pairs["lab"]) / 2))
    expected = pairs.assign(mean=(pairs["field"] + pairs["lab"]) / 2).sort_values("mean")
    np.testing.assert_allclose(places[:, 1], expected["field"] - expected["lab"])
    np.testing.assert_array_equal(hollow, expected["max_confirmed"] != "yes")


def drawing(pairs, limits, **options):
    with house_style():
        figure, (ax,) = blank()
        plot_differences(pairs, limits, ax=ax, **options)
        settle(figure)
        return svg_text(figure)


def test_bytes_do_not_tell_the_order_of_rows(pairs, limits):
    shuffled = pairs.sample(frac=1, random_state=5)
    assert drawing(pairs, limits) == drawing(shuffled, limits)
    told = drawing(pairs, limits, told=pair_words(pairs))
    assert told == drawing(shuffled, limits, told=pair_words(shuffled))


def test_a_point_says_whose_it_is_only_when_asked_to(pairs, limits):
    dated = pairs.assign(lab_date="2026-03-04")
    told = drawing(dated, limits, told=pair_words(dated))
    assert told.count("<title>") == len(pairs)
    assert "<title>B: laboratory 48.0 mL/kg/min, 2026-03-04</title>" in told
    assert "<title" not in drawing(dated, limits)


def test_two_plain_arrays_suffice_in_any_axes(pairs, limits):
    figure = Figure(figsize=(3, 2))
    ax = figure.subplots(2, 2)[1, 0]
    values = pairs["field"].tolist(), pairs["lab"].tolist()
    assert of_arrays.plot_differences(*values, limits=limits, ax=ax) is ax
    drawn = {line.get_ydata()[0] for line in ax.lines if len(set(line.get_ydata())) == 1}
    assert -2.5 in drawn
    assert len(points(ax)[0]) == 6


def test_a_method_whose_pairs_all_stand_apart_is_an_empty_frame(pairs, limits, ax):
    plot_differences(pairs.iloc[:0], limits.assign(value=np.nan), ax=ax)
    assert not [c for c in ax.collections if isinstance(c, PathCollection)]


def test_limits_of_two_methods_are_never_drawn_as_one(pairs, limits, ax):
    both = pd.concat([limits, limits.assign(method="other")])
    with pytest.raises(ValueError, match="'method' \\(m, other\\)"):
        plot_differences(pairs, both, ax=ax)


def test_many_points_are_a_density_that_leaves_none_out(limits, ax):
    rng = np.random.default_rng(4)
    lab = rng.normal(50, 6, MOST_POINTS + 1)
    many = pd.DataFrame({"field": lab + rng.normal(0, 3, lab.size), "lab": lab})
    plot_differences(many, limits, ax=ax)
    (mesh,) = [c for c in ax.collections if isinstance(c, QuadMesh)]
    assert mesh.get_array().sum() == lab.size


def test_panels_share_both_axes_and_explain_their_marks_once(pairs, limits):
    lower = pairs.assign(field=pairs["field"] - 20)
    with house_style():
        _, axes = blank(panels=3)
        parts = [
            PairsPanel("one", pairs, limits),
            PairsPanel("two", lower, limits),
            PairsPanel("c", pairs, limits),
        ]
        plot_difference_panels(parts, margin=1.3, axes=axes)
    assert len({ax.get_ylim() for ax in axes}) == len({ax.get_xlim() for ax in axes}) == 1
    assert axes[0].get_ylim()[0] < -25
    assert [ax.get_title(loc="left") for ax in axes] == ["one", "two", "c"]
    assert sum(key_of(ax) is not None for ax in axes) == 1
    assert all(ax.get_ylabel() and ax.get_xlabel() for ax in axes)
    assert all("bias \u22122.5" in {text.get_text() for text in ax.texts} for ax in axes)


@pytest.mark.parametrize("floors", [(3.0, 5.0), (3.0, None), (3.0, 3.0)])
def test_each_panel_has_the_noise_of_its_own_mode(pairs, limits, floors):
    parts = [PairsPanel("m", pairs, limits, noise_floor=one) for one in floors]
    with house_style():
        _, axes = blank(panels=2)
        plot_difference_panels(parts, axes=axes)
    drawn = [
        [
            p.get_extents().transformed(ax.transData.inverted()).y1
            for p in ax.patches
            if p.get_hatch()
        ]
        for ax in axes
    ]
    assert drawn == [[] if one is None else [pytest.approx(one)] for one in floors]
    (key,) = (key for ax in axes if (key := key_of(ax)) is not None)
    numbered = any("laboratory's own noise, \u00b1" in entry for entry in key.entries)
    assert numbered == (floors[0] == floors[1])  # one number is not that of every panel


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
    assert "too few athletes for limits" in words_of(differences_caption(pairs, limits))


def test_axes_name_quantity_unit_and_sign(pairs, limits, ax):
    plot_differences(pairs, limits, ax=ax)
    assert ax.get_ylabel() == "field \u2212 laboratory (mL/kg/min)"
    assert ax.get_xlabel() == "mean of both (mL/kg/min)"


def test_the_noise_floor_is_drawn_from_minus_to_plus(pairs, limits, ax):
    plot_differences(pairs, limits, noise_floor=1.7, ax=ax)
    (band,) = [patch for patch in ax.patches if "noise" in str(patch.get_label())]
    assert (band.get_y(), band.get_y() + band.get_height()) == (-1.7, 1.7)


def test_alternative_text_states_the_finding(pairs, limits):
    assert words_of(differences_caption(pairs, limits)) == (
        "m. Field minus laboratory against their mean, 6 pairs of 5 athletes: bias \u22122.5, limits "
        "\u22126.2 to 1.2 mL/kg/min; 0 of the pairs lie outside the limits."
    )


def test_alternative_text_of_a_single_pair(pairs, limits):
    far = pairs.iloc[:1].assign(field=pairs["lab"].iloc[0] + 50)
    text = words_of(differences_caption(far, limits))
    assert "their mean, 1 pair of 1 athlete: bias" in text
    assert text.endswith("1 of the pairs lies outside the limits.")


def test_lines_without_points_stand_on_no_scale_of_fitness(pairs, limits, ax):
    plot_differences(pairs, limits, points=False, ax=ax)
    assert list(ax.get_xticks()) == []
    assert ax.get_xlabel() == ""
