"""A figure in a page: small, told, in the page's colours, and without clashes of ids."""

import re
from xml.etree import ElementTree as ET

import pytest

from agreement.figures.canvas import blank, svg_text, tell_points
from agreement.figures.colours import FIELD, INK, PAPER
from agreement.figures.inline import _PALETTE, figure_css, inline_svg
from agreement.figures.layout import settle
from agreement.figures.theme import house_style

WORDS = ['A01 <b> & "c", 2026-01-02', "A02", "A03"]


def drawn(told):
    with house_style():
        figure, (ax,) = blank()
        points = ax.scatter([1, 2, 3], [3, 1, 2], color=[INK, FIELD, INK])
        ax.axhspan(1, 2, facecolor="none", edgecolor=FIELD, hatch="//")
        if told:
            tell_points(points, WORDS)
        settle(figure)
        return svg_text(figure)


def inlined(svg, *, name="one", alts=("x",), tops=()):
    return "".join(inline_svg(svg, name=name, alts=alts, tops=tops))


def places(root):
    """Title and place of each point that has one."""
    found = []
    for group in root.iter():
        titles = [child for child in group if child.tag.endswith("title")]
        if titles:
            use = next(e for e in group.iter() if e.tag.endswith("use"))
            found.append((titles[0].text, float(use.get("x"))))
    return found


@pytest.mark.parametrize("make", [str, lambda svg: inlined(svg)])
def test_each_point_tells_its_own_words(make):
    found = places(
        ET.fromstring(make(drawn(told=True)).replace(' href="#', ' link="#').partition("<span")[0])
    )
    assert [words for words, _ in found] == WORDS
    assert [x for _, x in found] == sorted(x for _, x in found)


def test_points_that_are_not_told_carry_nothing():
    svg = drawn(told=False)
    assert "<title" not in svg + inlined(svg)


def test_two_figures_on_one_page_share_no_id_and_refer_to_their_own():
    svg = drawn(told=False)
    page = inlined(svg) + inlined(svg, name="two")
    ids = re.findall(r' id="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    used = set(re.findall(r'href="#([^"]+)"', page)) | set(re.findall(r"url\(#([^)]+)\)", page))
    assert used | set(re.findall(r'labelledby="([^"]+)', page)) == set(ids)
    classes = set(re.findall(r'class="([^"]+)"', page))
    assert classes == set(re.findall(r"\.(f[0-9a-f]+-\d+){", page))


def test_house_colours_are_variables_that_default_to_themselves():
    text = inlined(drawn(told=False))
    assert f"var(--fig-field,{FIELD})" in text
    assert not re.search(rf"(?<!,){FIELD}|(?<!,){INK}", text)
    assert f"fill:var(--fig-paper,{PAPER})" in text


def test_a_dark_page_gets_a_colour_for_each_variable():
    css = figure_css(dark=True)
    assert "prefers-color-scheme:dark" in css
    assert "prefers-color-scheme" not in figure_css()
    assert all(f"--fig-{name}:{shade}" in css for name, shade in _PALETTE.values())


def luminance(colour):
    """Relative luminance as the web content accessibility guidelines define it (memory)."""
    channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("name", ["ink", "soft", "field", "margin", "noise", "own"])
def test_words_on_a_dark_page_have_a_contrast_of_at_least_4_5(name):
    dark = dict(_PALETTE.values())
    one, other = luminance(dark[name]), luminance(dark["hole"])
    assert (one + 0.05) / (other + 0.05) >= 4.5


def test_a_figure_in_a_page_is_smaller_than_its_file_and_told_to_those_who_do_not_see_it():
    svg = drawn(told=False)
    text = inlined(svg, alts=['bias "\u22122"'])
    assert len(text) < 0.7 * len(svg)
    told = re.search(r'role="img" aria-labelledby="([^"]+)"', text)[1]
    assert f'</svg><span hidden="" id="{told}">bias &#34;\u22122&#34;</span>' in text


def test_each_panel_is_an_element_of_its_own_told_in_its_own_words():
    """Each shows its own part, and what one refers to stands in one of them."""
    with house_style():
        figure, axes = blank(panels=2)
        for ax, colour in zip(axes, (INK, FIELD), strict=True):
            ax.scatter([1, 2, 3], [3, 1, 2], color=colour)
        axes[1].axhspan(1, 2, facecolor="none", edgecolor=FIELD, hatch="//")
        tops = settle(figure)
        svg = svg_text(figure)
    parts = inline_svg(svg, name="one", alts=["above", "below"], tops=tops)
    boxes = [[float(one) for one in re.search(r'viewBox="([^"]+)', p)[1].split()] for p in parts]
    assert boxes[0][1] == 0
    assert boxes[1][1] == boxes[0][3] == pytest.approx(tops[1], abs=0.05)
    assert boxes[1][1] + boxes[1][3] == pytest.approx(432, abs=0.1)  # 2 x 3 inches
    for part, (_, top, _, tall) in zip(parts, boxes, strict=True):
        heights = [float(y) for y in re.findall(r'<use [^>]*y="([\d.]+)"', part)]
        assert len(heights) > 3
        assert all(top <= y <= top + tall for y in heights)
    assert [">above</span>" in part for part in parts] == [True, False]
    ids = re.findall(r' id="([^"]+)"', "".join(parts))
    used = re.findall(r'(?:href="#|url\(#|labelledby=")([^")]+)', "".join(parts))
    assert len(ids) == len(set(ids))
    assert set(used) == set(ids)
