"""The error budget: what the width of the limits is made of."""

from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes

from agreement.figures.colours import BAND, INK, SOFT
from agreement.figures.estimates import AnyRows, Caption, Estimate, estimates
from agreement.figures.labels import SideLabel, broken, name_ticks, shown, side_labels
from agreement.figures.rows import write

SOURCE_WORDS: Final = {
    "laboratory_repeat": "laboratory's own error",
    "day_to_day": "day-to-day noise",
    "profile_inputs": "wrong inputs to the estimator",
    "sensor": "heart-rate sensor",
    "level": "fitness level",
    "training_profile": "training profile",
    "persistent_rest": "the estimator itself, the rest",
}

_WHISKERS: Final[dict[str, Any]] = {
    "fmt": "|",
    "color": INK,
    "linewidth": 1.6,
    "capsize": 5,
    "markersize": 12,
    "markeredgewidth": 1.6,
}


def budget_height(budget: AnyRows) -> float:
    """Return how high the figure should be. [inch]."""
    known = estimates(budget)
    return 1.3 + 0.26 * sum(_there(known, name) for name in SOURCE_WORDS)


def plot_budget(budget: AnyRows, *, ax: Axes) -> Axes:
    """
    Draw how far each source alone would spread one reading's difference.

    budget: with the statistics of the error budget: variances by component and
        half_width_without_<component>. [(mL/kg/min)^2 and mL/kg/min]
    Returns: bars are square roots of the variances [mL/kg/min]: their squares add up, not they. The
        number beside each bar: half width of the limits if the component were gone.
    """
    known = estimates(budget)
    parts = [(name, root(known[name])) for name in SOURCE_WORDS if _there(known, name)]
    labels = []
    for place, (name, part) in enumerate(reversed(parts)):
        ax.barh(place, part.value, height=0.6, color=BAND, gid=part.key or None)
        if part.bounded:  # of few athletes it has no interval
            reach = [[part.value - part.low], [part.high - part.value]]
            ax.errorbar([part.value], [place], xerr=reach, **_WHISKERS)
        without = known.get(f"half_width_without_{name}")
        if without is not None and without.known:
            labels.append(SideLabel(place, f"\u00b1{shown(without)}", SOFT))
    name_ticks(ax, "y", [broken(SOURCE_WORDS[name], 16) for name, _ in reversed(parts)])
    ax.set(ylim=(-0.6, len(parts) - 0.4), xlabel="spread (SD) by this alone (mL/kg/min)")
    ax.set_xlim(left=0)
    above: dict[str, Any] = {"xycoords": "axes fraction", "xytext": (5, 4), "va": "baseline"}
    if labels:  # none of few athletes
        write(ax, "limits\nwithout it", (1, 1), color=SOFT, linespacing=1.1, **above)
    side_labels(ax, labels)
    return ax


def root(variance: Estimate) -> Estimate:
    """Return a variance and its interval as a standard deviation."""
    value, low, high = np.sqrt(np.maximum(variance[:3], 0.0))
    return Estimate(float(value), float(low), float(high), variance.key)


def _there(known: dict[str, Estimate], name: str) -> bool:
    """Tell whether a component has a number."""
    return name in known and known[name].known


def budget_caption(budget: AnyRows) -> Caption:
    """Return what the budget figure shows: what each source spreads alone, the largest first."""
    known = estimates(budget)
    there = [name for name in SOURCE_WORDS if _there(known, name)]
    parts = [(SOURCE_WORDS[name], root(known[name])) for name in there]
    without = any(_there(known, f"half_width_without_{name}") for name in there)
    ordered = sorted(parts, key=lambda part: -part[1].value)
    bounded = any(part.bounded for _, part in parts)
    return Caption("budget", {"parts": ordered, "without": without, "bounded": bounded})
