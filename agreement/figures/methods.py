"""All methods of a study on one axis: the picture that a reader sees first."""

from collections.abc import Mapping
from math import isfinite
from typing import Final

import pandas as pd
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import NullLocator

from agreement.figures.colours import BAND, FAINT, FIELD, INK, MARGIN, NOISE, OWN, SOFT
from agreement.figures.estimates import Estimate
from agreement.figures.key import SIZE, explain
from agreement.figures.labels import hatch_noise, number
from agreement.figures.method_rows import MethodRow, method_rows

_LANES: Final = {"limits": 0.12, "own": -0.10, "constant": -0.27}  # above the middle of a row
_ROW: Final = 0.58  # height of a row. [inch]
_FRAME: Final = 1.5  # axis, its words and the legend. [inch]
_LONGEST: Final = 1.7  # intervals are cut, with an arrow, this far beyond the widest limits


def methods_height(count: int) -> float:
    """Return how high the figure of so many methods should be. [inch]."""
    return _FRAME + _ROW * max(count, 1)


def plot_methods(
    results: pd.DataFrame,
    *,
    labels: Mapping[str, str] | None = None,
    margin: float | None = None,
    noise: float | None = None,
    ax: Axes,
) -> Axes:
    """
    Draw bias and limits of every method on one axis, the closest to the laboratory on top.

    results: lines of results.csv. Read of group ``all``: ``limits_of_agreement`` (bias,
        lower_limit, upper_limit), ``net_of_laboratory`` (own_lower_limit, own_upper_limit),
        ``no_method`` (constant_half_width), ``error/rmse`` (the order) and the note of
        ``verdict/within_margin``. What is missing is not drawn.
    labels: what people read for a method; default: the method's key.
    margin: the limit agreed beforehand, drawn at plus and minus. [mL/kg/min]
    noise: half width that the laboratory's own error alone would give. [mL/kg/min]
    Returns the axes, with lines whose ids (gid) are the keys of their numbers.
    """
    rows = method_rows(results)
    reach = _reach(rows, margin, noise)
    if noise is not None and isfinite(noise):
        hatch_noise(ax.axvspan, noise, alpha=0.3, named=False)
    if margin is not None:
        for side in (-margin, margin):
            ax.axvline(side, color=MARGIN, linestyle=(0, (1, 1.2)), linewidth=1.8, zorder=2)
    ax.axvline(0, color=FAINT, linewidth=0.9, zorder=1)
    for place, one in enumerate(reversed(rows)):
        _draw_row(ax, one, place, reach)
    _name_rows(ax, rows, labels or {})
    _frame(ax, rows, reach, margin)
    return ax


def _reach(rows: list[MethodRow], margin: float | None, noise: float | None) -> float:
    """Return how far the axis goes on both sides: every number, and intervals up to a length."""
    names = [("limits_of_agreement", name) for name in ("bias", "lower_limit", "upper_limit")]
    names += [("net_of_laboratory", name) for name in ("own_lower_limit", "own_upper_limit")]
    names += [("no_method", "constant_half_width")]
    found = [one.of(*name) for one in rows for name in names]
    values = [abs(part.value) for part in found if part.known]
    values += [abs(part) for part in (margin, noise) if part is not None and isfinite(part)]
    most = max(values, default=1.0)
    ends = [abs(end) for part in found for end in (part.low, part.high) if isfinite(end)]
    return 1.06 * max(most, min(max(ends, default=0.0), _LONGEST * most))


def _draw_row(ax: Axes, one: MethodRow, place: int, reach: float) -> None:
    """Draw the lanes of one method: limits, own limits, and what a constant would give."""
    height = place + _LANES["limits"]
    lower, upper = (one.of("limits_of_agreement", f"{side}_limit") for side in ("lower", "upper"))
    _draw_span(ax, (lower, upper), height, FIELD, reach, width=1.8, tick="|", line="-")
    bias = one.of("limits_of_agreement", "bias")
    if bias.known:
        _draw_interval(ax, bias, height, FIELD, reach, width=5.0, alpha=0.55)
        ax.plot(
            [bias.value],
            [height],
            "o",
            color=FIELD,
            markersize=7,
            markeredgecolor="white",
            zorder=5,
            gid=bias.key or None,
        )
    own = [one.of("net_of_laboratory", f"own_{side}_limit") for side in ("lower", "upper")]
    _draw_span(
        ax, (own[0], own[1]), place + _LANES["own"], OWN, reach, width=1.5, tick="d", line="--"
    )
    constant = one.of("no_method", "constant_half_width")
    if constant.known:
        ax.plot(
            [-constant.value, constant.value],
            [place + _LANES["constant"]] * 2,
            color=NOISE,
            linewidth=1.1,
            marker="|",
            markersize=5,
            zorder=3,
            gid=constant.key or None,
        )


def _draw_span(
    ax: Axes,
    ends: tuple[Estimate, Estimate],
    height: float,
    colour: str,
    reach: float,
    *,
    width: float,
    tick: str,
    line: str,
) -> None:
    """Draw two limits, the line between them and the interval of each."""
    if not all(end.known for end in ends):
        return
    ax.plot(
        [end.value for end in ends], [height] * 2, color=colour, linewidth=width, linestyle=line
    )
    for end in ends:
        shade = BAND if colour == FIELD else colour
        _draw_interval(
            ax, end, height, shade, reach, width=5.0, alpha=0.9 if shade == BAND else 0.3
        )
        ax.plot(
            [end.value],
            [height],
            tick,
            color=colour,
            markersize=10 if tick == "|" else 5,
            markeredgewidth=1.8 if tick == "|" else 0.5,
            zorder=4,
            gid=end.key or None,
        )


def _draw_interval(
    ax: Axes, one: Estimate, height: float, colour: str, reach: float, *, width: float, alpha: float
) -> None:
    """Draw an interval as a thick bar; an end beyond the axis is an arrow head there."""
    low = one.low if isfinite(one.low) else one.value
    high = one.high if isfinite(one.high) else one.value
    ax.plot(
        [max(low, -reach), min(high, reach)],
        [height] * 2,
        color=colour,
        linewidth=width,
        alpha=alpha,
        solid_capstyle="butt",
        zorder=2.5,
    )
    for beyond, at, head in ((low < -reach, -reach, "<"), (high > reach, reach, ">")):
        if beyond:
            ax.plot([at], [height], head, color=colour, markersize=6, clip_on=False, zorder=5)


def _name_rows(ax: Axes, rows: list[MethodRow], labels: Mapping[str, str]) -> None:
    """Write each method's name, count of athletes and verdict above its row."""
    modes = len({one.mode for one in rows}) > 1
    names = [
        labels.get(one.method, one.method) + (f", {one.mode}" if modes else "") for one in rows
    ]
    ax.yaxis.set_major_locator(NullLocator())
    for place, (one, name) in enumerate(zip(reversed(rows), reversed(names), strict=True)):
        said = f", {one.verdict}" if one.verdict else ""
        _above(ax, (0, place + 0.36), name, "left", weight="bold")
        _above(ax, (1, place + 0.36), f"n {one.n}{said}", "right")


def _above(
    ax: Axes, at: tuple[float, float], text: str, side: str, *, weight: str = "normal"
) -> None:
    """Write a word above a row; `at`: share of the panel's width, and height on its axis."""
    ax.annotate(
        text,
        at,
        xycoords=("axes fraction", "data"),
        ha=side,
        va="center",
        fontsize=SIZE,
        fontweight=weight,
        color=INK,
        annotation_clip=False,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
        zorder=6,
    )


def _frame(ax: Axes, rows: list[MethodRow], reach: float, margin: float | None) -> None:
    """Set the limits and names of the axes, the words for the margin, and the legend."""
    ax.set_xlim(-reach, reach)
    ax.set_ylim(-0.45, len(rows) - 0.4)
    ax.spines["left"].set_visible(False)
    ax.set_xlabel("field \u2212 laboratory VO2max (mL/kg/min)")
    if margin is not None:
        for side, sign in ((-margin, "\u2212"), (margin, "+")):
            ax.annotate(
                f"agreed {sign}{number(margin)}",
                (side, 1),
                xycoords=("data", "axes fraction"),
                xytext=(0, 3),
                textcoords="offset points",
                ha="center",
                va="bottom",
                fontsize=SIZE,
                color=MARGIN,
            )
    explain(ax, _legend_handles(ax, rows))


def _legend_handles(ax: Axes, rows: list[MethodRow]) -> list[Artist]:
    """Return one explained line for each kind that is drawn."""
    drawn = {name for one in rows for name, value in one.known.items() if value.known}
    found: list[Artist] = []
    if ("limits_of_agreement", "bias") in drawn:
        found.append(Line2D([], [], color=FIELD, marker="o", linewidth=5, alpha=0.75, label="bias"))
    if ("limits_of_agreement", "upper_limit") in drawn:
        style = {"marker": "|", "markersize": 10, "markeredgewidth": 1.8, "linewidth": 1.8}
        word = "limits against one laboratory test"
        found.append(Line2D([], [], color=FIELD, label=word, **style))  # type: ignore[arg-type] # a mapping of mixed values
    if ("net_of_laboratory", "own_upper_limit") in drawn:
        word = "limits net of the laboratory's noise"
        found.append(
            Line2D([], [], color=OWN, marker="d", markersize=5, linestyle="--", label=word)
        )
    if ("no_method", "constant_half_width") in drawn:
        word = "the same number for everybody"
        found.append(Line2D([], [], color=NOISE, marker="|", linewidth=1.1, label=word))
    if any(part.get_hatch() for part in ax.patches):
        word = "laboratory's own noise"
        found.append(
            Patch(facecolor="none", edgecolor=NOISE, alpha=0.5, hatch="////", lw=0, label=word)
        )
    if found:
        found.append(
            Line2D([], [], color=SOFT, linewidth=5, alpha=0.4, label="bars: 95 % intervals")
        )
    return found
