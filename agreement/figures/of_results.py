"""Any result as a picture: its own figure where it has one, else its numbers with their intervals."""

from collections.abc import Callable
from typing import Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from agreement.figures.averaging_curve import plot_averaging
from agreement.figures.budget import plot_budget
from agreement.figures.colours import FIELD, ZERO
from agreement.stats.record import HasFrame
from agreement.terms import UNIT

_OWN: Final[dict[str, Callable[..., Axes]]] = {
    "half_width_fitted": plot_averaging,
    "persistent_rest": plot_budget,
}


def plot_result(result: HasFrame, ax: Axes | None = None) -> Axes:
    """
    Draw one result.

    ax: without it matplotlib's current axes.
    Returns: the averaging curve and the error budget as in reports; of other results one row for
        each number that has a value, those of the unit that most of them have.
    """
    if ax is None:
        from matplotlib import pyplot as plt  # only where a figure of the caller's is current

        ax = plt.gca()
    frame = result.to_frame()
    own = next((draw for name, draw in _OWN.items() if name in set(frame["statistic"])), None)
    return own(frame, ax=ax) if own else plot_estimates(frame, ax=ax)


def plot_estimates(frame: pd.DataFrame, *, ax: Axes) -> Axes:
    """
    Draw numbers under one another, each with its interval.

    frame: columns statistic, value, low, high, unit and, where there are groups, group.
    """
    known = frame[np.isfinite(frame["value"].to_numpy(np.float64))]
    if known.empty:
        ax.text(0.5, 0.5, "no number to draw", ha="center", transform=ax.transAxes)
        return ax
    commonest = known["unit"].mode(dropna=False).tolist()
    unit = UNIT if UNIT in commonest else commonest[0]
    rows = known[known["unit"] == unit]
    names = rows["statistic"].str.replace("_", " ")
    if "group" in rows:
        names = names + (", " + rows["group"]).where(rows["group"] != "all", "")
    value, low, high = (rows[name].to_numpy(np.float64) for name in ("value", "low", "high"))
    places = np.arange(len(rows))
    ax.hlines(places, low, high, color=FIELD, linewidth=1.6)
    ax.plot(value, places, "o", color=FIELD, markersize=5)
    if low.min() < 0 < high.max() or (value.min() < 0 < value.max()):
        ax.axvline(0, **ZERO)
    ax.set_yticks(places, names.tolist())
    ax.set_ylim(len(rows) - 0.5, -0.5)
    ax.set_xlabel("" if unit == "1" else unit)
    return ax
