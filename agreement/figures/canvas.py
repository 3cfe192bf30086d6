"""An empty figure to draw on, and a drawn one as SVG or PNG; no windows, no files."""

from io import BytesIO, StringIO
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

WIDTH: Final = 6.3  # of every figure, in inches: the text width of an A4 page
PRINT_DPI: Final = 300
_COMPRESSION: Final = {"compress_level": 3}  # a third of the time for a few bytes more


def blank(height: float = 3.9, columns: int = 1) -> tuple[Figure, list[Axes]]:
    """Return a figure of the house width, with so many panels side by side."""
    figure = Figure(figsize=(WIDTH, height))
    FigureCanvasAgg(figure)
    axes = figure.subplots(1, columns, squeeze=False)
    return figure, list(np.ravel(axes))


def settle(figure: Figure) -> None:
    """Lay the drawn figure out once and for all; else every format would do it again."""
    engine = figure.get_layout_engine()
    if engine is not None:
        engine.execute(figure)
        figure.set_layout_engine("none")


def svg_text(figure: Figure) -> str:
    """Return the settled figure as SVG: no date, the same bytes in every run."""
    buffer = StringIO()
    canvas = FigureCanvasSVG(figure)
    canvas.print_svg(buffer, metadata={"Date": None, "Creator": None})  # type: ignore[no-untyped-call] # matplotlib types it not
    return buffer.getvalue()


def png_bytes(figure: Figure) -> bytes:
    """Return the settled figure as PNG at 300 dots per inch."""
    buffer = BytesIO()
    figure.set_dpi(PRINT_DPI)
    canvas = FigureCanvasAgg(figure)
    canvas.print_png(  # type: ignore[no-untyped-call] # as above
        buffer, metadata={"Software": None}, pil_kwargs=dict(_COMPRESSION)
    )
    return buffer.getvalue()
