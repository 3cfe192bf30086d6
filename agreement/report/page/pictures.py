"""A figure of the report: drawn once, as wide as a phone; inline in the page; saved as SVG."""

import pickle
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from markupsafe import Markup

from agreement.figures.canvas import WIDTH, blank, make_ready, pdf_bytes, png_bytes, svg_text
from agreement.figures.estimates import Caption
from agreement.figures.inline import inline_svg
from agreement.figures.layout import settle
from agreement.figures.theme import house_style
from agreement.report.page.machine import worded
from agreement.report.page.markup import Block, element
from agreement.tables.options import ReportOptions

_MM = 25.4  # to the inch
KeptFigure = tuple[str, tuple[float, ...]]  # text of a figure as SVG, and where its panels begin
# figures of an earlier run and those of this one, by what they are drawn of; empty: none are kept
_KEPT: Final[list[tuple[dict[str, KeptFigure], dict[str, KeptFigure]]]] = []


@contextmanager
def keeping(known: dict[str, KeptFigure]) -> Iterator[dict[str, KeptFigure]]:
    """Take figures of the block from `known` where they are drawn of the same; yield what was used."""
    used: dict[str, KeptFigure] = {}
    _KEPT.append((known, used))
    try:
        yield used
    finally:
        _KEPT.pop()


def draw_ahead(enough: Callable[[], bool]) -> None:
    """Do what drawing begins with before there is anything to draw, until it is enough."""
    with house_style():
        make_ready(enough, [svg for svg, _ in _KEPT[-1][0].values()] if _KEPT else [])


@dataclass(frozen=True, slots=True)
class Drawing:
    """A drawing function with all that it draws, for one panel of a figure, or for all."""

    function: Callable[..., object]  # of a module
    given: tuple[Any, ...]
    told: dict[str, Any]
    panel: int | None

    def on(self, panels: list[Any]) -> None:
        """Draw."""
        where = {"axes": panels} if self.panel is None else {"ax": panels[self.panel]}
        self.function(*self.given, **self.told, **where)


def drawing(
    function: Callable[..., object], *given: Any, panel: int | None = 0, **told: Any
) -> Drawing:
    """Return what draws on a panel, given to the function as `ax`; None: on all, as `axes`."""
    return Drawing(function, given, told, panel)


@dataclass(frozen=True, slots=True)
class Picture:
    """One drawn figure with its words."""

    name: str  # of its files, and of its parts in a page
    svg: str
    figure: Any  # the same, for a print; None where it is drawn for one
    alts: tuple[Markup, ...]  # of each panel, or of all
    caption: Markup
    tops: tuple[float, ...]  # where panels begin, and the last ends, from the top [pt]
    # draws it at a width in inches. None in what another process sent
    drawn_at: Callable[[float], Any] | None
    made_of: str = ""  # checksum of all that it is drawn of

    @property
    def alt(self) -> Markup:
        """What the whole figure shows."""
        return Markup(" ").join(self.alts)

    @property
    def block(self) -> Block:
        """The figure as a piece of the page."""
        parts = inline_svg(self.svg, name=self.name, alts=self.alts, tops=self.tops)
        kind = "drawn" if len(parts) == 1 else "drawn panels"
        drawn = element("div", *map(Markup, parts), class_=kind)
        return Block(element("figure", drawn, element("figcaption", self.caption)), (self,))

    def sent(self) -> "Picture":
        """Return what another process can be sent of it: all that a page and an SVG file need."""
        return replace(self, figure=None, drawn_at=None)


class Album:
    """
    Where a report's figures go as files.

    folder: made if needed; None: figures are only shown.
    asked: whether they are wanted as PNG, and as PDF, and how wide.
    png: whether as PNG, whatever `asked` says.
    """

    def __init__(
        self, folder: Path | None, asked: ReportOptions | None = None, *, png: bool | None = None
    ) -> None:
        asked = asked or ReportOptions()
        self._folder, self._pdf_mm = folder, asked.figures_pdf_mm
        self._png = asked.png if png is None else png
        self._names: set[str] = set()
        if folder is not None:
            folder.mkdir(exist_ok=True)

    @property
    def printing(self) -> bool:
        """Whether figures become files that need more than their SVG."""
        return self._png or self._pdf_mm is not None

    def keep(self, *several: Picture) -> None:
        """Write ``<name>.svg``, and other forms if asked; a name is used once."""
        if self._folder is not None:
            for one in several:
                self._write(one, self._folder)
                if _KEPT and one.made_of:
                    _KEPT[-1][1][one.made_of] = one.svg, one.tops

    def _write(self, one: Picture, folder: Path) -> None:
        name, number = one.name, 2
        while name in self._names:
            name, number = f"{one.name}-{number}", number + 1
        self._names.add(name)
        (folder / f"{name}.svg").write_text(one.svg, encoding="utf-8", newline="\n")
        if self._pdf_mm is not None:
            assert one.drawn_at is not None
            (folder / f"{name}.pdf").write_bytes(pdf_bytes(one.drawn_at(self._pdf_mm / _MM)))
        if self._png:
            figure = one.figure
            if figure is None:
                assert one.drawn_at is not None
                figure = one.drawn_at(WIDTH)
            with house_style():
                (folder / f"{name}.png").write_bytes(png_bytes(figure))


def picture(
    name: str,
    drawings: Drawing | Sequence[Drawing],
    caption: Caption | Sequence[Caption],
    *,
    height: float = 3.0,
    panels: int = 1,
) -> Picture:
    """
    Draw a figure in the house style, as wide as a phone; a page places its panels.

    name: of its files; made safe for any file system.
    drawings: what is drawn, in turn.
    caption: of the figure, or of each panel; what is said of all is that of the first.
    height: of each panel. [inch]
    """
    parts = (drawings,) if isinstance(drawings, Drawing) else tuple(drawings)

    def drawn(width: float) -> tuple[Any, tuple[float, ...]]:
        figure, axes = blank(height, panels, width=width)
        for one in parts:
            one.on(axes)
        return figure, settle(figure)

    def drawn_at(width: float) -> Any:
        with house_style():
            return drawn(width)[0]

    figure, made_of = None, ""
    if _KEPT:
        told = (parts, height, panels)
        with suppress(pickle.PicklingError, TypeError, AttributeError):  # never read back
            made_of = sha256(pickle.dumps(told, pickle.HIGHEST_PROTOCOL)).hexdigest()
    if made_of and made_of in _KEPT[-1][0]:
        svg, tops = _KEPT[-1][0][made_of]
    else:
        with house_style():
            figure, tops = drawn(WIDTH)
            svg = svg_text(figure)
    captions = [caption] if isinstance(caption, Caption) else caption
    alts = tuple(worded(one, "alt") for one in captions)
    words = worded(captions[0])
    return Picture(file_name(name), svg, figure, alts, words, tops, drawn_at, made_of)


def file_name(name: str) -> str:
    """
    Return a name that any file system takes.

    >>> file_name("differences-My watch/2-run")
    'differences-My_watch_2-run'
    """
    return re.sub(r"[^A-Za-z0-9._-]+", "_", name)
