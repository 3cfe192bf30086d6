"""Words on a figure: numbers with a real minus sign, and labels beside their lines."""

from collections.abc import Callable, Sequence
from textwrap import wrap
from typing import Any, Final, Literal, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.font_manager import FontProperties
from matplotlib.ticker import FixedFormatter, FixedLocator

from agreement.figures.canvas import POINTS, measured
from agreement.figures.colours import NOISE, PAPER
from agreement.figures.estimates import Estimate
from agreement.figures.key import SIZE
from agreement.terms import plain

DIFFERENCE: Final = "field \u2212 laboratory (mL/kg/min)"  # the name of an axis
VO2MAX_DIFFERENCE: Final = "field \u2212 laboratory VO2max (mL/kg/min)"  # the same with room
LINE_HEIGHT = 1.35  # of one line of text, in font sizes


class SideLabel(NamedTuple):
    """Text at the right edge of a panel, beside the height it belongs to."""

    y: float
    text: str
    colour: str


def shown(estimate: Estimate, usual: int = 1) -> str:
    """Return a number with the decimals of its record; `usual`: of one from no table."""
    return plain(estimate.value, estimate.digits(usual))


def with_interval(estimate: Estimate) -> str:
    """Return "value (low to high)" in two lines, with the decimals of its record; or the value alone."""
    if not estimate.bounded:
        return shown(estimate)
    low, high = (plain(end, estimate.digits()) for end in estimate[1:3])
    return f"{shown(estimate)}\n({low} to {high})"


def shortened(name: str, most: int = 52) -> str:
    """
    Return a name of at most so many letters, the rest of a longer one left out.

    >>> shortened("Wrist device A"), shortened("Wrist device A", 9)
    ('Wrist device A', 'Wrist de\u2026')
    """
    return name if len(name) <= most else f"{name[: most - 1]}\u2026"


def broken(name: str, longest: int = 20) -> str:
    """Break a long name at blanks into lines of at most so many letters, or a word half as long again."""
    words = " ".join(shortened(word, longest * 3 // 2) for word in name.split())
    return "\n".join(wrap(words, longest, break_long_words=False, break_on_hyphens=False))


def name_ticks(
    ax: Axes,
    which: Literal["x", "y"],
    names: Sequence[str],
    *,
    start: float = 0.0,
    upright: bool = False,
) -> None:
    """Name the places `start`, one more, two more ... of an axis, without marks."""
    axis = ax.xaxis if which == "x" else ax.yaxis
    axis.set_major_locator(FixedLocator([start + place for place in range(len(names))]))
    axis.set_major_formatter(FixedFormatter(names))
    ax.tick_params(axis=which, length=0, labelsize=SIZE, labelrotation=90 if upright else 0)


def side_labels(ax: Axes, labels: Sequence[SideLabel], *, inside: bool = False) -> None:
    """
    Write labels to the right of a panel, each at its height, moved apart where they would touch.

    The y limits of `ax` must be final.

    inside: write them into the lines they name, at the left, as maps write heights into contours;
        the x limits should leave `gutter` free there.
    """
    style: dict[str, Any] = {}
    if inside:
        style = {"zorder": 6, "bbox": {"facecolor": PAPER, "edgecolor": "none", "pad": 1.2}}
    low, high = ax.get_ylim()
    height_pt = ax.get_window_extent().height / ax.figure.dpi * 72
    per_line = SIZE * LINE_HEIGHT / height_pt * (high - low)
    ordered = sorted(labels, key=lambda label: label.y)
    heights = np.array([label.text.count("\n") + 1 for label in ordered]) * per_line
    places = _apart(np.array([label.y for label in ordered]), heights, low, high)
    for label, place in zip(ordered, places, strict=True):
        ax.annotate(
            label.text,
            (0.0 if inside else 1.0, place),
            xycoords=("axes fraction", "data"),
            xytext=(6 if inside else 5, 0),
            textcoords="offset points",
            va="center",
            ha="left",
            fontsize=SIZE,
            color=label.colour,
            linespacing=1.1,
            **style,
        )


def gutter(ax: Axes, labels: Sequence[SideLabel]) -> float:
    """Return the share of a panel's width that labels in its lines need, at most half."""
    font = FontProperties(size=SIZE)
    wide = max((measured(w, font)[0] for one in labels for w in one.text.split("\n")), default=0.0)
    figure = ax.get_figure(root=True)
    inch = ax.get_position().width * (1.0 if figure is None else figure.get_figwidth())
    return min(0.5, (wide + 14) / (inch * POINTS))


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


def noise_word(*, declared: bool) -> str:
    """Return what the laboratory's noise is called; `declared`: nobody measured it in this study."""
    return "laboratory's noise as declared" if declared else "laboratory's own noise"


def hatch_noise(
    span: Callable[..., object],
    half_width: float,
    *,
    alpha: float = 0.5,
    named: bool = True,
    declared: bool = False,
) -> None:
    """Hatch what the laboratory's own error alone would spread; `span`: `axhspan` or `axvspan`."""
    word = noise_word(declared=declared)
    said = {"label": f"{word}, \u00b1{plain(half_width)}"} if named else {}
    look = {"facecolor": "none", "edgecolor": NOISE, "hatch": "////", "linewidth": 0, "zorder": 0}
    span(-half_width, half_width, alpha=alpha, **look, **said)
