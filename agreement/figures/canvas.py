"""An empty figure to draw on, and a drawn one as SVG or PNG; no windows, no files."""

import re
import struct
import zlib
from collections.abc import Sequence
from functools import lru_cache
from io import BytesIO, StringIO
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backend_bases import RendererBase
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import RendererSVG
from matplotlib.collections import Collection
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import text_to_path
from matplotlib.transforms import Bbox, BboxBase

from agreement.figures.labels import BELOW

WIDTH: Final = 6.3  # of every figure, in inches: the text width of an A4 page
NARROW: Final = 3.6  # of the variant for a phone's screen, in inches
PRINT_DPI: Final = 300
POINTS: Final = 72  # to the inch: the unit of SVG
PADDING_PT: Final = 7  # around and between panels
_COMPRESSION: Final = 3  # half the time of the usual level for a few bytes more
_TOLD: Final = "point:"  # begins the address that carries a point's words
_LINK: Final = re.compile(rf"<a xlink:href=([\"'])(?:{_TOLD})(.*?)\1[^>]*>")
_PNG: Final = b"\x89PNG\r\n\x1a\n"


def blank(
    height: float = 3.9,
    columns: int = 1,
    *,
    panels: int | None = None,
    narrow: bool = False,
    width: float | None = None,
) -> tuple[Figure, list[Axes]]:
    """
    Return a figure of the house width with its panels in rows; narrow: one below another.

    height: of the whole figure. [inch]
    columns: panels side by side.
    panels: in all; default: one row of them.
    narrow: as wide as a phone's screen instead of a page.
    width: another width than these two. [inch]
    """
    count = columns if panels is None else panels
    across = 1 if narrow else min(columns, count)
    figure = Figure(figsize=(width or (NARROW if narrow else WIDTH), height))
    FigureCanvasAgg(figure)
    axes = list(np.ravel(figure.subplots(-(-count // across), across, squeeze=False)))
    for ax in axes[count:]:
        ax.remove()
    return figure, axes[:count]


class _Pen(RendererSVG):
    """Writes SVG; measures each text once, for every figure alike: half the time of drawing."""

    def __init__(self, figure: Figure, buffer: StringIO) -> None:
        width, height = figure.get_size_inches() * POINTS
        nothing = {"Date": None, "Creator": None}
        super().__init__(width, height, buffer, metadata=nothing)  # type: ignore[no-untyped-call] # matplotlib types it not

    def get_text_width_height_descent(
        self, s: str, prop: FontProperties, ismath: Any
    ) -> tuple[float, float, float]:
        """Return width, height and depth of a text. [pt]."""
        return _measured(s, prop, ismath)


@lru_cache(maxsize=4096)
def _measured(text: str, font: FontProperties, math: Any) -> tuple[float, float, float]:
    """Return width, height and depth of a text as SVG draws it. [pt]."""
    width, height, depth = text_to_path.get_text_width_height_descent(text, font, math)
    return width, height, depth


def settle(figure: Figure) -> None:
    """
    Fit panels and all that stands around them into the drawn figure.

    Panels keep the rows and columns in which they were made. One pass over the text, a quarter of
    what matplotlib's own layout takes: reports draw dozens.
    """
    figure.set_dpi(POINTS)
    renderer = _Pen(figure, StringIO())
    width, height = figure.bbox.size
    pad = PADDING_PT / 72 * figure.dpi
    found = [(ax, spec) for ax in figure.axes if (spec := ax.get_subplotspec()) is not None]
    rows, columns = found[0][1].get_gridspec().get_geometry()
    left, right, above, below = (np.zeros(n) for n in (columns, columns, rows, rows))
    for ax, spec in found:
        box, whole = _words_around(ax, renderer)
        inner = ax.get_window_extent(renderer)
        # a square panel leaves room above it inside its place: words there need no more
        place = ax.get_position(original=True).transformed(figure.transFigure)
        column, row = spec.colspan.start, spec.rowspan.start
        left[column] = max(left[column], inner.x0 - box.x0)
        right[column] = max(right[column], box.x1 - inner.x1)
        below[row] = max(below[row], place.y0 - whole.y0)
        above[row] = max(above[row], whole.y1 - place.y1)
    across = (width - (1 + columns) * pad - left.sum() - right.sum()) / columns
    tall = (height - (1 + rows) * pad - above.sum() - below.sum()) / rows
    for ax, spec in found:
        column, row = spec.colspan.start, spec.rowspan.start
        start = (1 + column) * pad + left[: column + 1].sum() + right[:column].sum()
        foot = (rows - row) * pad + below[row:].sum() + above[row + 1 :].sum()
        box_of = (start + column * across, foot + (rows - 1 - row) * tall, across, tall)
        ax.set_position(tuple(np.divide(box_of, (width, height, width, height))))


def _words_around(ax: Axes, renderer: RendererBase) -> tuple[BboxBase, BboxBase]:
    """
    Return the boxes of a panel with its axes and labels, for its width and for its height.

    A legend below it may be wider than the panel. Points lie inside anyway.
    """
    box = ax.get_tightbbox(renderer, bbox_extra_artists=ax.texts) or ax.get_window_extent(renderer)
    legend = ax.get_legend()
    if legend is None:
        return box, box
    whole = Bbox.union([box, legend.get_window_extent(renderer)])
    return (box if legend.get_gid() == BELOW else whole), whole


def tell_points(points: Collection, words: Sequence[str]) -> None:
    """
    Have each point of a figure say something when it is pointed at.

    points: drawn points, as `seaborn.scatterplot` leaves them in ``ax.collections``.
    words: one for each point, in their order.
    """
    points.set_urls([f"{_TOLD}{said}" for said in words])  # kept with its point, whatever happens


def svg_text(figure: Figure) -> str:
    """Return the settled figure as SVG: no date, the same bytes in every run."""
    buffer = StringIO()
    figure.set_dpi(POINTS)
    pen = _Pen(figure, buffer)
    figure.draw(pen)
    pen.finalize()  # type: ignore[no-untyped-call] # matplotlib types it not
    text = buffer.getvalue()
    return _LINK.sub(r"<g><title>\2</title>", text).replace("</a>", "</g>")


def png_bytes(figure: Figure) -> bytes:
    """
    Return the settled figure as PNG at 300 dots per inch, opaque.

    Packed here, without the filters that suit photographs: lines on white paper take half the time
    and fewer bytes.
    """
    figure.set_dpi(PRINT_DPI)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()  # type: ignore[no-untyped-call] # as above
    drawn = np.asarray(canvas.buffer_rgba())  # type: ignore[no-untyped-call] # as above
    height, width, _ = drawn.shape
    rows = np.zeros((height, 1 + 3 * width), dtype=np.uint8)  # each begins with 0: no filter
    rows[:, 1:] = drawn[..., :3].reshape(height, -1)
    per_metre = round(PRINT_DPI / 0.0254)
    return _PNG + b"".join(
        (
            _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)),
            _chunk(b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1)),
            _chunk(b"IDAT", zlib.compress(rows.data, _COMPRESSION)),
            _chunk(b"IEND", b""),
        )
    )


def pdf_bytes(figure: Figure) -> bytes:
    """Return the settled figure as PDF, its letters as text: no date, the same bytes in every run."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_pdf import FigureCanvasPdf  # only papers need it

    buffer = BytesIO()
    nothing = {"CreationDate": None, "Creator": None, "Producer": None}
    with rc_context({"pdf.fonttype": 42}):
        FigureCanvasPdf(figure).print_pdf(buffer, metadata=nothing)  # type: ignore[no-untyped-call] # as above
    return buffer.getvalue()


def _chunk(kind: bytes, content: bytes) -> bytes:
    """Return one chunk of a PNG: length, kind, content, checksum."""
    checksum = zlib.crc32(content, zlib.crc32(kind))
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", checksum)
