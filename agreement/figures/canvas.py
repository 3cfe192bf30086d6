"""An empty figure to draw on, and a drawn one as SVG or PNG; no windows, no files."""

import re
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from functools import lru_cache
from html import unescape
from io import BytesIO, StringIO
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.axis import XAxis, YAxis
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import RendererSVG
from matplotlib.collections import Collection
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, fontManager, get_font
from matplotlib.patches import Patch, Rectangle
from matplotlib.textpath import text_to_path
from matplotlib.transforms import IdentityTransform, Transform

from agreement.errors import visible

WIDTH: Final = 3.6  # of every figure, in inches: a phone's screen, half a page of paper
PRINT_DPI: Final = 300
POINTS: Final = 72  # to the inch: the unit of SVG
_TWO: Final = 1.4 * WIDTH  # from here on two panels stand in a row. [inch]
_MOST_READY: Final = 30
READY: Final[list[tuple[Figure, list[Axes]]]] = []  # blank ones, in the house style
_TOLD: Final = "point:"  # begins the address that carries a point's words
_LINK: Final = re.compile(rf"<a xlink:href=([\"'])(?:{_TOLD})(.*?)\1[^>]*>")
_WORDS: Final = re.compile(r'<text style="font-size: ([\d.]+)px;[^>]*>([^<]*)<')


class _Tickless:
    """Of an axis: makes no tick before one is asked for; `layout.settle` writes them as one line."""

    majorTicks: list[Any]
    minorTicks: list[Any]

    def reset_ticks(self: Any) -> None:
        """Begin without ticks."""
        self.majorTicks, self.minorTicks = [], []
        with suppress(AttributeError):  # as matplotlib does: there may be no paper yet
            self.set_clip_path(self.axes.patch)


class _X(_Tickless, XAxis):
    """A horizontal axis."""


class _Y(_Tickless, YAxis):
    """A vertical axis."""


class _Paper(Rectangle):
    """Of a panel: it begins and ends with it; all that is drawn asks for its place, to be cut there."""

    def get_patch_transform(self) -> Transform:
        """Return what leaves it as it is."""
        return IdentityTransform()


class Panel(Axes):
    """One panel of a figure."""

    def _init_axis(self) -> None:
        super()._init_axis()  # type: ignore[misc] # matplotlib tells not of it
        self.xaxis.__class__, self.yaxis.__class__ = _X, _Y

    def _gen_axes_patch(self) -> Patch:
        return _Paper((0.0, 0.0), 1.0, 1.0)


def blank(
    height: float = 3.0, panels: int = 1, *, width: float = WIDTH
) -> tuple[Figure, list[Axes]]:
    """
    Return a figure with its panels, one below another; two in a row where it is as wide as two.

    height: of each row of panels. [inch]
    """
    if panels == 1 and READY:
        figure, axes = READY.pop()
        figure.set_size_inches(width, height)
        return figure, axes
    return _made(height, panels, width)


def make_ready(enough: Callable[[], bool], drawn: Iterable[str] = ()) -> None:
    """
    Begin before there is anything to draw: measure words, make figures of one panel for `blank`.

    enough: asked before each piece.
    drawn: earlier figures as SVG: new ones say most of their words again.
    """
    for svg in drawn:
        if enough():
            return
        for size, words in _WORDS.findall(svg):
            measured(unescape(words), FontProperties(size=float(size)))
    while len(READY) < _MOST_READY and not enough():
        READY.append(_made(WIDTH, 1, WIDTH))


def _made(height: float, panels: int, width: float) -> tuple[Figure, list[Axes]]:
    columns = 2 if panels > 1 and width >= _TWO else 1
    rows = -(-panels // columns)
    figure = Figure(figsize=(width, height * rows))
    FigureCanvasAgg(figure)
    axes = list(
        np.ravel(figure.subplots(rows, columns, squeeze=False, subplot_kw={"axes_class": Panel}))
    )
    for ax in axes[panels:]:
        ax.remove()
    return figure, axes[:panels]


class Pen(RendererSVG):
    """Writes SVG; measures each text once, for every figure alike: half the time of drawing."""

    def __init__(self, figure: Figure, buffer: StringIO) -> None:
        width, height = figure.get_size_inches() * POINTS
        nothing = {"Date": None, "Creator": None}
        super().__init__(width, height, buffer, metadata=nothing)  # type: ignore[no-untyped-call] # matplotlib types it not

    def get_text_width_height_descent(
        self, s: str, prop: FontProperties, ismath: Any
    ) -> tuple[float, float, float]:
        """Return width, height and depth of a text. [pt]."""
        return measured(s, prop, ismath) if ismath else measured(s, prop)  # known by two or three

    def _get_font_height_metrics(self, font: FontProperties) -> tuple[float | None, ...]:
        return _line_of(font)


@lru_cache(maxsize=4096)
def measured(text: str, font: FontProperties, math: Any = False) -> tuple[float, float, float]:
    """Return width, height and depth of a text as SVG draws it. [pt]."""
    width, height, depth = text_to_path.get_text_width_height_descent(text, font, math)
    return width, height, depth


@lru_cache(maxsize=64)
def _line_of(font: FontProperties) -> tuple[float | None, ...]:
    """
    Return height and depth of a font's lines, and what is free between them, as matplotlib does. [pt].

    None of a font that does not tell: matplotlib looks for them elsewhere.
    """
    found = get_font(fontManager._find_fonts_by_props(font))
    table, head = found.get_sfnt_table("OS/2"), found.get_sfnt_table("head")
    if table is None or head is None:
        return None, None, None
    unit = 1 / head["unitsPerEm"] * font.get_size_in_points()
    above, below, free = table["sTypoAscender"], table["sTypoDescender"], table["sTypoLineGap"]
    return above * unit, -below * unit, free * unit


def tell_points(points: Collection, words: Sequence[str]) -> None:
    """
    Have each point of a figure say something when it is pointed at.

    points: drawn points, as ``ax.scatter`` returns them.
    words: one for each point, in their order.
    """
    points.set_urls([f"{_TOLD}{said}" for said in words])  # kept with its point, whatever happens


def svg_text(figure: Figure) -> str:
    """Return the settled figure as SVG: no date, the same bytes in every run, no unseen character."""
    buffer = StringIO()
    figure.set_dpi(POINTS)
    pen = Pen(figure, buffer)
    figure.draw(pen)
    pen.finalize()  # type: ignore[no-untyped-call] # matplotlib types it not
    text = visible(buffer.getvalue())  # a control character in a label is no XML
    return _LINK.sub(r"<g><title>\2</title>", text).replace("</a>", "</g>")


def png_bytes(figure: Figure) -> bytes:
    """Return the settled figure as PNG at 300 dots per inch: no date, the same bytes in every run."""
    figure.set_dpi(PRINT_DPI)
    buffer = BytesIO()
    FigureCanvasAgg(figure).print_png(buffer, metadata={"Software": None})  # type: ignore[no-untyped-call] # as above
    return buffer.getvalue()


def pdf_bytes(figure: Figure) -> bytes:
    """Return the settled figure as PDF, its letters as text: no date, the same bytes in every run."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_pdf import FigureCanvasPdf  # only papers need it

    buffer = BytesIO()
    nothing = {"CreationDate": None, "Creator": None, "Producer": None}
    with rc_context({"pdf.fonttype": 42}):
        FigureCanvasPdf(figure).print_pdf(buffer, metadata=nothing)  # type: ignore[no-untyped-call] # as above
    return buffer.getvalue()
