"""
The look of every figure: sizes, lines, colours that hold in grey and for colour-blind readers.

A colour never says anything alone: each comes with its own marker or line style. The drawing
functions do not set the look themselves; wrap them in `house_style`.

Style, context, palette and the density of many points are seaborn's. Lines, bars, points and cells
are matplotlib's: measured in processor time on one panel, seaborn's scatter plot takes 7 times as
long, its bar plot 9, its line plot 48, its heat map more than 100.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Final

import matplotlib as mpl
import seaborn as sns

from agreement.figures.colours import INK, MARKS, SOFT, Mark

_STYLE: Final[dict[str, Any]] = {
    "figure.facecolor": "white",
    "figure.dpi": 72,
    "savefig.dpi": 300,
    "font.family": "sans-serif",
    # the first comes with matplotlib; the others are no wider, for SVG on a reader's machine
    "font.sans-serif": ["DejaVu Sans", "Verdana", "Helvetica", "Arial"],
    "font.size": 9.5,
    "axes.titlesize": 10.5,
    "axes.titlelocation": "left",
    "axes.titleweight": "bold",
    "axes.titley": 1.0,  # where it belongs: matplotlib looks for room in each drawing
    "axes.labelsize": 9.5,
    "axes.edgecolor": SOFT,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "text.color": INK,
    "xtick.color": SOFT,
    "ytick.color": SOFT,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "legend.frameon": False,
    "legend.fontsize": 9,
    "lines.linewidth": 1.4,
    "lines.markersize": 5,
    "svg.fonttype": "none",  # text stays text: it can be searched, read aloud, edited
    "svg.hashsalt": "agreement",  # the same ids in every run
    "path.simplify": False,
}

_HOW_TO_SHOW: Final = ("backend", "interactive", "toolbar", "webagg")
_OPEN: Final[list[bool]] = []  # whether a block is in the style


@contextmanager
def house_style() -> Iterator[None]:
    """
    Draw in the house style inside the block; the caller's settings return afterwards.

    The style starts from matplotlib's defaults, so a reader's own settings file changes nothing. A
    block in a block is in the style already.

    Examples
    --------
    >>> before = dict(mpl.rcParams)
    >>> with house_style():
    ...     dict(mpl.rcParams) == before
    False
    >>> dict(mpl.rcParams) == before
    True
    """
    if _OPEN:
        yield
        return
    settings: dict[Any, Any] = dict(mpl.rcParamsDefault) | sns.axes_style("ticks")
    settings |= sns.plotting_context("paper") | _STYLE
    # how to look, not how to show
    look = {k: settings[k] for k in settings if not k.startswith(_HOW_TO_SHOW)}
    with mpl.rc_context(look), sns.color_palette([mark.colour for mark in MARKS]):
        _OPEN.append(True)
        try:
            yield
        finally:
            _OPEN.clear()


def marks_for(groups: Sequence[str]) -> dict[str, Mark]:
    """Return one mark for each group, the same for the same list of groups."""
    return {group: MARKS[place % len(MARKS)] for place, group in enumerate(groups)}
