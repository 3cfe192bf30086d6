"""Lines through the pairs: which laboratory value a field value stands for, and the structural one."""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from agreement.figures.colours import FIELD, OWN, SHADE
from agreement.figures.estimates import AnyRows, Caption, chosen
from agreement.figures.key import SIZE, explain
from agreement.figures.labels import shown
from agreement.figures.points import draw_identity, draw_points, ends_of

_NAMES: Final = ("slope", "intercept", "standard_error_of_estimate")


def plot_regression(
    pairs: pd.DataFrame, line: AnyRows, *, told: Sequence[str] | None = None, ax: Axes
) -> Axes:
    """
    Draw laboratory against field values, the line of identity and the calibration line.

    pairs: columns field, lab. [mL/kg/min]
    line: with the statistics slope, intercept and standard_error_of_estimate of laboratory on
        field. The band is one standard error of estimate wide on each side: about 68 % of athletes.
    told: what each point says when it is pointed at.
    """
    ax.set(xlabel="field VO2max (mL/kg/min)", ylabel="laboratory VO2max (mL/kg/min)")
    slope, intercept, spread = chosen(line, *_NAMES)
    field, lab = pairs["field"].to_numpy(), pairs["lab"].to_numpy()
    draw_identity(ax, ends_of(field, lab), "identity: field = laboratory")
    if slope.known and intercept.known:
        span = np.array([field.min(), field.max()])
        height = intercept.value + slope.value * span
        if spread.known:
            word, key = "\u00b1 1 standard error of estimate", spread.key or None
            around = (height - spread.value, height + spread.value)
            ax.fill_between(span, *around, gid=key, label=word, **SHADE)
        look: dict[str, Any] = {"color": FIELD, "linestyle": "--", "gid": slope.key or None}
        ax.plot(span, height, label="calibration line", **look)
        equation = f"laboratory =\n{shown(intercept)} + {shown(slope, 2)} field"
        ax.text(0.03, 0.97, equation, transform=ax.transAxes, va="top", fontsize=SIZE, color=FIELD)
    draw_points(ax, field, lab, told=told)
    explain(ax)
    return ax


def regression_caption(line: AnyRows) -> Caption:
    """Return what the calibration figure shows."""
    slope, intercept, spread, r = chosen(line, *_NAMES, "r")
    return Caption("regression", {"slope": slope, "intercept": intercept, "spread": spread, "r": r})


def plot_structural(
    pairs: pd.DataFrame, line: AnyRows, *, told: Sequence[str] | None = None, ax: Axes
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
        middle = (float(lab.mean()), float(field.mean()))
        across = np.linspace(ends[0], ends[1], 61) - middle[0]
        known, reach = np.isfinite(slope[1:3]), float(np.ptp(ends))
        steep = np.where(known, slope[1:3], (-1e3, 1e3))  # as good as vertical
        heights = middle[1] + np.outer(steep, across)
        if known.any():
            word = "95 % interval of its slope"
            word += "" if known.all() else ", one end not set by the data"
            edges = np.clip(heights, ends[0] - reach, ends[1] + reach)
            ax.fill_between(across + middle[0], *edges, label=word, **SHADE)
        word = "net of the laboratory's noise"
        look: dict[str, Any] = {"color": OWN, "linestyle": "--", "gid": slope.key or None}
        ax.plot(across + middle[0], middle[1] + slope.value * across, label=word, **look)
        word = f"slope {shown(slope, 2)}"
        ax.text(0.03, 0.97, word, transform=ax.transAxes, va="top", fontsize=SIZE, color=OWN)
    draw_points(ax, lab, field, told=told)
    explain(ax)
    return ax


def structural_caption(line: AnyRows) -> Caption:
    """Return what the figure of the structural line shows."""
    return Caption("structural", {"slope": chosen(line, "slope")[0]})
