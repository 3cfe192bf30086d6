"""The calibration line: which laboratory value a field value stands for."""

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from agreement.figures.caption import Caption
from agreement.figures.colours import BAND, FAINT, FIELD
from agreement.figures.estimates import ABSENT, estimates
from agreement.figures.key import SIZE, explain
from agreement.figures.labels import number
from agreement.figures.points import draw_points
from agreement.stats.record import HasFrame


def plot_regression(
    pairs: pd.DataFrame,
    line: HasFrame | pd.DataFrame,
    *,
    told: Sequence[str] | None = None,
    ax: Axes,
) -> Axes:
    """
    Draw laboratory against field values, the line of identity and the calibration line.

    pairs: columns field, lab. [mL/kg/min]
    line: with the statistics slope, intercept and standard_error_of_estimate of laboratory on
        field. The band is one standard error of estimate wide on each side: about 68 % of athletes.
    told: what each point says when it is pointed at.
    """
    ax.set_xlabel("field VO2max (mL/kg/min)")
    ax.set_ylabel("laboratory VO2max (mL/kg/min)")
    known = estimates(line)
    field, lab = pairs["field"].to_numpy(), pairs["lab"].to_numpy()
    low, high = min(field.min(), lab.min()), max(field.max(), lab.max())
    room = 0.05 * max(high - low, 1.0)
    ends = np.array([low - room, high + room])
    ax.plot(ends, ends, color=FAINT, linestyle=(0, (1, 1.5)), label="identity: field = laboratory")
    slope, intercept, spread = (
        known.get(name, ABSENT) for name in ("slope", "intercept", "standard_error_of_estimate")
    )
    if slope.known and intercept.known:
        span = np.array([field.min(), field.max()])
        height = intercept.value + slope.value * span
        if spread.known:
            ax.fill_between(
                span,
                height - spread.value,
                height + spread.value,
                color=BAND,
                alpha=0.55,
                linewidth=0,
                gid=spread.key or None,
                label="\u00b1 1 standard error of estimate",
            )
        ax.plot(
            span,
            height,
            color=FIELD,
            linestyle="--",
            gid=slope.key or None,
            label="calibration line",
        )
        equation = f"laboratory =\n{number(intercept.value)} + {number(slope.value, 2)} field"
        ax.text(0.03, 0.97, equation, transform=ax.transAxes, va="top", fontsize=SIZE, color=FIELD)
    draw_points(ax, field, lab, told=told)
    ax.set_xlim(*ends)
    ax.set_ylim(*ends)
    ax.set_aspect("equal", anchor="W")
    explain(ax)
    return ax


def regression_caption(line: HasFrame | pd.DataFrame) -> Caption:
    """Return what the calibration figure shows."""
    known = estimates(line)
    names = {"slope": "slope", "intercept": "intercept", "r": "r"}
    names["spread"] = "standard_error_of_estimate"
    return Caption("regression", {word: known.get(name, ABSENT) for word, name in names.items()})
