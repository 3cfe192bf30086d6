"""A matrix of shaded cells with words in them."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import Colormap

from agreement.arrays import Floats, Objects
from agreement.figures.colours import INK, PAPER
from agreement.figures.key import SIZE
from agreement.figures.labels import name_ticks


# Ours: seaborn's heatmap draws the whole figure once to look whether words of its axes touch.
def draw_cells(
    ax: Axes,
    shades: Floats,
    words: Objects,
    colours: Colormap,
    *,
    names: tuple[Sequence[str], Sequence[str]],
    title: str,
    most: float | None = None,
    upright: bool = False,
) -> None:
    """
    Draw cells from left to right and from top to bottom, without frame.

    shades, words: shape (rows, columns); no number: no cell.
    names: of rows, and of columns.
    most: shade of the last colour; default: the largest.
    upright: whether the names of columns stand upright.
    """
    name_ticks(ax, "x", names[1], start=0.5, upright=upright)
    name_ticks(ax, "y", names[0], start=0.5)
    ax.set_title(title, fontsize=9.5, fontweight="normal")
    if not shades.size:
        return
    shown = np.ma.masked_invalid(shades)
    ax.pcolormesh(shown, cmap=colours, vmin=0, vmax=most, edgecolors=PAPER, linewidth=1.5)
    style: dict[str, Any] = {"fontsize": SIZE, "color": INK, "linespacing": 1.2}
    for (row, column), word in np.ndenumerate(words):
        if word:
            ax.text(column + 0.5, row + 0.5, word, ha="center", va="center", **style)
    ax.set_xlim(0, shades.shape[1])
    ax.set_ylim(shades.shape[0], 0)
    for spine in ax.spines.values():
        spine.set_visible(False)
