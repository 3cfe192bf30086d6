"""What may be inferred, drawn: structural line, matrix of methods, one athlete's own correction."""

from datetime import date, timedelta
from xml.etree import ElementTree as ET

import numpy as np
import pandas as pd
import pytest
from matplotlib.collections import PathCollection, QuadMesh
from printed import words_of

from agreement.figures.canvas import blank
from agreement.figures.closer import closer_caption, plot_closer
from agreement.figures.colours import BAND, WASH
from agreement.figures.estimates import Estimate
from agreement.figures.key import facet, key_of
from agreement.figures.regression import plot_structural, structural_caption
from agreement.figures.theme import house_style
from agreement.figures.weeks import weeks_caption, weeks_svg

NAN = np.nan


def slope(low, high):
    row = {"analysis": "structural", "method": "m", "mode": "run", "group": "all"}
    return pd.DataFrame([row | {"statistic": "slope", "value": 0.8, "low": low, "high": high}])


def test_the_structural_line_runs_through_the_means_with_its_slope(pairs, ax):
    plot_structural(pairs, slope(0.6, 1.1), ax=ax)
    (line,) = [one for one in ax.lines if one.get_gid() == "structural/m/run/all/slope"]
    x, y = line.get_data()
    assert (y[-1] - y[0]) / (x[-1] - x[0]) == pytest.approx(0.8)
    assert np.interp(pairs["lab"].mean(), x, y) == pytest.approx(pairs["field"].mean())


@pytest.mark.parametrize(("high", "word"), [(1.1, "to 1.10"), (NAN, "at least 0.60")])
def test_an_end_that_the_data_did_not_set_is_open_and_said(pairs, high, word, ax):
    plot_structural(pairs, slope(0.6, high), ax=ax)
    (band,) = [c for c in ax.collections if not isinstance(c, PathCollection)]
    edge = band.get_paths()[0].vertices
    top = edge[np.isclose(edge[:, 0], edge[:, 0].max()), 1].max()
    rise = edge[:, 0].max() - pairs["lab"].mean()
    if np.isfinite(high):
        assert top == pytest.approx(pairs["field"].mean() + high * rise)
    else:
        assert top > ax.get_ylim()[1]
    assert word in words_of(structural_caption(slope(0.6, high)))


def closer(rows):
    columns = ["method", "value", "low", "high"]
    frame = pd.DataFrame(rows, columns=columns)
    return frame.assign(analysis="closer", mode="run", group="all", statistic="rmse_ratio")


@pytest.fixture
def ratios():
    return closer(
        [("a vs b", 0.8, 0.6, 0.95), ("a vs c", 0.5, 0.4, 0.6), ("b vs c", 0.9, 0.7, 1.2)]
    )


def test_the_matrix_gives_row_over_column_and_shades_what_is_shown(ratios, ax):
    plot_closer(ratios, ["a", "b", "c"], mode="run", labels={"c": "Third"}, ax=ax)
    words = {tuple(np.floor(text.get_position()).astype(int)): text.get_text() for text in ax.texts}
    assert words[0, 0] == "1.25\n1.05 to 1.67\ncolumn\nis closer"  # b over a: 1 / 0.8
    assert words[0, 1].startswith("2.00\n")  # c over a
    assert words[1, 1].endswith("not told\napart")  # c over b
    assert (1, 0) not in words or words[1, 0] == ""
    (mesh,) = [c for c in ax.collections if isinstance(c, QuadMesh)]
    assert mesh.get_array().compressed().tolist() == [1.0, 1.0, 0.0]
    assert list(mesh.cmap.colors) == [WASH, BAND]
    assert [label.get_text() for label in ax.get_yticklabels()] == ["b", "Third"]


def test_the_matrix_says_in_words_who_is_closer(ratios):
    assert words_of(closer_caption(ratios, ["a", "b", "c"], mode="run")) == (
        "Methods compared on the same tests: a is closer than b (error of a over that of b: 0.80); "
        "a is closer than c (error of a over that of c: 0.50); 1 of 3 pairs of methods is not told apart."
    )


def test_an_interval_without_1_that_the_joint_test_does_not_bear_out_tells_nothing_apart(
    ratios, ax
):
    p = ratios[:1].assign(statistic="p_rmse_joint", value=0.0712)
    both, order = pd.concat([ratios, p]), ["a", "b", "c"]
    plot_closer(both, order, mode="run", ax=ax)
    assert "1.25\n1.05 to 1.67\nnot told\napart" in [text.get_text() for text in ax.texts]


def test_a_single_method_has_no_matrix_and_says_so(ax):
    nobody = closer([])
    plot_closer(nobody, ["a"], mode="run", ax=ax)
    assert words_of(closer_caption(nobody, ["a"], mode="run")).startswith("No two methods")


def test_weeks_stand_at_their_days_with_the_laboratory_among_them():
    day = date(2026, 3, 1)
    field = [
        (day + timedelta(days=gap), value) for gap, value in ((7, 52.0), (0, 51.0), (-7, 50.0))
    ]
    told = weeks_svg(field, [(day, 55.0)], half_width=5.0, equivalent=Estimate(54.0, 50.0, 58.0))
    svg = ET.fromstring(told)
    points = [
        (float(one.get("cx")), float(one.get("cy")), one[0].text) for one in svg.iter("circle")
    ]
    assert [words for *_, words in points] == [
        "field value, 2026-02-22: 50.0",
        "field value, 2026-03-01: 51.0",
        "field value, 2026-03-08: 52.0",
    ]
    (x, y), steps = np.array([point[:2] for point in points]).T, np.arange(3.0)
    assert np.corrcoef(x, steps)[0, 1] == pytest.approx(1, abs=1e-4)
    assert np.corrcoef(y, -steps)[0, 1] == pytest.approx(1, abs=1e-4)  # written to a tenth
    (band,) = [one for one in svg.iter("rect") if one.get("opacity")]
    per_unit = (y[0] - y[2]) / 2
    assert float(band.get("height")) == pytest.approx(10 * per_unit, abs=0.2)  # 5 each way
    words = [one.text for one in svg.iter("text")]
    assert "laboratory 55.0" in words
    assert "2026-03-01" in words
    shown = weeks_caption([value for _, value in field], 55.0, Estimate(54.0, 50.0, 58.0))
    assert words_of(shown) == (
        "Laboratory value 55.0 mL/kg/min among 3 field values of 50.0 to 52.0; as a laboratory "
        "test would read: 54.0 (50.0 to 58.0)."
    )


def test_of_thousands_of_values_the_span_of_each_day_is_drawn_and_all_are_counted():
    first, rng = date(2026, 3, 1), np.random.default_rng(1)
    field = [(first + timedelta(days=i % 40), v) for i, v in enumerate(rng.normal(50, 2, 4000))]
    told = weeks_svg(field, [(first, 50.0)])
    of_day = pd.DataFrame(field, columns=["day", "value"]).groupby("day")["value"]
    assert told.count("<circle") == 3 * 40
    for day, highest in of_day.max().items():
        assert f"{day}: {highest:.1f}</title>" in told
    assert "among 4000 field values" in words_of(weeks_caption([v for _, v in field], 50.0))


def test_one_day_alone_and_no_noise_are_drawn_too():
    day = date(2026, 3, 1)
    told = weeks_svg([(day, 50.0)], [(day, 50.0)], name="a <b>")
    assert "a &lt;b&gt;, 2026-03-01: 50.0" in told
    assert "nan" not in told
    with pytest.raises(ValueError, match="needs one laboratory test"):
        weeks_svg([(day, 50.0)], [])


def test_panels_have_the_same_axes_their_slopes_and_one_key():
    with house_style():
        _, axes = blank(panels=2)
        for ax, lowest in zip(axes, (40.0, 55.0), strict=True):
            lab = lowest + np.arange(6.0)
            plot_structural(pd.DataFrame({"lab": lab, "field": lab}), slope(0.6, 1.1), ax=ax)
        facet(axes, ["Device A", "Device B"])
    first, second = axes
    assert first.get_xlim() == second.get_xlim()
    assert first.get_ylim() == second.get_ylim() == first.get_xlim()
    assert first.get_ylim()[0] < 40
    assert second.get_ylim()[1] > 60
    assert [ax.get_title(loc="left") for ax in axes] == ["Device A", "Device B"]
    assert all("slope 0.80" in {text.get_text() for text in ax.texts} for ax in axes)
    assert key_of(first) is None
    assert "net of the laboratory's noise" in key_of(second).entries
