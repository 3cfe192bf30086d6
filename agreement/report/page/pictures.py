"""A figure of the report: drawn once, shown in the page, saved as SVG and PNG."""

import re
from base64 import b64encode
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from agreement.figures.canvas import blank, settle, svg_text
from agreement.figures.theme import house_style
from agreement.report.page.markup import Block, picture_html
from agreement.report.page.printer import Printer

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


class Album:
    """
    Where a report's figures go as files.

    Parameters
    ----------
    folder : Path or None
        Made if needed; None: figures are only shown.
    """

    def __init__(self, folder: Path | None) -> None:
        self._folder = folder
        self._names: set[str] = set()
        self._printer = Printer() if folder is not None else None
        if folder is not None:
            folder.mkdir(exist_ok=True)

    def keep(self, one: Picture) -> None:
        """Write ``<name>.svg``, and have ``<name>.png`` written; a name is used once."""
        if self._folder is None or self._printer is None:
            return
        name, number = one.name, 2
        while name in self._names:
            name, number = f"{one.name}-{number}", number + 1
        self._names.add(name)
        (self._folder / f"{name}.svg").write_text(one.svg, encoding="utf-8", newline="\n")
        self._printer.print(one.figure, self._folder / f"{name}.png")

    def close(self) -> None:
        """Wait for the last file."""
        if self._printer is not None:
            self._printer.finish()


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
