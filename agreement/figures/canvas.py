"""An empty figure to draw on, and a drawn one as SVG or PNG; no windows, no files."""

import struct
import zlib
from io import StringIO
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.transforms import Bbox, BboxBase

from agreement.figures.labels import BELOW

WIDTH: Final = 6.3  # of every figure, in inches: the text width of an A4 page
NARROW: Final = 3.6  # of the variant for a phone's screen, in inches
PRINT_DPI: Final = 300
PADDING_PT: Final = 7  # around and between panels
_COMPRESSION: Final = 3  # half the time of the usual level for a few bytes more
_PNG: Final = b"\x89PNG\r\n\x1a\n"


def blank(
    height: float = 3.9, columns: int = 1, *, narrow: bool = False
) -> tuple[Figure, list[Axes]]:
    """
    Return a figure of the house width with so many panels side by side; narrow: one below another.

    Parameters
    ----------
    height : float
        Of the whole figure. [inch]
    columns : int
    narrow : bool
        As wide as a phone's screen instead of a page.
    """
    figure = Figure(figsize=(NARROW if narrow else WIDTH, height))
    FigureCanvasAgg(figure)
    axes = figure.subplots(*((columns, 1) if narrow else (1, columns)), squeeze=False)
    return figure, list(np.ravel(axes))


def settle(figure: Figure) -> None:
    """
    Fit panels and all that stands around them into the drawn figure.

    Panels keep the rows and columns in which they were made. One pass over the text, a quarter of
    what matplotlib's own layout takes: reports draw dozens.
    """
    renderer = FigureCanvasAgg(figure).get_renderer()  # type: ignore[no-untyped-call] # matplotlib types it not
    width, height = figure.bbox.size
    pad = PADDING_PT / 72 * figure.dpi
    axes = [ax for ax in figure.axes if ax.get_subplotspec() is not None]
    words = [_words_around(ax, renderer) for ax in axes]
    inner = [ax.get_window_extent(renderer) for ax in axes]
    # a square panel leaves room above it inside its place: words that stand there need no more
    places = [ax.get_position(original=True).transformed(figure.transFigure) for ax in axes]
    left = max(i.x0 - o.x0 for (o, _), i in zip(words, inner, strict=True))
    right = max(o.x1 - i.x1 for (o, _), i in zip(words, inner, strict=True))
    below = max(p.y0 - o.y0 for (_, o), p in zip(words, places, strict=True))
    above = max(o.y1 - p.y1 for (_, o), p in zip(words, places, strict=True))
    for ax in axes:
        spec = ax.get_subplotspec()
        assert spec is not None  # chosen above
        rows, columns = spec.get_gridspec().get_geometry()
        panel = (width - 2 * pad - columns * (left + right)) / columns
        tall = (height - 2 * pad - rows * (below + above)) / rows
        start = pad + left + spec.colspan.start * (panel + left + right)
        foot = pad + below + (rows - spec.rowspan.stop) * (tall + below + above)
        ax.set_position((start / width, foot / height, panel / width, tall / height))


def _words_around(ax: Axes, renderer: RendererAgg) -> tuple[BboxBase, BboxBase]:
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


def svg_text(figure: Figure) -> str:
    """Return the settled figure as SVG: no date, the same bytes in every run."""
    buffer = StringIO()
    canvas = FigureCanvasSVG(figure)
    canvas.print_svg(buffer, metadata={"Date": None, "Creator": None})  # type: ignore[no-untyped-call] # matplotlib types it not
    return buffer.getvalue()


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


def _chunk(kind: bytes, content: bytes) -> bytes:
    """Return one chunk of a PNG: length, kind, content, checksum."""
    checksum = zlib.crc32(content, zlib.crc32(kind))
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", checksum)
