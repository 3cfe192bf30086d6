"""Change between two visits: did the field estimate see what the laboratory saw."""

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import NullLocator

from agreement.figures.canvas import tell_points
from agreement.figures.colours import FIELD, INK, OWN, ZERO
from agreement.figures.estimates import ABSENT, Caption
from agreement.figures.key import explain
from agreement.figures.labels import hatch_noise, name_ticks
from agreement.figures.points import draw_identity, draw_points, ends_of, evenly
from agreement.terms import plain

_MOST_ARROWS = 400  # of more athletes some are drawn, evenly by their laboratory change
_MOST_ROWS = 24  # athletes with their names beside; more would run into each other


def plot_change(
    changes: pd.DataFrame,
    *,
    smallest_real: float | None = None,
    declared: bool = False,
    card: float | None = None,
    told: Sequence[str] | None = None,
    ax: Axes,
) -> Axes:
    """
    Draw the field's change of each athlete against the laboratory's.

    changes: columns lab, field: changes between two visits. [mL/kg/min]
    smallest_real: laboratory changes up to this size may be noise; they lie in the hatched band.
        [mL/kg/min]
    declared: whether the laboratory's error behind it was declared, not measured.
    card: the field change that cards call real: beyond these lines it is more than noise.
        [mL/kg/min]
    told: what each point says when it is pointed at.
    """
    ax.set(xlabel="laboratory change (mL/kg/min)", ylabel="field change (mL/kg/min)")
    lab, field = changes["lab"].to_numpy(), changes["field"].to_numpy()
    sizes = (np.abs(lab).max(), np.abs(field).max(), smallest_real or 0.0, card or 0.0, 1.0)
    if smallest_real is not None:
        hatch_noise(ax.axvspan, smallest_real, declared=declared)
    draw_identity(ax, 1.08 * max(sizes) * np.array([-1, 1]), "the same change", anchor="S")
    ax.axhline(0, **ZERO)
    ax.axvline(0, **ZERO)
    if card is not None and np.isfinite(card):
        for side in (card, -card):
            ax.axhline(side, color=OWN, linestyle="--", linewidth=1.3)
        word = f"field change that is real, \u00b1{plain(card)}"
        ax.plot([], [], color=OWN, linestyle="--", label=word)
    same = np.sign(lab) == np.sign(field)
    draw_points(ax, lab, field, filled=same, told=told, words=("same direction", "other direction"))
    explain(ax)
    return ax


def change_words(changes: pd.DataFrame) -> list[str]:
    """Return what each athlete's point says when it is pointed at; not for an audit."""
    three = zip(*(changes[name] for name in ("athlete_id", "lab", "field")), strict=True)
    return [f"{a}: laboratory {plain(x)}, field {plain(y)} mL/kg/min" for a, x, y in three]


def plot_change_arrows(
    changes: pd.DataFrame,
    *,
    smallest_real: float | None = None,
    declared: bool = False,
    named: bool = True,
    ax: Axes,
) -> Axes:
    """
    Draw for each athlete an arrow from the laboratory's change to the field's.

    changes: columns athlete_id, lab, field; drawn in order of the laboratory's change. [mL/kg/min]
    smallest_real, declared: as for `plot_change`.
    named: whether athletes' ids stand beside their arrows, and dots say whose they are.
    """
    ordered = changes.sort_values(["lab", "field", "athlete_id"], kind="stable")
    athletes = len(ordered)
    ordered = ordered.iloc[evenly(athletes, _MOST_ARROWS)]
    if smallest_real is not None:
        hatch_noise(ax.axvspan, smallest_real, declared=declared)
    ax.axvline(0, **ZERO)
    rows = np.arange(len(ordered))
    lab, field = ordered["lab"].to_numpy(), ordered["field"].to_numpy()
    ax.hlines(rows, lab, field, color=FIELD, linewidth=0.9)
    for head, to in ((">", field > lab), ("<", field < lab)):
        ax.plot(field[to], rows[to], head, color=FIELD, markersize=3.6)
    dots = ax.scatter(lab, rows, s=11, color=INK, zorder=3)
    if named:
        tell_points(dots, change_words(ordered))
    if named and len(ordered) <= _MOST_ROWS:
        name_ticks(ax, "y", ordered["athlete_id"].astype(str).tolist())
    else:
        ax.yaxis.set_major_locator(NullLocator())
        some = f"{len(ordered)} of {athletes} " if athletes > len(ordered) else ""
        ax.set_ylabel(f"{some}athletes, by laboratory change")
    noise = np.array([-1, 1]) * (smallest_real or 0.0)
    ax.set(xlim=ends_of(lab, field, noise), ylim=(-0.8, len(ordered) - 0.2))
    ax.set_xlabel("change (mL/kg/min), laboratory (dot) to field (arrow)")
    return ax


def change_captions(changes: pd.DataFrame) -> list[Caption]:
    """Return what the two figures of changes show; a report adds the `bias` of the changes."""
    same = int((np.sign(changes["lab"]) == np.sign(changes["field"])).sum())
    told = {"n": len(changes), "same": same, "bias": ABSENT}
    return [Caption("change", told), Caption("change_arrows", told)]
