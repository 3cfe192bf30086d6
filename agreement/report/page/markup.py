"""
Pieces of a page: tables a screen reader can follow, and what notebooks show.

The only place that escapes: every function takes plain text, which is escaped here, once, and
markup or blocks, which stand as they are. A text of the study cannot be told for markup.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from markupsafe import Markup, escape

MOST_ROWS = 1000  # of one table: more can be read by nobody, and take gigabytes
SHORT, LONG = 14, 60  # letters of a cell that a phone gives room, and more room, to
MOST_COLUMNS = 3  # a wider table scrolls, on a phone, inside its own frame
MOST_BESIDE = 4  # a wider one has its cells below one another, on a phone; so have long texts
_WORDY: Final = re.compile(r'class="long"|class="words"(?:(?!</tr>).)*class="words"', re.DOTALL)
_DATE: Final = re.compile(r"\d{4}-\d\d-\d\d(?!T)")  # a moment stays as it is: `verify` looks for it
BREAK: Final = Markup("<br>")
_UNITS: Final = "mL/kg/min|mL/min|L/min|mL|%|kg|bpm|km/h|m/s|km|cm|m|min|s|h|W|\u00b0C|days?"
_PARTED: Final = re.compile(
    r"<(svg|style|pre|code)\b.*?</\1>|<[^>]*>"  # stand as they are
    rf"|\d(?:</\w+>)* (?=(?:{_UNITS})(?![\w/]))|% (?=intervals?\b|bands?\b)|\bp = (?=[\d<])",
    re.DOTALL,
)


def unparted(html: str) -> str:
    """
    Keep a number and its unit, and "95 % interval", from parting at the end of a line.

    >>> whole = unparted('<b class="at 5 m">4.1</b> mL/kg/min (p = 0.03), 95 % interval; 20 mice')
    >>> print(whole.replace("\u00a0", "_"))
    <b class="at 5 m">4.1</b>_mL/kg/min (p_=_0.03), 95_%_interval; 20 mice
    """
    return _PARTED.sub(
        lambda one: one[0] if one[0][0] == "<" else one[0].replace(" ", "\u00a0"), html
    )


@dataclass(frozen=True, slots=True, repr=False, init=False)
class Block:
    r"""
    A piece of HTML that shows itself in a notebook.

    >>> Block("5 < 6").html, (Block("5") + Block(Markup("<p>6</p>"))).html
    (Markup('5 &lt; 6'), Markup('5\n<p>6</p>'))
    """

    html: Markup
    pictures: tuple[Any, ...]  # the figures in it, for their files

    def __init__(self, html: "Text", pictures: tuple[Any, ...] = ()) -> None:
        """Escape what is plain text."""
        object.__setattr__(self, "html", escape(html))
        object.__setattr__(self, "pictures", pictures)

    def __repr__(self) -> str:
        """Say what it is; the markup itself would only repeat what is shown."""
        return f"<a piece of the report, {len(self.html)} characters>"

    def _repr_html_(self) -> str:
        return unparted(self.html)

    def __html__(self) -> str:
        """Stand in a template or in other markup as it is."""
        return str(self.html)

    def __add__(self, other: "Block") -> "Block":
        """Put one piece under the other."""
        return joined([self, other])


Text = str | Block  # plain text, or markup (`Markup` is a str) that stands as it is


def joined(blocks: Iterable[Block]) -> Block:
    """Put pieces under one another."""
    every = list(blocks)
    return Block(Markup("\n").join(one.html for one in every), pictures_of(every))


def pictures_of(blocks: Iterable[Block]) -> tuple[Any, ...]:
    """Return the figures in some pieces."""
    return tuple(picture for block in blocks for picture in block.pictures)


def element(name: str, *inside: Text, **attributes: str) -> Markup:
    """
    Return one element; an underscore at the end of an attribute's name is left out.

    >>> print(element("p", "5 < 6", class_="note"))
    <p class="note">5 &lt; 6</p>
    """
    start = _start(name, tuple(attributes.items()))
    return Markup(f"{start}{''.join(map(escape, inside))}</{name}>")


@cache
def _start(name: str, attributes: tuple[tuple[str, str], ...]) -> str:
    told = [f' {key.rstrip("_").replace("_", "-")}="{escape(v)}"' for key, v in attributes if v]
    return f"<{name}{''.join(told)}>"


def lines(*texts: Text) -> Markup:
    """Put texts under one another within a cell; empty ones are left out."""
    return BREAK.join(text for text in texts if text)


def code(text: object) -> Markup:
    """
    Return the name of a file, a key or a command; a narrow screen breaks it after an underscore.

    >>> print(code("no_mass"))
    <code>no_<wbr>mass</code>
    """
    return element("code", Markup("_<wbr>").join(str(text).split("_")))


def absent(reason: str) -> Markup:
    """Say why there is no number."""
    return element("span", reason, class_="absent")


NONE: Final = absent("not available")
WITHHELD_CELL: Final = absent("withheld")


def paragraph(text: Text, kind: str = "") -> Block:
    """Return a paragraph."""
    return Block(element("p", text, class_=kind))


def heading(text: Text, level: int = 3) -> Block:
    """Return a heading below the section's own."""
    return Block(element(f"h{level}", text))


def bullets(items: Iterable[Text], kind: str = "ul") -> Block:
    """Return a list."""
    return Block(element(kind, *(element("li", item) for item in items)))


def fold(summary: Text, *inside: Block, kind: str = "") -> Block:
    """Fold a part of the page away under its summary; a caption that repeats it is only heard."""
    caption = element("caption", summary)
    heard = element("caption", summary, class_="said")
    within = Markup("").join(inside).replace(caption, heard)
    html = element("details", element("summary", summary), within, class_=kind)
    return Block(html, pictures_of(inside))


def table(
    caption: str,
    columns: Sequence[str],
    rows: Iterable[Sequence[Text]],
    *,
    numeric: Sequence[str] = (),
    kind: str = "",
) -> Block:
    """Return a table, `numeric` columns to the right; the first cell of a row heads it."""
    kinds = ["number" if name in numeric else "" for name in columns]
    head = (
        element("th", name, scope="col", class_=kind)
        for name, kind in zip(columns, kinds, strict=True)
    )
    every = list(rows)
    body = element("tbody", *(_row(cells, kinds) for cells in every[:MOST_ROWS]))
    wide = len(columns) > MOST_COLUMNS
    stacks = len(columns) > MOST_BESIDE or (wide and _WORDY.search(body) is not None)
    shown = element(
        "table",
        element("caption", caption),
        element("thead", element("tr", *head)),
        body,
        class_=f"{kind} stacks".strip() if stacks else kind,
        style=_heads(columns) if stacks else "",
    )
    if wide:
        frame = {"class_": "scroll", "tabindex": "0", "role": "region"}
        shown = element("div", shown, **frame, aria_label=caption)
    if len(every) > MOST_ROWS:
        more = f"The first {MOST_ROWS} of {len(every)} lines; the tables beside this page hold all."
        shown += element("p", more, class_="note")
    return Block(shown)


def _heads(columns: Sequence[str]) -> str:
    """Return what heads each cell where a phone sets the cells of a line below one another."""
    safe = (re.sub(r"[^\w .,()%-]", lambda c: f"\\{ord(c[0]):x} ", name) for name in columns[1:])
    return "; ".join(f"--h{i}: '{name}'" for i, name in enumerate(safe, 2))


def _words(cell: Text) -> str:
    most = max(map(len, re.split("<[^>]*>", str(escape(cell)))))  # letters of a line
    return "long" if most > LONG else "words" if most > SHORT else ""


def _row(cells: Sequence[Text], kinds: Sequence[str]) -> Markup:
    """Return a line of a table; dates of plain cells do not break at their hyphens."""
    whole = (
        cell
        if isinstance(cell, Block | Markup)
        else Markup(_DATE.sub(r'<span class="date">\g<0></span>', str(escape(cell))))
        for cell in cells
    )
    first, *rest = zip(whole, kinds, strict=True)
    others = (
        element("td", cell or absent("not available"), class_=kind or _words(cell))
        for cell, kind in rest
    )
    return element("tr", element("th", first[0], scope="row", class_=first[1]), *others)
