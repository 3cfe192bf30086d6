"""What the marks of a figure mean: samples with their words, below a panel or several."""

from collections.abc import Sequence
from typing import Any, Final

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backend_bases import RendererBase
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle
from matplotlib.text import Text
from matplotlib.transforms import Bbox, IdentityTransform

from agreement.figures.canvas import POINTS, measured
from agreement.figures.colours import INK

SIZE: Final = 8.5  # of the words, and of all small words of a figure. [pt]
_SAMPLE, _GAP = 20.0, 5.0  # of a sample, and to its word. [pt]
_APART, _LINE = 12.0, 12.0  # of entries, and of lines. [pt]
_EDGE: Final = 7.0  # of the figure, at both sides. [pt]
_USUAL_DROP: Final = 42.0  # what tick labels and the axis' name take in a figure of somebody's own


# Ours: matplotlib's legend measures itself anew in each drawing, a tenth of a figure's time.
class Key(Artist):
    """Entries in lines, as many in one as fit, from the left edge of the figure."""

    def __init__(self, entries: dict[str, Artist]) -> None:
        super().__init__()
        self.entries = entries  # word -> what is drawn
        self.drop = _USUAL_DROP  # from the foot of the panel
        self.set_clip_on(False)

    def placed(self) -> list[tuple[str, float, int]]:
        """Return each word with its place in its line [pt], and the line's number."""
        x, line, found = 0.0, 0, []
        for word in self.entries:
            wide = _SAMPLE + _GAP + measured(word, FontProperties(size=SIZE))[0]
            if x and x + wide > self._figure().get_figwidth() * POINTS - 2 * _EDGE:
                x, line = 0.0, line + 1
            found.append((word, x, line))
            x += wide + _APART
        return found

    def height(self) -> float:
        """Return how much it takes. [pt]."""
        return _LINE * (1 + max((line for *_, line in self.placed()), default=-1))

    def get_window_extent(self, renderer: RendererBase | None = None) -> Bbox:
        """Return its place in the figure. [pixel]."""
        del renderer
        scale, wide = self._figure().dpi / POINTS, self._figure().bbox.width
        top = self._foot() - self.drop * scale
        return Bbox.from_extents(0, top - self.height() * scale, wide, top)

    def draw(self, renderer: RendererBase) -> None:
        """Draw samples and words."""
        figure, scale = self._figure(), self._figure().dpi / POINTS
        font = FontProperties(size=SIZE)
        for word, x, line in self.placed():
            left = (_EDGE + x) * scale
            middle = self._foot() - (self.drop + _LINE * (line + 0.5)) * scale
            for one in _sample(self.entries[word], left, middle, scale):
                one.set_transform(IdentityTransform())
                one.set_clip_on(False)
                one.set_figure(figure)
                one.draw(renderer)
            at = (left + (_SAMPLE + _GAP) * scale, middle - 3.1 * scale)
            words = Text(*at, word, fontproperties=font, color=INK)
            words.set_figure(figure)
            words.draw(renderer)

    def _figure(self) -> Any:
        return self.get_figure(root=True)

    def _foot(self) -> float:
        return 0.0 if self.axes is None else float(self.axes.bbox.y0)


def _sample(drawn: Artist, left: float, middle: float, scale: float) -> list[Artist]:
    """Return a short piece of what is drawn."""
    wide = _SAMPLE * scale
    if isinstance(drawn, Line2D):
        line, mark = Line2D([left, left + wide], [middle] * 2), Line2D([left + wide / 2], [middle])
        for one in (line, mark):
            one.update_from(drawn)
        line.set(marker="", solid_capstyle="butt")
        mark.set_linestyle("")
        return [line, mark]
    box = Rectangle((left, middle - 3.5 * scale), wide, 7 * scale)
    if isinstance(drawn, Patch):
        box.update_from(drawn)
    else:
        box.set(facecolor=drawn.get_facecolor()[0], linewidth=0)  # type: ignore[attr-defined] # a collection
    return [box]


def explain(ax: Axes, handles: Sequence[Artist] | None = None) -> None:
    """
    Explain the marks below a panel.

    handles: with labels; default: all labelled artists of the panel.
    """
    shown = ax.get_legend_handles_labels()[0] if handles is None else handles
    if shown:
        ax.add_artist(Key({str(one.get_label()): one for one in shown}))


def key_of(ax: Axes) -> Key | None:
    """Return what explains the marks of a panel."""
    return next((one for one in ax.artists if isinstance(one, Key)), None)


# Ours: seaborn's FacetGrid makes a figure of its own; these panels lie on a page, which places them.
def facet(axes: Sequence[Axes], titles: Sequence[str], *, share: str = "xy") -> Sequence[Axes]:
    """
    Give drawn panels the same axes, their titles, and one key below the last.

    axes: each drawn by the same function.
    titles: one for each panel.
    share: which axes get the same limits everywhere.
    """
    for which in share:
        ends = [end for ax in axes for end in getattr(ax, f"get_{which}lim")()]
        for ax in axes:
            getattr(ax, f"set_{which}lim")(min(ends), max(ends))
    entries: dict[str, Artist] = {}
    for ax, title in zip(axes, titles, strict=True):
        ax.set_title(title, fontsize=9.5)
        if (key := key_of(ax)) is not None:
            entries = key.entries | entries
            key.remove()
    if entries:
        axes[-1].add_artist(Key(entries))
    return axes
