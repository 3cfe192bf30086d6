"""The page made of an executed notebook: structure, safety, nothing from a network."""

import re
from html.parser import HTMLParser
from itertools import pairwise

import nbformat.v4 as nb
import pytest

from agreement.figures.estimates import ABSENT, Caption
from agreement.report.page.html import notebook_page
from agreement.report.page.markup import fold, lines, table
from agreement.report.page.pictures import drawing, picture


class Outline(HTMLParser):
    """What a screen reader would meet: elements with their attributes, in order."""

    def __init__(self, html):
        super().__init__()
        self.elements = []
        self.feed(html)

    def handle_starttag(self, tag, attributes):
        self.elements.append((tag, dict(attributes)))

    def all(self, *tags):
        return [(tag, attributes) for tag, attributes in self.elements if tag in tags]


def shown(html, tag=None):
    output = nb.new_output("execute_result", {"text/html": html, "text/plain": "x"})
    return nb.new_code_cell("show()", outputs=[output], metadata={"tags": [tag]} if tag else {})


def falling(ax):
    ax.plot([0, 1], [1, 0])


@pytest.fixture(scope="module")
def page():
    drawn = picture(
        "line <1>",
        drawing(falling),
        Caption("structural", {"slope": ABSENT}).of('a "finding" < all & more'),
    )
    cells = [
        nb.new_markdown_cell("# The <question>"),
        nb.new_code_cell("study = 'secret code'", metadata={"tags": ["parameters"]}),
        shown("<p>title</p>", "header"),
        shown('<div id="verdict"><p>Not met.</p></div>', "verdict"),
        nb.new_markdown_cell("## First\n\nA *term* explained. <script>alert(1)</script>"),
        shown(table("Numbers", ["a", "b"], [("x", "1"), ("y", "")], numeric=["b"]).html),
        shown(drawn.block.html),
        nb.new_markdown_cell("## First"),
        shown(table("Wide", list("abcdefgh"), [tuple("12345678")]).html, "details"),
        nb.new_code_cell("1", outputs=[nb.new_output("stream", name="stdout", text="<b>said</b>")]),
    ]
    return notebook_page(nb.new_notebook(cells=cells), "study <x>")


@pytest.fixture(scope="module")
def outline(page):
    return Outline(page)


def test_language_title_and_landmarks(page, outline):
    assert outline.all("html")[0][1]["lang"] == "en"
    assert "<title>study &lt;x&gt;</title>" in page
    assert [len(outline.all(tag)) for tag in ("header", "main", "nav")] == [1, 1, 1]


def test_one_first_heading_and_no_level_skipped(outline):
    levels = [int(tag[1]) for tag, _ in outline.all("h1", "h2", "h3", "h4")]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_the_verdict_is_the_first_thing_in_the_main_region(page):
    main = page.index('<main id="main">') + len('<main id="main">')
    assert page[main:].lstrip().startswith('<div id="verdict">')


def test_ids_are_unique_and_links_lead_to_them(outline):
    ids = [attributes["id"] for _, attributes in outline.elements if "id" in attributes]
    assert len(ids) == len(set(ids))
    targets = [attributes["href"] for _, attributes in outline.all("a")]
    assert set(targets) <= {f"#{name}" for name in ids}
    assert "#section-first-2" in targets


def test_tables_have_captions_and_scopes(outline):
    assert len(outline.all("caption")) == len(outline.all("table"))
    assert {attributes.get("scope") for _, attributes in outline.all("th")} == {"col", "row"}


def test_a_wide_table_scrolls_in_a_frame_that_the_keyboard_reaches(outline):
    frames = [a for _, a in outline.all("div") if a.get("class") == "scroll"]
    assert frames == [{"class": "scroll", "tabindex": "0", "role": "region", "aria-label": "Wide"}]


def test_the_cells_of_a_wide_table_know_their_heads_on_a_phone():
    heads = ["athlete", "a; b: 'c'", "</style>", *"def"]
    html = table("Six", heads, [["x"] * 6]).html
    style = re.search(r'class="stacks" style="([^"]*)"', html)[1]
    assert style.startswith(
        r"--h2: &#39;a\3b  b\3a  \27 c\27 &#39;; --h3:"
    )  # escaped, as CSS has it
    assert "</style" not in style
    assert "--h6: &#39;f&#39;" in style
    assert "stacks" not in table("Four", heads[:4], [["x"] * 4]).html
    assert "stacks" in table("Long", heads[:4], [["x", "y", "z", "a long text " * 9]]).html


def test_an_empty_cell_says_so(page):
    assert "not available" in page


def test_pictures_have_alternative_text(outline, page):
    (label,) = (a["aria-labelledby"] for _, a in outline.all("svg"))
    words = re.search(f'<span hidden="" id="{label}">(.*?)</span>', page)[1]
    assert words.startswith("a &#34;finding&#34; &lt; all &amp; more. Field against laboratory")


def test_details_are_folded_under_their_caption(page):
    assert "<details><summary>Wide</summary>" in page
    assert '<caption class="said">Wide</caption>' in page  # heard, for it is read above


def test_a_table_in_a_fold_keeps_a_caption_that_its_summary_does_not_say():
    one, two = (table(name, ["a", "b"], [("x", "1")]) for name in ("Limits", "Slopes"))
    html = fold("Limits", one, two).html
    assert '<caption class="said">Limits</caption>' in html
    assert "<caption>Slopes</caption>" in html


@pytest.mark.parametrize(
    ("names", "summaries"), [("A", ["A: 3"]), ("AB", ["Details", "A: 3", "B: 3"])]
)
def test_folds_are_folded_once_and_not_under_the_name_of_the_first(names, summaries):
    folds = "".join(fold(f"{one}: 3", table(one, ["a"], [("x",)])).html for one in names)
    cells = [nb.new_markdown_cell("## Inputs"), shown(folds, "details")]
    page = notebook_page(nb.new_notebook(cells=cells), "study")
    assert re.findall("<summary>(.*?)</summary>", page) == summaries


def test_code_stays_in_the_notebook(page):
    assert "secret code" not in page
    assert "show()" not in page


def test_text_cannot_become_markup(page, outline):
    assert outline.all("script") == []
    assert "&lt;script&gt;" in page
    assert "&lt;b&gt;said&lt;/b&gt;" in page
    assert "The &lt;question&gt;" in page


def test_nothing_is_loaded(outline):
    sources = [a.get("src", "data:") for _, a in outline.all("img", "iframe", "link", "script")]
    assert all(source.startswith("data:") for source in sources)
    assert outline.all("link", "iframe") == []


def test_columns_of_words_are_told_from_short_ones_by_their_longest_line():
    cells = ("x", "met", "a b", lines("first: undecided", "2: met"), "a reason of many words " * 3)
    html = table("t", list("abcde"), [cells]).html
    assert re.findall(r"<td(?: class=\"(\w*)\")?>", html) == ["", "", "words", "long"]
