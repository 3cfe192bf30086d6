"""The averaging curve: how averaging over days narrows the limits."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator

from agreement.figures.caption import Caption
from agreement.figures.colours import BAND, FIELD, INK, MARGIN, NOISE
from agreement.figures.estimates import ABSENT, Estimate, estimates
from agreement.figures.key import explain
from agreement.figures.labels import SideLabel, number, side_labels


def plot_averaging(curve: pd.DataFrame, *, margin: float | None = None, ax: Axes) -> Axes:
    """
    Draw the half width of the limits against the number of days averaged.

    curve: rows of the results table: analysis ``averaging_curve`` of one method and mode, groups
        ``1`` ... ``14`` and ``floor``. [mL/kg/min]
    margin: the limit agreed beforehand. [mL/kg/min]
    """
    labels = []
    days, fitted = _series(curve, "half_width_fitted")
    if days:
        values = [point.value for point in fitted]
        low, high = ([point[end] for point in fitted] for end in (1, 2))
        if np.isfinite(low).all() and np.isfinite(high).all():
            ax.fill_between(days, low, high, color=BAND, alpha=0.55, linewidth=0)
        ax.plot(days, values, color=FIELD, linestyle="-", label="fitted")
        labels.append(
            SideLabel(values[-1], f"fitted, {days[-1]} days\n\u00b1{number(values[-1])}", FIELD)
        )
    days, observed = _series(curve, "half_width_observed")
    if days:
        ax.plot(
            days,
            [point.value for point in observed],
            "o",
            color=INK,
            markersize=4.6,
            label="observed",
            zorder=4,
        )
    floor = estimates(curve[curve["group"] == "floor"]).get("half_width_laboratory", ABSENT)
    if floor.known:
        ax.axhline(floor.value, color=NOISE, linestyle=(0, (4, 2, 1, 2)), gid=floor.key or None)
        labels.append(
            SideLabel(floor.value, f"laboratory's noise\n\u00b1{number(floor.value)}", NOISE)
        )
    if margin is not None:
        ax.axhline(margin, color=MARGIN, linestyle=(0, (1, 1.2)), linewidth=1.8)
        labels.append(SideLabel(margin, f"agreed \u00b1{number(margin)}", MARGIN))
    ax.set_ylim(bottom=0)
    ax.set_ylim(top=1.05 * ax.get_ylim()[1])
    ax.xaxis.set_major_locator(FixedLocator(range(1, 15, 2)))
    ax.set_xlim(0.5, 14.5)
    ax.set_xlabel("days averaged")
    ax.set_ylabel("half width of the limits (mL/kg/min)")
    explain(ax)
    side_labels(ax, labels)
    return ax


def _series(curve: pd.DataFrame, statistic: str) -> tuple[list[int], list[Estimate]]:
    """Return the days at which a statistic is known, and its values."""
    rows = curve[(curve["statistic"] == statistic) & (curve["group"] != "floor")]
    known = rows[rows["value"].notna()]
    days = [int(group) for group in known["group"]]
    return days, [Estimate.of(row) for row in known.to_dict("records")]


def averaging_caption(curve: pd.DataFrame) -> Caption:
    """Return what the figure of the averaging curve shows."""
    fitted, observed = (_series(curve, f"half_width_{name}") for name in ("fitted", "observed"))
    days, points = fitted if fitted[0] else observed
    ends = [(days[place], points[place]) for place in (0, -1)] if days else []
    band = bool(fitted[0]) and bool(np.isfinite([point[1:3] for point in fitted[1]]).all())
    told = {"ends": ends, "observed": bool(observed[0]), "fitted": bool(fitted[0]), "band": band}
    return Caption("averaging", told)
