"""Pieces of a page: escaped text, tables a screen reader can follow, and what notebooks show."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

MOST_ROWS = 1000  # of one table: more can be read by nobody, and take gigabytes
MOST_COLUMNS = 3  # a wider table scrolls, on a phone, inside its own frame


@dataclass(frozen=True, slots=True, repr=False)
class Block:
    """A piece of HTML that shows itself in a notebook."""

    html: str

    def __repr__(self) -> str:
        """Say what it is; the markup itself would only repeat what is shown."""
        return f"<a piece of the report, {len(self.html)} characters>"

    def _repr_html_(self) -> str:
        return self.html

    def __add__(self, other: "Block") -> "Block":
        """Put one piece under the other."""
        return Block(f"{self.html}\n{other.html}")


def joined(blocks: Iterable[Block]) -> Block:
    """Put pieces under one another."""
    return Block("\n".join(block.html for block in blocks))


def paragraph(html: str, kind: str = "") -> Block:
    """Return a paragraph; `html` is markup already, texts of the study must be escaped before."""
    return Block(f'<p class="{kind}">{html}</p>' if kind else f"<p>{html}</p>")


def heading(text: str, level: int = 3) -> Block:
    """Return a heading of plain text below the section's own."""
    return Block(f"<h{level}>{escape(text)}</h{level}>")


def bullets(items: Iterable[str], kind: str = "ul") -> Block:
    """Return a list of items that are markup already."""
    return Block(f"<{kind}>" + "".join(f"<li>{item}</li>" for item in items) + f"</{kind}>")


def table(
    caption: str,
    columns: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    numeric: Sequence[str] = (),
) -> Block:
    """
    Return a table; the first cell of each row is its heading.

    caption: plain text.
    columns: plain text, with the unit where there is one.
    rows: cells that are markup already; an empty one says that there is no value.
    numeric: columns to align at the right.
    """
    classes = [' class="number"' if name in numeric else "" for name in columns]
    head = "".join(
        f'<th scope="col"{kind}>{escape(name)}</th>'
        for name, kind in zip(columns, classes, strict=True)
    )
    lines = list(rows)
    body = "".join(_row(cells, classes) for cells in lines[:MOST_ROWS])
    html = (
        f"<table><caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{body}</tbody></table>"
    )
    if len(columns) > MOST_COLUMNS:
        label = escape(caption, quote=True)
        html = f'<div class="scroll" tabindex="0" role="region" aria-label="{label}">{html}</div>'
    if len(lines) > MOST_ROWS:
        more = f"The first {MOST_ROWS} of {len(lines)} lines; the tables beside this page hold all."
        html += f'<p class="note">{more}</p>'
    return Block(html)


def _row(cells: Sequence[str], classes: Sequence[str]) -> str:
    first, *rest = zip(cells, classes, strict=True)
    others = "".join(f"<td{kind}>{cell or ABSENT}</td>" for cell, kind in rest)
    return f'<tr><th scope="row"{first[1]}>{first[0]}</th>{others}</tr>'


ABSENT = '<span class="absent">not available</span>'
