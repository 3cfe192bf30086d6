"""Pairs as points: from a table or two arrays, in an order that tells nothing, said when pointed at."""

from collections.abc import Sequence
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap

from agreement.arrays import Floats, Ints
from agreement.figures.canvas import tell_points
from agreement.figures.colours import EQUAL, INK, PAPER

MOST_POINTS: Final = 800  # more would be a blot: their density is drawn instead
_CELLS: Final = 36  # of the density, along each axis


def pair_words(pairs: pd.DataFrame) -> list[str]:
    """
    Return what each pair says when it is pointed at: athlete, laboratory value, date.

    Not for an audit: there a point must carry nothing.
    """
    dates = pairs["lab_date"] if "lab_date" in pairs else [""] * len(pairs)
    return [
        f"{who}: laboratory {lab:.1f} mL/kg/min" + (f", {str(day)[:10]}" if str(day) else "")
        for who, lab, day in zip(pairs["athlete_id"], pairs["lab"], dates, strict=True)
    ]


def evenly(count: int, most: int) -> Ints:
    """
    Return the places of at most `most` of `count` things in order, evenly spread, ends included.

    >>> evenly(9, 3).tolist(), evenly(2, 3).tolist()
    ([0, 4, 8], [0, 1])
    """
    return np.linspace(0, count - 1, min(count, most)).astype(np.intp)


def ends_of(*values: npt.ArrayLike, room: float = 0.05) -> Floats:
    """Return where an axis begins and ends that holds all values; `room`: share of it beyond."""
    every = np.concatenate([np.asarray(one, dtype=np.float64) for one in values])
    free = room * max(float(np.ptp(every)), 1.0)
    return np.array([every.min() - free, every.max() + free])


def draw_identity(ax: Axes, ends: Floats, label: str, *, anchor: Literal["W", "S"] = "W") -> None:
    """Make the axes square, of the same ends, and draw where both are equal."""
    ax.plot(ends, ends, label=label, **EQUAL)
    ax.set(xlim=ends, ylim=ends)
    ax.set_aspect("equal", anchor=anchor)


def draw_points(
    ax: Axes,
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    *,
    filled: npt.ArrayLike | None = None,
    told: Sequence[str] | None = None,
    words: tuple[str, str] = ("", ""),
) -> None:
    """
    Draw points from left to right, whatever the order they come in; above 800 their density.

    x, y: shape (n,).
    filled: shape (n,). Default: all.
    told: what each point says when it is pointed at.
    words: what filled and hollow points are, for the legend.
    """
    across, up = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    full = np.ones(across.size, bool) if filled is None else np.asarray(filled, dtype=bool)
    if not across.size:
        return
    if across.size > MOST_POINTS:
        shades = LinearSegmentedColormap.from_list("ink", [(INK, 0.08), (INK, 1.0)])
        sns.histplot(x=across, y=up, bins=_CELLS, cmap=shades, ax=ax, zorder=2)
        return
    order = np.lexsort((*(() if told is None else (np.asarray(told),)), full, up, across))
    # Ours: seaborn's scatter plot of as many points takes seven times as long
    look: dict[str, Any] = {
        "edgecolor": INK,
        "linewidth": 0.9,
        "s": 18,
        "zorder": 4,
        "clip_on": False,
    }
    points = ax.scatter(across[order], up[order], c=np.where(full[order], INK, PAPER), **look)
    if told is not None:
        tell_points(points, [told[place] for place in order])
    for state, fill, word in ((True, INK, words[0]), (False, PAPER, words[1])):
        if word and (full == state).any():
            edge: dict[str, Any] = {"markeredgecolor": INK, "markeredgewidth": 0.9}
            ax.plot([], [], "o", markerfacecolor=fill, markersize=4.6, label=word, **edge)
