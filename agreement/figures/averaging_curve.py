"""The averaging curve: how averaging over days narrows the limits."""

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator

from agreement.figures.colours import AGREED, FIELD, FLOOR, INK, MARGIN, NOISE, SHADE
from agreement.figures.estimates import Caption, Estimate, chosen
from agreement.figures.key import explain
from agreement.figures.labels import SideLabel, shown, side_labels
from agreement.terms import plain


def plot_averaging(curve: pd.DataFrame, *, margin: float | None = None, ax: Axes) -> Axes:
    """
    Draw the half width of the limits against the number of days averaged.

    curve: rows of the results table: analysis ``averaging_curve`` of one method and mode, groups
        ``1`` ... ``14`` and ``floor``. [mL/kg/min]
    margin: the limit agreed beforehand. [mL/kg/min]
    """
    labels = []
    (days, fitted), (seen, observed) = (
        _series(curve, f"half_width_{name}") for name in ("fitted", "observed")
    )
    if days:
        value, low, high = np.array([point[:3] for point in fitted]).T
        if all(point.bounded for point in fitted):
            ax.fill_between(days, low, high, **SHADE)
        ax.plot(days, value, color=FIELD, label="fitted")
        word = f"fitted, {days[-1]} days\n\u00b1{shown(fitted[-1])}"
        labels.append(SideLabel(value[-1], word, FIELD))
    if seen:
        look: dict[str, Any] = {"color": INK, "markersize": 4.6, "zorder": 4}
        ax.plot(seen, [point.value for point in observed], "o", label="observed", **look)
    lowest = curve[curve["group"] == "floor"]
    floor = chosen(lowest, "half_width_laboratory")[0]
    if floor.known:
        ax.axhline(floor.value, gid=floor.key or None, **FLOOR)
        declared = "note" in lowest and (lowest["note"] == "assumed").any()
        word = f"laboratory's noise{', declared' if declared else ''}\n\u00b1{shown(floor)}"
        labels.append(SideLabel(floor.value, word, NOISE))
    if margin is not None:
        ax.axhline(margin, **AGREED)
        labels.append(SideLabel(margin, f"agreed \u00b1{plain(margin)}", MARGIN))
    name_days(ax)
    ax.set(xlim=(0.5, 14.5), ylim=(0, 1.05 * ax.get_ylim()[1]))
    explain(ax)
    side_labels(ax, labels)
    return ax


def name_days(ax: Axes) -> None:
    """Give a panel the axes of an averaging curve."""
    ax.xaxis.set_major_locator(FixedLocator(range(1, 15, 2)))
    ax.set(xlabel="days averaged", ylabel="half width (mL/kg/min)")
    ax.set_ylim(bottom=0)


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
    band = bool(fitted[0]) and all(point.bounded for point in fitted[1])
    told = {"ends": ends, "observed": bool(observed[0]), "fitted": bool(fitted[0]), "band": band}
    return Caption("averaging", told)
