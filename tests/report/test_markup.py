"""Texts are escaped in one place, once, whatever a section does with them."""

import ast
import re
from pathlib import Path

import pytest
from markupsafe import Markup

import agreement.report
from agreement.report.page.markup import (
    Block,
    bullets,
    code,
    element,
    fold,
    heading,
    lines,
    paragraph,
    table,
)

REPORT = Path(agreement.report.__file__).parent
EVIL = '<img src=x onerror="a()"> & "b"'
# the frame of a page, a number with its key, what a page that is watched loads again
OF_MARKUP = {
    *("page/markup.py", "page/html.py", "page/numbers.py", "run/watch.py"),
    "privacy/sharing.py",  # takes the paragraphs of a template apart, for a plain text
}
PIECES = {
    "paragraph": lambda text: paragraph(text),
    "heading": lambda text: heading(text),
    "bullets": lambda text: bullets([text]),
    "summary": lambda text: fold(text, Block("")),
    "block": lambda text: Block(text),
    "cell": lambda text: table("c", ["a", "b"], [(text, text)]),
    "below one another": lambda text: paragraph(lines("first", text)),
    "in an element": lambda text: Block(element("b", text)),
}


@pytest.mark.parametrize("piece", PIECES.values(), ids=PIECES)
def test_a_text_is_escaped_once_and_markup_stands_as_it_is(piece):
    assert "&lt;img src=x onerror=&#34;a()&#34;&gt; &amp; " in piece(EVIL).html
    assert "<img" not in piece(EVIL).html
    inner = paragraph(EVIL)
    assert inner.html in piece(inner.html).html
    assert inner.html in piece(inner).html


def test_captions_heads_attributes_and_names_of_files_are_texts_too():
    shown = table(EVIL, [EVIL, "b", "c", "d"], [("1", "2", "3", "4")]).html
    assert shown.count("&lt;img") == 3  # caption, head, label of the frame
    assert "<img" not in shown
    assert "<img" not in code(EVIL)
    assert 'href="&lt;img src=x onerror=&#34;' in element("a", "x", href=EVIL)
    assert Block(Markup("<p>1</p>")).html == "<p>1</p>"


def test_nothing_is_escaped_by_hand_outside_one_module():
    found = {
        path.relative_to(REPORT).as_posix()
        for path in REPORT.rglob("*.py")
        if re.search(r"(?<!re\.)\bescape\(", path.read_text(encoding="utf-8"))
    }
    assert found == {"page/markup.py"}


def test_no_markup_is_written_outside_templates_and_the_frame_of_a_page():
    tags = re.compile(
        r"</?(p|div|span|details|summary|table|t[dhr]|[ou]l|li|code|strong|b|br|h\d)\b"
    )
    found = {
        path.relative_to(REPORT).as_posix()
        for path in REPORT.rglob("*.py")
        for node in ast.walk(without_docstrings(path))
        if isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and tags.search(node.value)
    }
    assert found <= OF_MARKUP


def without_docstrings(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    documented = ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef
    for node in ast.walk(tree):
        if isinstance(node, documented) and ast.get_docstring(node):
            node.body = node.body[1:] or [ast.Pass()]
    return tree


def test_no_cell_is_written_into_a_formatted_string():
    """It would be text from there on, and escaped: what a template holds stays markup."""
    of_cells = {"shown", "interval", "percent", "percent_interval", "with_interval", "stacked"}
    found = [
        f"{path.name}: {ast.unparse(node)}"
        for path in REPORT.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FormattedValue)
        and isinstance(node.value, ast.Call)
        and getattr(node.value.func, "attr", "") in of_cells
    ]
    assert not found


def test_a_date_in_a_cell_does_not_break_and_its_text_is_still_escaped():
    html = table("c", ("a", "b"), [("x", "<2026-03-05> & on")]).html
    assert '&lt;<span class="date">2026-03-05</span>&gt; &amp; on</td>' in html
