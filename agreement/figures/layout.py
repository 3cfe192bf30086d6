"""
Fits what stands around the panels of a figure: ticks, their words, the axes' names, titles, keys.

Ticks are one line of marks and plain texts, placed once: matplotlib's own make five objects each
and are measured anew in each drawing, half of the time of a figure; reports draw dozens.
"""

from io import StringIO
from itertools import accumulate
from typing import Any, Final

import matplotlib as mpl
import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backend_bases import RendererBase
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.markers import TICKDOWN, TICKLEFT
from matplotlib.text import Annotation, Text
from matplotlib.transforms import ScaledTranslation

from agreement.figures.canvas import POINTS, Pen, measured
from agreement.figures.key import key_of

PADDING: Final = 7.0  # around and between panels. [pt]
_ROUGH: Final = (44.0, 40.0)  # at the left of a panel and below it, until both are known. [pt]
_FREE: Final = 4.0  # between a tick's words, the axis' name and the key. [pt]
_LEADING: Final = 1.2  # of lines of text
_BELOW: Final[dict[str, Any]] = {"ha": "center", "va": "top"}
_LEFT: Final[dict[str, Any]] = {"ha": "right", "va": "center_baseline"}


def settle(figure: Figure) -> tuple[float, ...]:
    """
    Fit panels and all that stands around them into the drawn figure.

    Panels keep the rows and columns in which they were made. Returns where each row begins, and the
    last ends, from the top. [pt]
    """
    figure.set_dpi(POINTS)
    width, height = figure.bbox.size
    found = [(ax, spec) for ax in figure.axes if (spec := ax.get_subplotspec()) is not None]
    rows, columns = found[0][1].get_gridspec().get_geometry()
    left, right, above, below = (np.zeros(n) for n in (columns, columns, rows, rows))
    pen = Pen(figure, StringIO())
    for ax, spec in found:
        for spine in ax.spines.values():
            spine.get_spine_transform()  # puts it at its side: else the first tick would do that
        column, row = spec.colspan.start, spec.rowspan.start
        needs = _words_around(ax, width / columns, height / rows, pen)
        left[column], right[column] = max(left[column], needs[0]), max(right[column], needs[1])
        above[row], below[row] = max(above[row], needs[2]), max(below[row], needs[3])
    across = (width - (1 + columns) * PADDING - left.sum() - right.sum()) / columns
    tall = (height - (1 + rows) * PADDING - above.sum() - below.sum()) / rows
    tops = [0.0, *accumulate(above + tall + below + PADDING)]
    for ax, spec in found:
        column, row = spec.colspan.start, spec.rowspan.start
        start = (1 + column) * PADDING + left[: column + 1].sum() + right[:column].sum()
        start += column * across
        foot = height - tops[row] - PADDING - above[row] - tall
        _place(ax, start, foot, across, tall)
        for one in ax.artists:  # a name of the lower axis that is longer than the panel
            if isinstance(one, _Words) and one.name is not None:
                box = one.name.get_window_extent(pen)
                aside = min(0.0, width - PADDING / 2 - box.x1) + max(0.0, PADDING / 2 - box.x0)
                one.name.set_x(0.5 + aside / ax.bbox.width)
    return (*tops[:-1], float(height))


def _place(ax: Axes, *box: float) -> None:
    """Put a panel into its figure; `box`: left, foot, width, height. [pt]."""
    size = ax.get_figure(root=True).bbox.size  # type: ignore[union-attr] # it stands in one
    ax.set_position(tuple(np.divide(box, (*size, *size))))


def _words_around(
    ax: Axes, width: float, height: float, pen: Any
) -> tuple[float, float, float, float]:
    """Write a panel's ticks and names; return what it needs left, right, above and below. [pt]."""
    _place(ax, 0.0, 0.0, width - _ROUGH[0], height - _ROUGH[1])
    left, right, above, below = _scale(ax, "y"), 0.0, 0.0, 0.0
    panel = ax.bbox.extents
    # texts placed by the panel, not among its data
    around = [
        text
        for text in ax.texts
        if "axes fraction" in getattr(text, "xycoords", ())
        or (not isinstance(text, Annotation) and text.get_transform() == ax.transAxes)
    ]
    titles = [one for one in (ax.title, ax._left_title) if one.get_text()]  # type: ignore[attr-defined]  # matplotlib keeps the left one to itself
    for text in (*around, *titles):
        box = text.get_window_extent(pen)
        left, right = max(left, panel[0] - box.x0), max(right, box.x1 - panel[2])
        below, above = max(below, panel[1] - box.y0), max(above, box.y1 - panel[3])
    _place(ax, 0.0, 0.0, width - left - right - 2 * PADDING, height - _ROUGH[1])
    below = max(below, _scale(ax, "x"))
    if (key := key_of(ax)) is not None:
        key.drop = below + _FREE
        below = key.drop + key.height()
    return left, right, above, below


def _scale(ax: Axes, which: str) -> float:
    """Write ticks, their words and the name of one axis; return what it takes beside the panel."""
    axis, flat = (ax.xaxis, True) if which == "x" else (ax.yaxis, False)
    look: Any = axis.get_tick_params()
    rc: Any = mpl.rcParams
    low, high = sorted(axis.get_view_interval())
    size = FontProperties(size=look.get("labelsize", rc[f"{which}tick.labelsize"]))
    length = float(look.get("length", rc[f"{which}tick.major.size"]))
    every, near = np.asarray(axis.get_majorticklocs()).tolist(), 1e-9 * (high - low)
    told = [
        (float(place), word)
        for place, word in zip(every, axis.get_major_formatter().format_ticks(every), strict=True)
        if low - near <= place <= high + near
    ]
    transform = ax.get_xaxis_transform() if flat else ax.get_yaxis_transform()
    colour = rc[f"{which}tick.color"]
    if told and length:
        spots = [(place, 0.0) if flat else (0.0, place) for place, _ in told]
        marks = Line2D(*zip(*spots, strict=True), color=colour, linestyle="", markersize=length)
        marks.set(marker=TICKDOWN if flat else TICKLEFT, markeredgewidth=0.8)
        marks.set(transform=transform, clip_on=False, zorder=2.01)
        ax.add_artist(marks)
    away, line = length + _FREE, size.get_size_in_points() * _LEADING
    upright, deep = look.get("rotation") == 90, 0.0
    written = _Words(ax)
    own: dict[str, Any] = {"fontproperties": size, "color": rc[f"{which}tick.labelcolor"]}
    for place, word in told:
        words = word.split("\n") if word else []
        wide = max((measured(one, size)[0] for one in words), default=0.0)
        deep = max(deep, len(words) * line if flat and not upright else wide)
        spot, look = ((place, 0.0), _BELOW) if flat else ((0.0, place), _LEFT)
        for turn, one in enumerate(words):
            row = turn - (len(words) - 1) / 2  # from the middle of all lines
            if upright:
                off = (row * line, -away)
            else:
                off = (0.0, -away - turn * line) if flat else (-away, -row * line)
            written.add(spot, one, transform, off, **look, **own, rotation=90 if upright else None)
    deep += away if deep else length
    if name := axis.label.get_text():
        away = deep + _FREE
        own = {"fontproperties": axis.label.get_fontproperties(), "color": axis.label.get_color()}
        if flat:
            written.add((0.5, 0.0), name, ax.transAxes, (0.0, -away), **_BELOW, **own)
            written.name = written.words[-1]
        else:
            side: dict[str, Any] = {"ha": "right", "va": "center", "rotation": 90}
            written.add((0.0, 0.5), name, ax.transAxes, (-away, 0.0), **side, **own)
        deep = away + float(axis.label.get_fontsize()) * _LEADING * (1 + name.count("\n"))
    ax.add_artist(written)
    axis.set_visible(False)
    return deep


class _Words(Artist):
    """Texts beside a panel, drawn as texts of it would be; not cut by it, nor asked for their room."""

    def __init__(self, ax: Axes) -> None:
        super().__init__()
        self.words: list[Text] = []
        self.name: Text | None = None  # of the lower axis
        self._paper = ax.get_figure(root=True)
        self.set(zorder=Text.zorder, clip_on=False, in_layout=False)

    def add(
        self,
        spot: tuple[float, float],
        word: str,
        transform: Any,
        off: tuple[float, float],
        **look: Any,
    ) -> None:
        """Write a text at a spot, so many points off it."""
        scale = self._paper.dpi_scale_trans  # type: ignore[union-attr] # it stands in one
        moved = transform + ScaledTranslation(off[0] / POINTS, off[1] / POINTS, scale)
        text = Text(*spot, word, transform=moved, clip_on=False, **look)
        text.set_figure(self._paper)  # type: ignore[arg-type] # as above
        self.words.append(text)

    def draw(self, renderer: RendererBase) -> None:
        """Draw each."""
        for one in self.words:
            one.draw(renderer)
