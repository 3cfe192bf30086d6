"""A figure of the report: drawn for a page, for a phone when shown there, inline; saved as SVG."""

import re
import zlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from markupsafe import Markup

from agreement.figures.canvas import NARROW, WIDTH, blank, pdf_bytes, settle, svg_text
from agreement.figures.inline import inline_svg
from agreement.figures.theme import house_style
from agreement.report.page.markup import Block, element
from agreement.report.page.printer import Printer
from agreement.tables.options import ReportOptions

_LONGEST: Final = 120  # letters; a file system takes 255 bytes
_MM = 25.4  # to the inch
_SLIM = 0.75  # of the page's width: below it panels stand one below another
Draw = Callable[[list[Any]], object]  # takes the panels


@dataclass(frozen=True, slots=True)
class Picture:
    """One drawn figure with its words."""

    name: str  # of its files, and of its parts in a page
    svg: str  # as wide as a page
    figure: Any  # the same, for a print
    alt: str
    caption: str
    # draws it at a width in inches; returns SVG and figure. None in what another process sent
    drawn_at: Callable[[float], tuple[str, Any]] | None

    @property
    def block(self) -> Block:
        """The figure as a piece of the page."""
        return self._shown(self._both)

    @property
    def block_in_details(self) -> Block:
        """The same where it is folded away: on a phone the wide figure scrolls inside its frame."""
        told = {"class_": "drawn one", "tabindex": "0", "role": "group", "aria_label": "figure"}
        return self._shown(element("div", self._wide, **told))

    def _shown(self, drawn: Markup) -> Block:
        return Block(element("figure", drawn, element("figcaption", self.caption)), (self,))

    @property
    def _wide(self) -> Markup:
        return Markup(inline_svg(self.svg, name=f"wide/{self.name}", alt=self.alt))

    @property
    def _both(self) -> Markup:
        """
        Two variants; the page's style (`figure_css`) shows the one that fits.

        Where there is no such style, as in a notebook, the narrow one stays hidden.
        """
        svg, _ = self.at(NARROW)
        narrow = Markup(inline_svg(svg, name=f"narrow/{self.name}", alt=self.alt))
        shown = element("div", self._wide, class_="wide")
        shown += element("div", narrow, class_="narrow", hidden="hidden")
        return element("div", shown, class_="drawn")

    def at(self, width: float) -> tuple[str, Any]:
        """Draw it at a width in inches, where it came from; return SVG and figure."""
        assert self.drawn_at is not None
        return self.drawn_at(width)

    def sent(self) -> "Picture":
        """Return what another process can be sent of it: all that a page and an SVG file need."""
        return replace(self, figure=None, drawn_at=None)


class Album:
    """
    Where a report's figures go as files.

    Parameters
    ----------
    folder : Path or None
        Made if needed; None: figures are only shown.
    asked : Report
        Whether they are wanted as PNG and as PDF as well, and how wide the PDF is.
    png : bool, optional
        Whether to print them as PNG, whatever `asked` says; in a second process.
    """

    def __init__(
        self, folder: Path | None, asked: ReportOptions | None = None, *, png: bool | None = None
    ) -> None:
        asked = asked or ReportOptions()
        png = asked.png if png is None else png
        self._folder, self._pdf_mm = folder, asked.figures_pdf_mm
        self._names: set[str] = set()
        self._printer = Printer() if folder is not None and png else None
        if folder is not None:
            folder.mkdir(exist_ok=True)

    @property
    def printing(self) -> bool:
        """Whether figures become files that need more than their SVG."""
        return self._printer is not None or self._pdf_mm is not None

    def keep(self, *several: Picture) -> None:
        """Write ``<name>.svg``, and have ``<name>.png`` written if asked; a name is used once."""
        if self._folder is not None:
            for one in several:
                self._write(one, self._folder)

    def _write(self, one: Picture, folder: Path) -> None:
        name, number = one.name, 2
        while name in self._names:
            name, number = f"{one.name}-{number}", number + 1
        self._names.add(name)
        (folder / f"{name}.svg").write_text(one.svg, encoding="utf-8", newline="\n")
        if self._pdf_mm is not None:
            (folder / f"{name}.pdf").write_bytes(pdf_bytes(one.at(self._pdf_mm / _MM)[1]))
        if self._printer is not None:
            self._printer.print(one.figure, folder / f"{name}.png")

    def close(self) -> None:
        """Wait for the last file."""
        if self._printer is not None:
            self._printer.finish()


def picture(
    name: str,
    draw: Draw,
    *,
    alt: str,
    caption: str,
    height: float = 3.9,
    columns: int = 1,
    panels: int | None = None,
    narrow_height: float | None = None,
) -> Picture:
    """
    Draw a figure in the house style, for a page and for a phone.

    name: of its files; made safe for any file system.
    draw: given the list of panels, draws on them. It is called once for each width.
    alt, caption: plain text: what the figure shows, for those who do not see it; and what it is.
    height: [inch]
    columns: panels side by side; one below another on a phone.
    panels: in all, in rows of `columns`; default: one row.
    narrow_height: default: 3.4 for each panel. [inch]
    """
    count = columns if panels is None else panels
    tall = 3.4 * count if narrow_height is None else narrow_height
    wide, figure = _drawn(draw, height, columns, count, narrow=False)

    def drawn_at(width: float) -> tuple[str, Any]:
        slim = width < _SLIM * WIDTH
        return _drawn(draw, tall if slim else height, columns, count, narrow=slim, width=width)

    return Picture(file_name(name), wide, figure, alt, caption, drawn_at)


def _drawn(
    draw: Draw,
    height: float,
    columns: int,
    panels: int,
    *,
    narrow: bool,
    width: float | None = None,
) -> tuple[str, Any]:
    """Return one variant as SVG, and its figure."""
    with house_style():
        figure, axes = blank(height, columns, panels=panels, narrow=narrow, width=width)
        draw(axes)
        settle(figure)
        return svg_text(figure), figure


def file_name(name: str) -> str:
    """
    Return a name that any file system takes.

    >>> file_name("differences-My watch/2-run")
    'differences-My_watch_2-run'
    """
    safe = re.sub(r"[^A-Za-z0-9._-]+", "_", name)
    if len(safe) <= _LONGEST:
        return safe
    return f"{safe[:_LONGEST]}-{zlib.crc32(name.encode('utf-8', 'surrogatepass')):08x}"
