"""Change between two visits: did the field estimate see what the laboratory saw."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from agreement.figures.colours import FAINT, FIELD, INK, NOISE
from agreement.figures.labels import number

_MOST_ROWS = 40  # athletes with an arrow of their own; more would run into each other


def plot_change(changes: pd.DataFrame, *, smallest_real: float | None = None, ax: Axes) -> Axes:
    """
    Draw the field's change of each athlete against the laboratory's.

    Parameters
    ----------
    changes : DataFrame
        Columns lab, field: changes between two visits. [mL/kg/min]
    smallest_real : float, optional
        Laboratory changes up to this size may be noise; they lie in the hatched band. [mL/kg/min]
    ax : Axes

    Returns
    -------
    Axes
    """
    lab, field = changes["lab"].to_numpy(), changes["field"].to_numpy()
    reach = 1.08 * max(np.abs(lab).max(), np.abs(field).max(), smallest_real or 0.0, 1.0)
    if smallest_real is not None:
        _draw_noise(ax, smallest_real)
    ends = np.array([-reach, reach])
    ax.plot(ends, ends, color=FAINT, linestyle=(0, (1, 1.5)), label="the same change")
    ax.axhline(0, color=FAINT, linewidth=0.8)
    ax.axvline(0, color=FAINT, linewidth=0.8)
    same = np.sign(lab) == np.sign(field)
    ax.plot(lab[same], field[same], "o", color=FIELD, markersize=4.8, label="same direction")
    ax.plot(
        lab[~same],
        field[~same],
        "D",
        markerfacecolor="white",
        markeredgecolor=INK,
        markersize=4.8,
        label="other direction",
    )
    ax.set_xlim(*ends)
    ax.set_ylim(*ends)
    ax.set_aspect("equal", anchor="S")  # beside taller panels the room above holds the legend
    ax.set_xlabel("laboratory change (mL/kg/min)")
    ax.set_ylabel("field change (mL/kg/min)")
    ax.legend(loc="lower left", bbox_to_anchor=(0, 1.04), borderaxespad=0.0)
    return ax


def plot_change_arrows(
    changes: pd.DataFrame, *, smallest_real: float | None = None, ax: Axes
) -> Axes:
    """
    Draw for each athlete an arrow from the laboratory's change to the field's.

    Parameters
    ----------
    changes : DataFrame
        Columns athlete_id, lab, field; drawn in order of the laboratory's change. [mL/kg/min]
    smallest_real : float, optional
        Laboratory changes up to this size may be noise. [mL/kg/min]
    ax : Axes

    Returns
    -------
    Axes
    """
    ordered = changes.sort_values(["lab", "athlete_id"], kind="stable")
    if smallest_real is not None:
        _draw_noise(ax, smallest_real)
    ax.axvline(0, color=FAINT, linewidth=0.8)
    rows = np.arange(len(ordered))
    lab, field = ordered["lab"].to_numpy(), ordered["field"].to_numpy()
    for row in rows:
        ax.annotate(
            "",
            (field[row], row),
            (lab[row], row),
            arrowprops={
                "arrowstyle": "-|>",
                "color": FIELD,
                "lw": 0.9,
                "shrinkA": 0,
                "shrinkB": 0,
                "mutation_scale": 7,
            },
        )
    ax.plot(lab, rows, "o", color=INK, markersize=3.4, label="laboratory; the arrow ends at field")
    if len(ordered) <= _MOST_ROWS:
        ax.set_yticks(rows, ordered["athlete_id"], fontsize=6.5)
    else:
        ax.set_yticks([])
        ax.set_ylabel("athletes, by laboratory change")
    reach = np.concatenate([lab, field, [smallest_real or 0.0, -(smallest_real or 0.0)]])
    room = 0.06 * max(float(np.ptp(reach)), 1.0)
    ax.set_xlim(reach.min() - room, reach.max() + room)
    ax.set_ylim(-0.8, len(ordered) - 0.2)
    ax.set_xlabel("change, laboratory (dot) to field (arrow)")
    return ax


def _draw_noise(ax: Axes, half_width: float) -> None:
    """Hatch the laboratory changes that may be noise."""
    ax.axvspan(
        -half_width,
        half_width,
        facecolor="none",
        edgecolor=NOISE,
        alpha=0.35,
        hatch="////",
        linewidth=0,
        zorder=0,
        label=f"laboratory's own noise, \u00b1{number(half_width)}",
    )


def change_alt(changes: pd.DataFrame) -> str:
    """Return what the change figure shows, as a sentence."""
    lab, field = changes["lab"].to_numpy(), changes["field"].to_numpy()
    same = int((np.sign(lab) == np.sign(field)).sum())
    return (
        f"Field change against laboratory change of {len(changes)} athletes between two visits: "
        f"{same} changed in the same direction; mean change {number(float(lab.mean()))} in the "
        f"laboratory, {number(float(field.mean()))} in the field, in mL/kg/min."
    )
