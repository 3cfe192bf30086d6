"""A matrix of shaded cells with words in them."""

from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.colors import Colormap

from agreement.figures.colours import INK, PAPER
from agreement.figures.key import SIZE


# Ours: seaborn's heatmap draws the whole figure once to look whether words of its axes touch.
def draw_cells(
    ax: Axes,
    shades: npt.NDArray[np.float64],
    words: npt.NDArray[np.object_],
    colours: Colormap,
    *,
    most: float | None = None,
) -> None:
    """
    Draw cells from left to right and from top to bottom, without frame.

    shades, words: shape (rows, columns); no number: no cell.
    most: shade of the last colour; default: the largest.
    """
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
