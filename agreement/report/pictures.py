"""A figure of the report: drawn once, shown in the page, saved as SVG and PNG."""

import re
from base64 import b64encode
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from agreement.figures.canvas import blank, png_bytes, settle, svg_text
from agreement.figures.theme import house_style
from agreement.report.markup import Block, picture_html

Draw = Callable[[list[Any]], object]  # takes the panels


@dataclass(frozen=True, slots=True)
class Picture:
    """One drawn figure with its words."""

    name: str
    svg: str
    figure: Any
    alt: str
    caption: str

    @property
    def block(self) -> Block:
        """The figure as a piece of the page."""
        coded = b64encode(self.svg.encode()).decode()
        return Block(picture_html(coded, self.alt, self.caption))

    def save(self, folder: Path) -> None:
        """Write ``<name>.svg`` and ``<name>.png`` (300 dots per inch)."""
        (folder / f"{self.name}.svg").write_text(self.svg, encoding="utf-8", newline="\n")
        with house_style():
            (folder / f"{self.name}.png").write_bytes(png_bytes(self.figure))


def picture(
    name: str, draw: Draw, *, alt: str, caption: str, height: float = 3.9, columns: int = 1
) -> Picture:
    """
    Draw a figure in the house style.

    Parameters
    ----------
    name : str
        Of its files; made safe for any file system.
    draw : callable
        Given the list of panels, draws on them.
    alt, caption : str
        Plain text: what the figure shows, for those who do not see it; and what it is.
    height : float
        [inch]
    columns : int
        Panels side by side.
    """
    with house_style():
        figure, axes = blank(height, columns)
        draw(axes)
        settle(figure)
        svg = svg_text(figure)
    return Picture(file_name(name), svg, figure, alt, caption)


def file_name(name: str) -> str:
    """
    Return a name that any file system takes.

    >>> file_name("differences-My watch/2-run")
    'differences-My_watch_2-run'
    """
    return re.sub(r"[^A-Za-z0-9._-]+", "_", name)
