"""Bias by training profile: is the field estimate wrong in another way for some of them."""

from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from agreement.figures.colours import FIELD, OWN, PAPER, SOFT, ZERO, Mark
from agreement.figures.estimates import Caption, Estimate, chosen
from agreement.figures.key import explain
from agreement.figures.labels import (
    VO2MAX_DIFFERENCE,
    SideLabel,
    broken,
    name_ticks,
    shown,
    side_labels,
    with_interval,
)
from agreement.figures.points import MOST_POINTS, evenly
from agreement.figures.rows import draw_bar, draw_mark, write_above
from agreement.figures.theme import marks_for

_POINTS: Final[dict[str, Any]] = {
    "color": SOFT,
    "alpha": 0.6,
    "markersize": 3,
    "markeredgewidth": 0,
}
_POINT_LANE = 0.32  # how far the points of pairs lie below their group's bias, in rows
_POOLED_LANE = 0.17  # the same of the bias that borrows from the other groups


def plot_profiles(
    pairs: pd.DataFrame, groups: pd.DataFrame, overall: Estimate, *, ax: Axes
) -> Axes:
    """
    Draw for each training profile its bias with interval, its limits and its pairs.

    pairs: columns training_profile, field, lab. [mL/kg/min]
    groups: rows of the results table: analysis ``profile_bias`` of one method and mode; the groups
        are drawn from top to bottom in their order, ``all`` is passed over. Groups without a bias
        show their points only. Where there is a ``bias_pooled``, it is a hollow mark below.
    overall: the bias over all pairs, drawn as a line.
    """
    names = [name for name in pd.unique(groups["group"]) if name != "all"]
    marks = marks_for(names)
    labels = []
    for place, name in enumerate(reversed(names)):
        own = groups[groups["group"] == name]
        # the pairs in a lane below their group's bias
        people = pairs[pairs["training_profile"] == name]
        difference = np.sort((people["field"] - people["lab"]).to_numpy())
        difference = difference[evenly(difference.size, MOST_POINTS)]
        lane = place - _POINT_LANE - 0.04 * (np.arange(difference.size) % 3)
        ax.plot(difference, lane, marks[name].marker, **_POINTS)
        labels.append(SideLabel(place, _draw_group(ax, own, place, marks[name]), SOFT))
    ax.axvline(0, **ZERO)
    if overall.known:
        ax.axvline(overall.value, color=FIELD, linestyle=(0, (2, 2)), linewidth=1.1, zorder=1)
        write_above(ax, f"all: {shown(overall)}", overall.value, FIELD)
    name_ticks(ax, "y", [broken(name, 16) for name in reversed(names)])
    ax.set(ylim=(-0.6, len(names) - 0.4), xlabel=VO2MAX_DIFFERENCE)
    told = set(groups.loc[groups["statistic"].eq("bias") & groups["value"].notna(), "group"])
    if (groups["statistic"].eq("bias_pooled") & groups["group"].isin(told)).any():
        style: dict[str, Any] = {"markerfacecolor": PAPER, "markersize": 5.5}
        ax.plot(
            [], [], "D-", color=OWN, label="with the other profiles taken into account", **style
        )
        explain(ax)
    side_labels(ax, labels)
    return ax


def _draw_group(ax: Axes, own: pd.DataFrame, place: int, mark: Mark) -> str:
    """Draw limits (thin), interval (thick) and bias (mark) of one group; return its label."""
    bias, lower, upper, pooled = chosen(own, "bias", *("lower_limit", "upper_limit", "bias_pooled"))
    if lower.known and upper.known:
        for limit in (lower, upper):
            draw_mark(ax, limit, place, "|", mark.colour, 9, markeredgecolor=mark.colour, zorder=2)
        draw_bar(ax, (lower.value, upper.value), place, mark.colour, 0.9)
    if not bias.known:
        return "too few to say"
    draw_bar(ax, bias[1:3], place, mark.colour, 4, alpha=0.45, solid_capstyle="butt")
    if pooled.known:  # hollow, below the group's own
        height = place - _POOLED_LANE
        if pooled.bounded:
            draw_bar(ax, pooled[1:3], height, OWN, 1.4)
        hollow = {"markerfacecolor": PAPER, "markeredgecolor": OWN, "markeredgewidth": 1.4}
        draw_mark(ax, pooled, height, "D", OWN, 5.5, zorder=5, **hollow)
    draw_mark(ax, bias, place, mark.marker, mark.colour, 8)
    return with_interval(bias)


def profiles_caption(groups: pd.DataFrame) -> Caption:
    """Return what the figure of training profiles shows; `groups`: those that are drawn."""
    known = groups[groups["value"].notna()]
    biases = known[known["statistic"] == "bias"].to_dict("records")
    told = [(row["group"], Estimate.of(row)) for row in biases]
    limits = (known["statistic"] == "upper_limit").any()
    return Caption("profiles", {"biases": told, "limits": limits})
