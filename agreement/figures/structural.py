"""The structural line: whether the field value follows the athlete's true value."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from agreement.figures.colours import OWN, SHADE
from agreement.figures.estimates import Caption, Estimate, chosen
from agreement.figures.key import SIZE, explain
from agreement.figures.labels import shown
from agreement.figures.points import draw_identity, draw_points, ends_of
from agreement.stats.record import HasFrame


def plot_structural(
    pairs: pd.DataFrame,
    line: HasFrame | pd.DataFrame,
    *,
    told: Sequence[str] | None = None,
    ax: Axes,
) -> Axes:
    """
    Draw field against laboratory values, and the line net of the laboratory's noise with its band.

    pairs: columns field, lab. [mL/kg/min]
    line: with the statistic slope of analysis ``structural``. The line and its band run through the
        means of both. An end that the data did not set is a band up to the vertical.
    told: what each point says when it is pointed at.
    """
    ax.set(xlabel="laboratory VO2max (mL/kg/min)", ylabel="field VO2max (mL/kg/min)")
    (slope,) = chosen(line, "slope")
    lab, field = pairs["lab"].to_numpy(), pairs["field"].to_numpy()
    if not lab.size:
        return ax
    ends = ends_of(lab, field)
    draw_identity(ax, ends, "field = laboratory")
    if slope.known:
        _draw_line(ax, slope, ends, (float(lab.mean()), float(field.mean())))
    draw_points(ax, lab, field, told=told)
    explain(ax)
    return ax


def _draw_line(ax: Axes, slope: Estimate, ends: np.ndarray, middle: tuple[float, float]) -> None:
    """Draw the line through the middle of all pairs, between its shallowest and steepest."""
    across = np.linspace(ends[0], ends[1], 61) - middle[0]
    known, reach = np.isfinite(slope[1:3]), float(np.ptp(ends))
    steep = np.where(known, slope[1:3], (-1e3, 1e3))  # as good as vertical
    heights = middle[1] + np.outer(steep, across)
    if known.any():
        word = "95 % interval of its slope" + (
            "" if known.all() else ", one end not set by the data"
        )
        edges = np.clip(heights, ends[0] - reach, ends[1] + reach)
        ax.fill_between(across + middle[0], *edges, label=word, **SHADE)
    word = "net of the laboratory's noise"
    look: dict[str, Any] = {"color": OWN, "linestyle": "--", "gid": slope.key or None}
    ax.plot(across + middle[0], middle[1] + slope.value * across, label=word, **look)
    word = f"slope {shown(slope, 2)}"
    ax.text(0.03, 0.97, word, transform=ax.transAxes, va="top", fontsize=SIZE, color=OWN)


def structural_caption(line: HasFrame | pd.DataFrame) -> Caption:
    """Return what the figure of the structural line shows."""
    return Caption("structural", {"slope": chosen(line, "slope")[0]})
