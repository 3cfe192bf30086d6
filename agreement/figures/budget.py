"""The error budget: what the width of the limits is made of."""

from typing import Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from agreement.figures.colours import FIELD, SOFT
from agreement.figures.estimates import Estimate, HasFrame, estimates
from agreement.figures.labels import SideLabel, number, side_labels

COMPONENTS: Final = {
    "laboratory_repeat": "laboratory's own error",
    "day_to_day": "day-to-day noise",
    "profile_inputs": "wrong inputs to the estimator",
    "sensor": "heart-rate sensor",
    "level": "fitness level",
    "training_profile": "training profile",
    "persistent_rest": "the estimator itself, the rest",
}


def plot_budget(budget: HasFrame | pd.DataFrame, *, ax: Axes) -> Axes:
    """
    Draw the components of the variance of one reading's difference.

    Parameters
    ----------
    budget : result or DataFrame
        With the statistics of the error budget: variances by component and
        half_width_without_<component>. [(mL/kg/min)^2 and mL/kg/min]
    ax : Axes

    Returns
    -------
    Axes
        The number beside each bar: half width of the limits if the component were gone.
    """
    known = estimates(budget)
    parts = [(name, known[name]) for name in COMPONENTS if _there(known, name)]
    labels = []
    for place, (name, part) in enumerate(reversed(parts)):
        ax.barh(place, part.value, height=0.55, color=FIELD, alpha=0.85, gid=part.key or None)
        if np.isfinite([part.low, part.high]).all():
            ax.plot(
                [part.low, part.high],
                [place, place],
                color=SOFT,
                linewidth=1.2,
                marker="|",
                markersize=6,
            )
        without = known.get(f"half_width_without_{name}")
        if without is not None and without.known:
            labels.append(SideLabel(place, f"\u00b1{number(without.value)}", SOFT))
    ax.set_yticks(range(len(parts)), [COMPONENTS[name] for name, _ in reversed(parts)])
    ax.tick_params(axis="y", length=0)
    ax.set_ylim(-0.6, len(parts) - 0.4)
    ax.set_xlim(left=0)
    ax.set_xlabel("variance of one reading's difference ((mL/kg/min)\u00b2)")
    ax.annotate(
        "limits without it",
        (1, 1),
        xycoords="axes fraction",
        xytext=(5, 4),
        textcoords="offset points",
        fontsize=8.5,
        color=SOFT,
        annotation_clip=False,
    )
    side_labels(ax, labels)
    return ax


def _there(known: dict[str, Estimate], name: str) -> bool:
    """Tell whether a component has a number."""
    return name in known and known[name].known


def budget_alt(budget: HasFrame | pd.DataFrame) -> str:
    """Return what the budget figure shows, as a sentence."""
    known = estimates(budget)
    parts = sorted(
        ((known[name].value, word) for name, word in COMPONENTS.items() if _there(known, name)),
        reverse=True,
    )
    if not parts:
        return "No error budget could be computed."
    listed = "; ".join(f"{word} {number(value)}" for value, word in parts)
    return f"Variance of one reading's difference by source, in (mL/kg/min) squared: {listed}."
