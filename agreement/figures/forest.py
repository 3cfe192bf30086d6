"""Several studies under one another: bias and limits of each, of a typical squad and of the next."""

from typing import Final

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import NullLocator

from agreement.figures.colours import FAINT, FIELD, OWN, PAPER, SOFT
from agreement.figures.estimates import Estimate
from agreement.figures.labels import DIFFERENCE, shortened
from agreement.figures.rows import draw_bar, draw_interval, draw_mark, write

_ROW: Final = 0.44  # [inch]


def forest_height(studies: int) -> float:
    """Return how high the figure of so many studies should be. [inch]."""
    return 1.2 + _ROW * (studies + 2)


def plot_forest(studies: pd.DataFrame, summary: pd.DataFrame, *, ax: Axes) -> Axes:
    """
    Draw each study's bias and limits, and below them what the pool says.

    studies: name, n, bias, low, high (interval of the bias), lower_limit, upper_limit. [mL/kg/min]
    summary: the same columns for a typical squad and the next squad; n may be missing.
    """
    rows = [*studies.to_dict("records"), *summary.to_dict("records")]
    for place, row in enumerate(rows):
        own = place < len(studies)
        colour, weight, marker = (FIELD, 1.8, "o") if own else (OWN, 2.6, "D")
        limits = row["lower_limit"], row["upper_limit"]
        bias = Estimate(row["bias"], row["low"], row["high"])
        draw_bar(ax, limits, place, FAINT, 5.5, solid_capstyle="butt")
        draw_interval(ax, bias, place, colour, weight)
        draw_mark(ax, bias, place, marker, colour, 6, markeredgecolor=colour)
        name, n = str(row["name"]), "" if pd.isna(row["n"]) else f", n {int(row['n'])}"
        paper = {"facecolor": PAPER, "edgecolor": "none", "pad": 1}
        write(ax, shortened(name) + n, (0.0, place - 0.32), bbox=paper)
    ax.axvline(0, color=SOFT, linewidth=0.8)
    ax.spines["left"].set_visible(False)
    if len(summary):
        ax.axhline(len(studies) - 0.5, color=SOFT, linewidth=0.6, linestyle=":")
    ax.yaxis.set_major_locator(NullLocator())
    ax.set(ylim=(len(rows) - 0.7, -0.6), xlabel=DIFFERENCE)
    return ax
