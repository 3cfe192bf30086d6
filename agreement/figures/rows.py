"""What figures with a row for each method, group or study share: bars, marks and words in a row."""

from math import inf, isfinite
from typing import Any

from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from agreement.figures.colours import PAPER
from agreement.figures.estimates import Estimate
from agreement.figures.key import SIZE


def draw_bar(
    ax: Axes, ends: tuple[float, float], height: float, colour: str, width: float, **look: Any
) -> None:
    """Draw a bar from one end to the other."""
    _add(ax, Line2D(ends, [height] * 2, color=colour, linewidth=width, **look))


def draw_interval(
    ax: Axes,
    one: Estimate,
    height: float,
    colour: str,
    width: float,
    *,
    reach: float = inf,
    **look: Any,
) -> None:
    """Draw an interval as a bar; an end beyond `reach` is an arrow head there."""
    low, high = (end if isfinite(end) else one.value for end in one[1:3])
    draw_bar(ax, (max(low, -reach), min(high, reach)), height, colour, width, **look)
    for beyond, at, head in ((low < -reach, -reach, "<"), (high > reach, reach, ">")):
        if beyond:
            ax.plot([at], [height], head, color=colour, markersize=6, clip_on=False, zorder=5)


def draw_mark(
    ax: Axes, one: Estimate, height: float, marker: str, colour: str, size: float, **look: Any
) -> None:
    """Draw a number as a mark whose id is its key."""
    usual: dict[str, Any] = {"markeredgecolor": PAPER, "zorder": 4, "gid": one.key or None}
    usual |= {"marker": marker, "linestyle": "None", "markersize": size} | look
    _add(ax, Line2D([one.value], [height], color=colour, **usual))


# Ours: `ax.plot` takes as long to understand what it is given as the line itself
def _add(ax: Axes, line: Line2D) -> None:
    """Add a line, and let the axes make room for it when they are asked for their limits."""
    ax.add_line(line)
    ax.autoscale(None)  # type: ignore[arg-type] # as its documentation says


def write(ax: Axes, text: str, at: tuple[float, float], **look: Any) -> None:
    """Write small words; `at`: share of the panel's width, and height on its axis, or as `look` says."""
    usual: dict[str, Any] = {
        "xycoords": ("axes fraction", "data"),
        "va": "center",
        "fontsize": SIZE,
    }
    away = {"textcoords": "offset points"} if "xytext" in look else {}
    ax.annotate(text, at, annotation_clip=False, **usual | away | look)


def write_above(ax: Axes, text: str, value: float, colour: str, away: float = 0.0) -> None:
    """Write small words above the panel, at a value of the lower axis; `away`: from the edge [pt]."""
    look: dict[str, Any] = {"xycoords": ("data", "axes fraction"), "xytext": (0, away)}
    write(ax, text, (value, 1), ha="center", va="bottom", color=colour, **look)
