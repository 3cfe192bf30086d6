"""
Turn an executed notebook into one page that needs nothing else.

One column, readable on a phone, on paper and by a screen reader: landmarks, one first heading,
a list of contents, code left to the notebook, no script, nothing from a network. What cells may
carry: the tags `header` (goes above the main region), `verdict` (first in it) and `details`
(folded away).
"""

import re
from collections.abc import Sequence
from importlib.resources import files
from typing import Any

from markupsafe import Markup

from agreement.errors import visible
from agreement.figures.inline import figure_css
from agreement.report.page.markup import Block, Text, bullets, element, fold, unparted

_FOLDED = element("p", "What is folded away in report.html is not on paper.", class_="paper note")

_NEXT = Markup("\n")
MOST_UNFOLDED = 2  # of an explanation that is not folded


class PageDraft:
    """The page under construction: header, lead, and sections with their headings."""

    def __init__(self) -> None:
        self.title = Markup("")  # of the notebook; a header with a first heading of its own wins
        self.header: list[str] = []
        self.lead: list[str] = []
        self.sections: list[list[str]] = []
        self.headings: list[tuple[str, Text]] = []  # anchor, text

    def add(self, piece: Text, tags: Sequence[str] = ()) -> None:
        """Put a piece where its tags say, else at the end of the open section."""
        html = Block(piece).html
        if "header" in tags:
            self.header.append(html)
        elif "verdict" in tags or not self.sections:
            self.lead.append(html)
        else:
            own, inner, more = html.partition("<details")
            folded = bool(inner) and not own.strip() and "<details" not in more  # already
            if "details" in tags and not folded:  # under its own caption, of no part folded in it
                found = re.search(r"<caption>(.*?)</caption>", own, flags=re.DOTALL)
                html = fold(Markup(found[1]) if found else "Details", Block(html)).html
            self.sections[-1].append(html)

    def open_section(self, heading: Text) -> None:
        """Begin a section with a second-level heading; its id is made of the words, used once."""
        plain = re.sub(r"<[^>]+>|&\w+;", "", Block(heading).html).lower()
        stem = "section-" + re.sub(r"[^a-z0-9]+", "-", plain).strip("-")
        anchor, number, taken = stem, 2, {anchor for anchor, _ in self.headings}
        while anchor in taken:
            anchor, number = f"{stem}-{number}", number + 1
        self.headings.append((anchor, heading))
        self.sections.append([element("h2", heading, id=anchor)])

    def html(self, title: str, day: str = "") -> str:
        """Return the whole page."""
        kept = [place for place, parts in enumerate(self.sections) if len(parts) > 1]
        self.headings = [self.headings[place] for place in kept]
        self.sections = [self.sections[place] for place in kept]  # a heading alone is none
        sections = (
            element("section", _NEXT.join(["", *parts, ""]), aria_labelledby=anchor)
            for (anchor, _), parts in zip(self.headings, self.sections, strict=True)
        )
        links = (element("a", heading, href=f"#{anchor}") for anchor, heading in self.headings)
        inside = (element("h2", "Contents", id="contents"), bullets(links, "ol"))
        several = len(self.headings) > 1
        contents = element("nav", *inside, aria_labelledby="contents") if several else ""
        body = _NEXT.join([*self.lead, contents, *sections])
        header = _NEXT.join(self.header)
        header = header if "<h1" in header else _NEXT.join([self.title, header])
        return whole_page(title, header, body, day=day)


def whole_page(
    title: str, header: Text, body: Text, skip_to: str = "Skip to the answer", day: str = ""
) -> str:
    """Return a document that needs nothing else; `day`: its date."""
    around, style = (
        (files("agreement.report") / f"page.{kind}").read_text(encoding="utf-8")
        for kind in ("html", "css")
    )
    said, date = (  # on every printed page; a style holds no letter that could end it
        "".join(c if c.isalnum() or c == " " else f"\\{ord(c):x} " for c in text)
        for text in (title, day)
    )
    small = "font: 8pt Helvetica, Arial, sans-serif; color: #4a5763;"
    running = (
        f'@page {{ @top-left {{ content: "{said}"; {small} }} '
        f'@top-right {{ content: "{date}"; {small} }} '
        f'@bottom-right {{ content: "page " counter(page) " of " counter(pages); {small} }} }}'
    )
    page = Markup(around).format(
        title=title,
        running=Markup(running),
        style=Markup(style + figure_css(dark=True)),
        header=header,
        skip_to=skip_to,
        body=body,
        paper=_FOLDED if "<details" in Block(body).html else "",
    )
    return unparted(visible(page))  # marks of direction in a title would turn a sentence round


def notebook_page(notebook: Any, title: str, day: str = "") -> str:
    """Return an executed notebook as a page; its first markdown cell holds the first heading."""
    from markdown_it import MarkdownIt

    markdown = MarkdownIt("commonmark", {"html": False})
    page = PageDraft()
    added = 0  # pieces that the words before a cell have put into the open section
    for cell in _speaking(notebook["cells"]):
        tags = cell["metadata"].get("tags", [])
        if cell["cell_type"] == "markdown":
            added = _add_markdown(page, markdown.render(cell["source"]), tags)
        elif cell["cell_type"] == "code":
            shown = [_output_html(output) for output in cell["outputs"]]
            if shown and added and not any(shown):
                del page.sections[-1][-added:]  # words about nothing
            for piece in filter(None, shown):
                page.add(piece, tags)
            added = 0
    return page.html(title, day)


def _speaking(cells: list[Any]) -> list[Any]:
    """Leave out headings whose code ran and showed nothing: a section without data fills no page."""
    parts: list[list[Any]] = []
    for cell in cells:
        if cell["cell_type"] == "markdown" or not parts:
            parts.append([])
        parts[-1].append(cell)
    kept: list[Any] = []
    below = False  # whether anything is shown under the next heading of level 2
    for part in reversed(parts):
        ran = [one for cell in part[1:] if cell["cell_type"] == "code" for one in cell["outputs"]]
        silent = bool(ran) and not any(map(_output_html, ran))
        level_2 = part[0]["cell_type"] == "markdown" and part[0]["source"].startswith("## ")
        if not silent or (level_2 and below):
            kept = part + kept
        below = not level_2 and (below or not silent)
    return kept


def _add_markdown(page: PageDraft, html: str, tags: list[str]) -> int:
    """Split rendered markdown at its headings of level 1 and 2; return pieces in the last section."""
    before = len(page.sections[-1]) if page.sections else 0
    for part in re.split(r"(?=<h[12]>)", html):
        heading = re.match(r"<h([12])>(.*?)</h\1>\s*", part, flags=re.DOTALL)
        if heading is None:
            body = part
        elif heading[1] == "1":
            page.title = element("h1", Markup(heading[2]))
            body = part[heading.end() :]
        else:
            page.open_section(Markup(heading[2]))
            before = 1
            body = part[heading.end() :]
        if text := body.strip():
            if page.sections:
                text = _folded_words(text)
            page.add(Markup(text), tags if page.sections or tags else ["header"])
    return len(page.sections[-1]) - before if page.sections else 0


def _folded_words(html: str) -> str:
    """Fold the rest of an explanation away where it is longer than two sentences."""
    heading = "".join(re.findall(r"\A<h[3-6]>.*?</h[3-6]>\s*", html, flags=re.DOTALL))
    paragraphs = html[len(heading) :]
    sentences = re.split(r"(?<=[.:])\s+(?=[A-Z<])", paragraphs)
    if len(sentences) <= MOST_UNFOLDED:
        return html
    folded = fold("What the words mean", Block(Markup(f"\n{paragraphs}\n")), kind="words")
    return f"{heading}{folded.html}"


def _output_html(output: Any) -> Markup:
    """Return one output as HTML: as it is, or its text."""
    if output["output_type"] == "stream":
        return element("pre", output["text"])
    if output["output_type"] not in ("display_data", "execute_result"):
        return Markup("")
    if "text/html" in output["data"]:
        return Markup(output["data"]["text/html"]).strip()
    return element("pre", output["data"].get("text/plain", ""))
