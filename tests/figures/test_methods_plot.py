"""The first chart draws every method at the numbers it is given, the closest on top."""

import numpy as np
import pandas as pd
import pytest
from printed import words_of

from agreement.figures.canvas import blank, svg_text
from agreement.figures.layout import settle
from agreement.figures.methods import method_rows, methods_caption, methods_height, plot_methods
from agreement.figures.theme import house_style

NAN = np.nan


def row(analysis, method, statistic, value, low=NAN, high=NAN, *, n=20, note="", group="all"):
    return {
        "analysis": analysis,
        "method": method,
        "mode": "run",
        "group": group,
        "statistic": statistic,
        "value": value,
        "low": low,
        "high": high,
        "n": n,
        "note": note,
    }


@pytest.fixture
def results():
    far, near = "far", "near"
    return pd.DataFrame(
        [
            row("limits_of_agreement", far, "bias", -3.0, -4.0, -2.0),
            row("limits_of_agreement", far, "lower_limit", -9.0, -11.0, -8.0),
            row("limits_of_agreement", far, "upper_limit", 3.0, 2.0, 90.0),
            row("limits_of_agreement", far, "bias", 5.5, group="chest_strap"),
            row("net_of_laboratory", far, "own_lower_limit", -7.0, -8.0, -6.0),
            row("net_of_laboratory", far, "own_upper_limit", 1.0, 0.0, 2.0),
            row("no_method", far, "constant_half_width", 8.0),
            row("error", far, "rmse", 4.5),
            row("verdict", far, "within_margin", 0.0, note="not acceptable; skewed; true value"),
            row("limits_of_agreement", near, "bias", 0.5, -0.5, 1.5, n=8),
            row("limits_of_agreement", near, "lower_limit", NAN, n=8, note="too_few"),
            row("limits_of_agreement", near, "upper_limit", NAN, n=8, note="too_few"),
            row("error", near, "rmse", 2.5, n=8),
            row("verdict", near, "within_margin", NAN, n=8, note="undecided; too_few"),
            row("limits_of_agreement", "nobody", "bias", NAN, n=0),
        ]
    )


def lines_by_id(ax):
    return {line.get_gid(): line for line in ax.lines if line.get_gid()}


def test_the_method_of_smallest_rmse_stands_on_top_and_those_without_pairs_are_left_out(results):
    assert [one.method for one in method_rows(results)] == ["near", "far"]


def test_limits_own_limits_and_constant_stand_at_their_numbers(results, ax):
    plot_methods(results, margin=3.5, noise=5.0, ax=ax)
    found = lines_by_id(ax)
    for key, drawn in (
        ("limits_of_agreement/far/run/all/bias", [-3.0]),
        ("limits_of_agreement/far/run/all/lower_limit", [-9.0]),
        ("limits_of_agreement/near/run/all/bias", [0.5]),
        ("net_of_laboratory/far/run/all/own_upper_limit", [1.0]),
        ("no_method/far/run/all/constant_half_width", [-8.0, 8.0]),
    ):
        assert list(found[key].get_xdata()) == drawn
    assert not any("chest_strap" in key or "near/run/all/upper" in key for key in found)
    assert {line.get_xdata()[0] for line in ax.lines if len(set(line.get_xdata())) == 1} >= {
        -3.5,
        3.5,
    }
    (noise,) = [patch for patch in ax.patches if patch.get_hatch()]
    assert (noise.get_x(), noise.get_x() + noise.get_width()) == (-5.0, 5.0)


def test_names_counts_and_verdicts_are_those_of_the_row(results, ax):
    plot_methods(results, labels={"far": "Wrist device A"}, ax=ax)
    at = {text.get_text(): round(text.xy[1]) for text in ax.texts}
    assert at["Wrist device A"] == at["n 20, not acceptable"] == 0
    assert at["near"] == at["n 8, undecided"] == 1


def test_a_long_name_ends_before_what_is_said_beside_it(results, ax):
    plot_methods(
        results, labels={"far": "Band worn on the upper arm by turns, second model"}, ax=ax
    )
    (name,) = (text.get_text() for text in ax.texts if text.get_text().startswith("Band"))
    assert name == "Band worn on the upper arm by turns, se\u2026"


def test_an_interval_without_end_in_sight_ends_in_an_arrow_and_leaves_room_to_read(results, ax):
    plot_methods(results, ax=ax)
    low, high = ax.get_xlim()
    assert high < 20
    heads = [line for line in ax.lines if line.get_marker() == ">"]
    assert [head.get_xdata()[0] for head in heads] == [high]
    assert low == -high


def test_names_stand_above_the_rows_and_nothing_beside_them(results):
    with house_style():
        figure, (ax,) = blank(methods_height(2))
        plot_methods(results, margin=3.5, ax=ax)
        settle(figure)
    assert {text.get_text() for text in ax.texts} >= {"far", "n 20, not acceptable"}
    panel = ax.get_position()
    assert panel.width > 0.9


@pytest.mark.parametrize("margin", [0.7, 2.0, 4.0, 5.0, 7.0])
def test_the_words_of_the_agreed_limits_do_not_lie_on_each_other(results, margin):
    with house_style():
        figure, (ax,) = blank(methods_height(2))
        plot_methods(results, margin=margin, ax=ax)
        settle(figure)
        drawn = figure.canvas.get_renderer()
        words = [text for text in ax.texts if text.get_text().startswith("agreed")]
        boxes = [text.get_window_extent(drawn) for text in words]
    assert len(boxes) == 1 or not boxes[0].overlaps(boxes[1])
    assert len(boxes) == (1 if margin <= 4.0 else 2)


def test_a_verdict_in_doubt_says_so_in_the_chart(results, ax):
    results.loc[results["note"].str.startswith("not"), "note"] = "not acceptable; in_doubt"
    plot_methods(results, margin=3.5, ax=ax)
    assert "n 20, not acceptable, in doubt" in {text.get_text() for text in ax.texts}
    assert "not acceptable, in doubt." in words_of(methods_caption(results))


def test_bytes_do_not_depend_on_the_order_of_rows(results):
    def drawn(table):
        with house_style():
            figure, (ax,) = blank()
            plot_methods(table, margin=3.5, ax=ax)
            settle(figure)
            return svg_text(figure)

    assert drawn(results) == drawn(results.sample(frac=1, random_state=3))


def test_alternative_text_names_methods_in_order_with_numbers_and_verdicts(results):
    shown = methods_caption(results, labels={"far": "Wrist device A"}, margin=3.5)
    assert words_of(shown) == (
        "Field minus laboratory in mL/kg/min, closest method first. The agreed limit is \u00b13.5. "
        "near (run, n 8): bias 0.5; undecided. Wrist device A (run, n 20): bias \u22123.0, limits "
        "\u22129.0 to 3.0, net of the laboratory \u22127.0 to 1.0; not acceptable."
    )


def test_an_order_is_not_named_where_an_error_is_withheld(results):
    told = results.copy()
    told.loc[(told["statistic"] == "rmse") & (told["method"] == "near"), "value"] = np.nan
    assert [one.method for one in method_rows(told)] == ["far", "near"]
    assert "on top" not in words_of(methods_caption(told), "caption")
    assert "first" not in words_of(methods_caption(told))


@pytest.mark.parametrize(
    ("methods", "said"),
    [
        (["near"], "of the method: bias with its 95 % interval; too few athletes for limits."),
        (
            ["far"],
            "bias and the limits that hold 95 % of differences, each with its 95 % interval.",
        ),
        (["near", "far"], "Where there are no limits the athletes are too few."),
    ],
)
def test_the_caption_speaks_of_limits_only_where_they_are_drawn(results, methods, said):
    some = results[results["method"].isin(methods)]
    assert words_of(methods_caption(some), "caption").endswith(said)


def test_a_study_without_pairs_is_an_empty_frame_and_says_so(results, ax):
    nobody = results[results["method"] == "nobody"]
    plot_methods(nobody, margin=3.5, noise=None, ax=ax)
    assert words_of(methods_caption(nobody)) == "No method has a pair to show."
