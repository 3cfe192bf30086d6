"""The house style: leaves no trace, holds in grey, gives the same bytes."""

import colorsys
import re
from io import StringIO
from itertools import pairwise

import matplotlib as mpl
import pytest

from agreement.figures.canvas import READY, blank, make_ready, measured, png_bytes, svg_text
from agreement.figures.colours import FIELD, INK, MARGIN, MARKS, NOISE, SOFT
from agreement.figures.layout import settle
from agreement.figures.theme import house_style, marks_for
from agreement.terms import plain


def luminance(colour):
    """Relative luminance as the web content accessibility guidelines define it (memory)."""
    channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("colour", [INK, SOFT, FIELD, MARGIN, NOISE])
def test_text_on_white_has_a_contrast_of_at_least_4_5(colour):
    assert 1.05 / (luminance(colour) + 0.05) >= 4.5


@pytest.mark.parametrize("mark", MARKS)
def test_graphic_parts_have_a_contrast_of_at_least_3(mark):
    assert 1.05 / (luminance(mark.colour) + 0.05) >= 3.0


def test_every_group_has_its_own_marker_line_and_colour():
    for part in ("marker", "line", "colour"):
        assert len({getattr(mark, part) for mark in MARKS}) == len(MARKS)


def test_neighbouring_groups_differ_in_hue_or_lightness():
    for one, other in pairwise(MARKS):
        a, b = (
            colorsys.rgb_to_hls(*(int(c.colour[i : i + 2], 16) / 255 for i in (1, 3, 5)))
            for c in (one, other)
        )
        assert abs(a[0] - b[0]) > 0.05 or abs(a[1] - b[1]) > 0.1


def test_the_callers_settings_return():
    before = dict(mpl.rcParams)
    with house_style():
        assert mpl.rcParams["svg.hashsalt"] == "agreement"
    assert dict(mpl.rcParams) == before


def test_a_block_in_a_block_ends_nothing():
    before = dict(mpl.rcParams)
    with house_style():
        with house_style():
            pass
        assert mpl.rcParams["svg.hashsalt"] == "agreement"
    assert dict(mpl.rcParams) == before


def test_a_settings_file_of_the_reader_changes_nothing():
    def drawn():
        with house_style():
            figure, (ax,) = blank()
            ax.plot([0, 1], [1, 0], gid="bias")
            settle(figure)
            return svg_text(figure)

    first = drawn()
    with mpl.rc_context({"lines.linewidth": 9, "font.size": 30}):
        assert drawn() == first


def test_a_figure_made_before_it_is_asked_for_is_drawn_the_same():
    def drawn():
        figure, (ax,) = blank(height=2.0)
        ax.plot([0, 1], [1, 0], label="<a> & b")
        ax.set(xlabel="heart & lung", title="day")
        settle(figure)
        return svg_text(figure)

    with house_style():
        READY.clear()  # what other tests left there
        anew = drawn()
        measured.cache_clear()
        try:
            make_ready(lambda: len(READY) == 1, [anew])
            assert measured.cache_info().currsize > 2
            assert measured.cache_info().misses == measured.cache_info().currsize
            assert drawn() == anew
            assert not READY
        finally:
            READY.clear()
    assert "heart &amp; lung" in anew


def test_lines_of_text_are_as_high_as_matplotlib_has_them():
    """By matplotlib's own drawing, which asks the font anew for each text."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    with house_style():
        figure, (ax,) = blank()
        ax.text(0.5, 0.5, "one\ntwo", va="top", fontsize=8.5, linespacing=1.3)
        settle(figure)
        ours, theirs = svg_text(figure), StringIO()
        FigureCanvasSVG(figure).print_svg(theirs, metadata={"Date": None, "Creator": None})
    assert re.findall(r"<text.*", ours) == re.findall(r"<text.*", theirs.getvalue())


def test_svg_carries_ids_and_no_date():
    with house_style():
        figure, (ax,) = blank()
        ax.plot([0, 1], [1, 0], gid="limits_of_agreement/m/run/all/bias")
        settle(figure)
        text = svg_text(figure)
    assert 'id="limits_of_agreement/m/run/all/bias"' in text
    assert "dc:date" not in text


def test_png_has_the_size_of_print():
    with house_style():
        figure, _ = blank(height=2.0)
        settle(figure)
        png = png_bytes(figure)
    width, height = (int.from_bytes(png[place : place + 4], "big") for place in (16, 20))
    assert (width, height) == (1080, 600)  # 3.6 x 2.0 inches at 300 dots per inch


def test_marks_repeat_only_after_the_last():
    groups = [f"g{i}" for i in range(len(MARKS) + 1)]
    marks = marks_for(groups)
    assert marks["g0"] == marks[groups[-1]] == MARKS[0]


def test_numbers_have_a_real_minus_and_no_minus_zero():
    assert (plain(-0.04), plain(-1.26), plain(3.0, 0)) == ("0.0", "\u22121.3", "3")


def test_the_frame_stands_at_the_edges_of_its_panel():
    with house_style():
        figure, (ax,) = blank()
        ax.plot([40.0, 60.0], [-12.0, 9.0])
        settle(figure)
        drawn = svg_text(figure)
    foot = 72 * figure.get_figheight() - ax.bbox.y0  # an SVG counts from the top
    frame = re.findall(r'id="patch_[34]">\s*<path d="M ([\d.]+) ([\d.]+)', drawn)
    assert [float(x) for x, _ in frame] == pytest.approx([ax.bbox.x0] * 2, abs=0.01)
    assert [float(y) for _, y in frame] == pytest.approx([foot] * 2, abs=0.01)
