"""Several studies under one another: bias and limits of each, of a typical squad and of the next."""

from typing import Final

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import NullLocator

from agreement.figures.colours import FAINT, FIELD, OWN, PAPER, SOFT
from agreement.figures.key import SIZE

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
        colour, weight = (FIELD, 1.8) if own else (OWN, 2.6)
        limits = [row["lower_limit"], row["upper_limit"]]
        ax.plot(limits, [place, place], color=FAINT, linewidth=5.5, solid_capstyle="butt")
        ax.plot([row["low"], row["high"]], [place, place], color=colour, linewidth=weight)
        ax.plot([row["bias"]], [place], "o" if own else "D", color=colour, markersize=6)
        n = "" if pd.isna(row["n"]) else f"  n {int(row['n'])}"
        name = _short(str(row["name"]), 52) + n
        at = (0.0, place - 0.32)
        words = ax.annotate(
            name, at, xycoords=("axes fraction", "data"), va="center", fontsize=SIZE
        )
        words.set_bbox({"facecolor": PAPER, "edgecolor": "none", "pad": 1})
    ax.axvline(0, color=SOFT, linewidth=0.8)
    ax.spines["left"].set_visible(False)
    if len(summary):
        ax.axhline(len(studies) - 0.5, color=SOFT, linewidth=0.6, linestyle=":")
    ax.yaxis.set_major_locator(NullLocator())
    ax.set_ylim(len(rows) - 0.7, -0.6)
    ax.set_xlabel("field \u2212 laboratory (mL/kg/min)")
    return ax


def _short(name: str, most: int) -> str:
    return name if len(name) <= most else name[: most - 1] + "\u2026"
