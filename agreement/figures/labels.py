"""Words on a figure: numbers with a real minus sign, and labels beside their lines."""

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.transforms import ScaledTranslation, blended_transform_factory

from agreement.figures.colours import NOISE, PAPER
from agreement.figures.estimates import Estimate

LINE_HEIGHT = 1.35  # of one line of text, in font sizes
BELOW = "legend-below"  # a legend that begins at the figure's left edge, whatever the panel's width
NARROW_INCH = 3.9  # a figure up to this width has no room beside its panels


class SideLabel(NamedTuple):
    """Text at the right edge of a panel, beside the height it belongs to."""

    y: float
    text: str
    colour: str


def number(value: float, digits: int = 1) -> str:
    """
    Return a number with a real minus sign.

    >>> number(-4.06)
    '\u22124.1'
    >>> number(-0.01)
    '0.0'
    """
    text = f"{value:.{digits}f}"
    return text.lstrip("-") if float(text) == 0 else text.replace("-", "\u2212")


def with_interval(estimate: Estimate, digits: int = 1) -> str:
    """Return "value (low to high)", or the value alone where it has no interval."""
    shown = number(estimate.value, digits)
    if np.isfinite(estimate.low) and np.isfinite(estimate.high):
        shown += f" ({number(estimate.low, digits)} to {number(estimate.high, digits)})"
    return shown


def broken(name: str, longest: int = 20) -> str:
    """Break a long name at blanks into lines of at most so many letters."""
    lines = [""]
    for word in name.split():
        if lines[-1] and len(lines[-1]) + 1 + len(word) > longest:
            lines.append(word)
        else:
            lines[-1] = f"{lines[-1]} {word}".strip()
    return "\n".join(lines)


def is_narrow(ax: Axes) -> bool:
    """Tell whether the figure of a panel is as narrow as a phone: words go above, not beside."""
    figure = ax.get_figure(root=True)
    return figure is not None and bool(figure.get_figwidth() <= NARROW_INCH)


def legend_below(
    ax: Axes, handles: Sequence[Any] | None = None, *, columns: int = 2, drop: float = 42.0
) -> None:
    """
    Explain the marks below a panel, from the left edge of the figure.

    handles: with labels; default: all labelled artists of the panel.
    columns: halved where the figure is narrow.
    drop: from the foot of the panel to the legend: what tick labels and the axis' name take. [pt]
    """
    figure = ax.get_figure(root=True)
    shown = ax.get_legend_handles_labels()[0] if handles is None else list(handles)
    if figure is None or not shown:
        return
    down = ScaledTranslation(0, -drop / 72, figure.dpi_scale_trans)
    legend = ax.legend(
        handles=shown,
        loc="upper left",
        bbox_to_anchor=(7 / 72 / figure.get_figwidth(), 0),
        bbox_transform=blended_transform_factory(figure.transFigure, ax.transAxes + down),
        ncols=max(1, columns // 2) if is_narrow(ax) else columns,
        borderaxespad=0.0,
        borderpad=0.0,
        fontsize=8.5,
        handlelength=2.4,
        handletextpad=0.5,
        columnspacing=1.4,
        labelspacing=0.35,
    )
    legend.set_gid(BELOW)


def side_labels(ax: Axes, labels: list[SideLabel], *, size: float = 8.5) -> None:
    """
    Write labels to the right of a panel, each at its height, moved apart where they would touch.

    The y limits of `ax` must be final.
    """
    _write(ax, labels, size, x=1.0, away=5)


def line_labels(ax: Axes, labels: Sequence[SideLabel], *, size: float = 8.5) -> None:
    """
    Write labels into the lines they name, at the left, as maps write heights into contours.

    The y limits of `ax` must be final; its x limits should leave `gutter` free at the left.
    """
    paper = {"facecolor": PAPER, "edgecolor": "none", "pad": 1.2}
    _write(ax, labels, size, x=0.0, away=6, zorder=6, bbox=paper)


def _write(
    ax: Axes, labels: Sequence[SideLabel], size: float, *, x: float, away: float, **style: Any
) -> None:
    """Write labels so many points from a share of the width, each at its height, none touching."""
    low, high = ax.get_ylim()
    height_pt = ax.get_window_extent().height / ax.figure.dpi * 72
    per_line = size * LINE_HEIGHT / height_pt * (high - low)
    ordered = sorted(labels, key=lambda label: label.y)
    heights = np.array([label.text.count("\n") + 1 for label in ordered]) * per_line
    places = _apart(np.array([label.y for label in ordered]), heights, low, high)
    for label, place in zip(ordered, places, strict=True):
        ax.annotate(
            label.text,
            (x, place),
            xycoords=("axes fraction", "data"),
            xytext=(away, 0),
            textcoords="offset points",
            va="center",
            ha="left",
            fontsize=size,
            color=label.colour,
            linespacing=1.1,
            **style,
        )


def gutter(ax: Axes, letters: int, *, size: float = 8.5) -> float:
    """Return the share of a panel's width that so many letters in its lines need, at most half."""
    return min(0.5, (letters * 0.5 * size + 10) / (1.1 * panel_width(ax)))


def panel_width(ax: Axes) -> float:
    """Return the width of a panel as it stands. [pt]."""
    figure = ax.get_figure(root=True)
    return float(ax.get_position().width * (1.0 if figure is None else figure.get_figwidth()) * 72)


def _apart(places: np.ndarray, heights: np.ndarray, low: float, high: float) -> np.ndarray:
    """Move sorted centres up, then down from the top, until no two labels overlap."""
    moved = places.astype(float)
    for index in range(len(moved)):
        floor = low if index == 0 else moved[index - 1] + heights[index - 1] / 2
        moved[index] = max(moved[index], floor + heights[index] / 2)
    ceiling = high
    for index in reversed(range(len(moved))):
        moved[index] = min(moved[index], ceiling - heights[index] / 2)
        ceiling = moved[index] - heights[index] / 2
    return moved


def hatch_noise(
    span: Callable[..., object], half_width: float, *, alpha: float = 0.5, named: bool = True
) -> None:
    """Hatch what the laboratory's own error alone would spread; `span`: `axhspan` or `axvspan`."""
    said = {"label": f"laboratory's own noise, \u00b1{number(half_width)}"} if named else {}
    look = {"facecolor": "none", "edgecolor": NOISE, "hatch": "////", "linewidth": 0, "zorder": 0}
    span(-half_width, half_width, alpha=alpha, **look, **said)
