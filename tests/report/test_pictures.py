"""Figures of a report as files and as markup."""

import re

import pytest

from agreement.figures.estimates import ABSENT, Caption
from agreement.report.page.pictures import Album, drawing, picture
from agreement.tables.options import ReportOptions

CAPTION = Caption("structural", {"slope": ABSENT, "name": "m"})


def line(ax):
    ax.plot([0, 1])


@pytest.fixture(scope="module")
def drawn():
    return picture("line/1", drawing(line), CAPTION)


@pytest.mark.parametrize("png", [False, True])
def test_png_files_are_written_on_request_only(drawn, tmp_path, png):
    album = Album(tmp_path / "figures", png=png)
    album.keep(drawn)
    album.keep(drawn)  # a second figure of that name
    names = {f"line_1{n}.{form}" for n in ("", "-2") for form in ("svg", *(["png"] * png))}
    assert {path.name for path in (tmp_path / "figures").iterdir()} == names


def test_an_album_without_folder_writes_nothing(drawn, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    album = Album(None, png=True)
    album.keep(drawn)
    assert not list(tmp_path.iterdir())


def test_a_figure_is_drawn_once_as_wide_as_a_phone(drawn):
    html = drawn.block.html
    assert html.count("<svg") == 1
    assert '<div class="drawn"><svg viewBox="0 0 259.2 216"' in html
    assert "<figcaption>Field against laboratory values of each method" in html


def test_panels_stand_in_the_page_one_by_one_each_told(tmp_path):
    two = picture(
        "two",
        [drawing(line, panel=place) for place in (0, 1)],
        [CAPTION.of("first & line"), CAPTION.of("second line")],
        panels=2,
    )
    html = two.block.html
    assert html.count("<svg") == 2
    assert 'class="drawn panels"' in html
    first, second = (html.index(f">{one} line. Field") for one in ("first &amp;", "second"))
    assert first < html.rindex("<svg") < second
    assert two.alt.count("points only") == 2
    Album(tmp_path).keep(two)
    assert (tmp_path / "two.svg").read_text().count("<svg") == 1  # one file


def test_figures_for_a_paper_are_as_wide_as_its_column_and_the_same_twice(tmp_path):
    """MediaBox is the page's size in points of 1/72 inch: ISO 32000-1, table 30 and 8.3.2.3."""
    for folder in ("one", "two"):
        album = Album(tmp_path / folder, ReportOptions(figures_pdf_mm=85))
        album.keep(picture("a", drawing(line), CAPTION))
    one, two = ((tmp_path / folder / "a.pdf").read_bytes() for folder in ("one", "two"))
    assert one == two
    box = re.search(rb"/MediaBox \[ ?0 0 ([\d.]+) ([\d.]+) ?\]", one)
    assert float(box[1]) == pytest.approx(85 / 25.4 * 72, abs=0.01)
