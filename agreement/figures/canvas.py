"""An empty figure to draw on, and a drawn one as SVG or PNG; no windows, no files."""

from io import BytesIO, StringIO
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.transforms import BboxBase
from PIL import Image

WIDTH: Final = 6.3  # of every figure, in inches: the text width of an A4 page
PRINT_DPI: Final = 300
PADDING_PT: Final = 7  # around and between panels
_COMPRESSION: Final = 3  # a third of the time for a few bytes more


def blank(height: float = 3.9, columns: int = 1) -> tuple[Figure, list[Axes]]:
    """Return a figure of the house width, with so many panels side by side."""
    figure = Figure(figsize=(WIDTH, height))
    FigureCanvasAgg(figure)
    axes = figure.subplots(1, columns, squeeze=False)
    return figure, list(np.ravel(axes))


def settle(figure: Figure) -> None:
    """
    Fit panels and all that stands around them into the drawn figure.

    One pass over the text, a quarter of what matplotlib's own layout takes: reports draw dozens.
    """
    renderer = FigureCanvasAgg(figure).get_renderer()  # type: ignore[no-untyped-call] # matplotlib types it not
    width, height = figure.bbox.size
    pad = PADDING_PT / 72 * figure.dpi
    axes = figure.axes
    outer = [_words_around(ax, renderer) for ax in axes]
    inner = [ax.get_window_extent(renderer) for ax in axes]
    pairs = [(o, i) for o, i in zip(outer, inner, strict=True) if o is not None]
    left, right = (max(i.x0 - o.x0 for o, i in pairs), max(o.x1 - i.x1 for o, i in pairs))
    below, above = (max(i.y0 - o.y0 for o, i in pairs), max(o.y1 - i.y1 for o, i in pairs))
    columns = len(axes)
    panel = (width - 2 * pad - columns * (left + right)) / columns
    for place, ax in enumerate(axes):
        start = pad + left + place * (panel + left + right)
        box = (start, pad + below, panel, height - 2 * pad - below - above)
        ax.set_position((box[0] / width, box[1] / height, box[2] / width, box[3] / height))


def _words_around(ax: Axes, renderer: RendererAgg) -> BboxBase | None:
    """Return the box of a panel with its axes, labels and legend; points lie inside anyway."""
    legend = ax.get_legend()
    return ax.get_tightbbox(
        renderer, bbox_extra_artists=[*ax.texts, *([] if legend is None else [legend])]
    )


def svg_text(figure: Figure) -> str:
    """Return the settled figure as SVG: no date, the same bytes in every run."""
    buffer = StringIO()
    canvas = FigureCanvasSVG(figure)
    canvas.print_svg(buffer, metadata={"Date": None, "Creator": None})  # type: ignore[no-untyped-call] # matplotlib types it not
    return buffer.getvalue()


def png_bytes(figure: Figure) -> bytes:
    """Return the settled figure as PNG at 300 dots per inch, opaque."""
    buffer = BytesIO()
    figure.set_dpi(PRINT_DPI)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()  # type: ignore[no-untyped-call] # as above
    drawn = np.asarray(canvas.buffer_rgba())  # type: ignore[no-untyped-call] # as above
    picture = Image.fromarray(drawn[..., :3])
    picture.save(buffer, format="png", dpi=(PRINT_DPI, PRINT_DPI), compress_level=_COMPRESSION)
    return buffer.getvalue()
