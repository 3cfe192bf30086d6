"""Differences over calendar time: does the field method wander from the laboratory."""

from typing import Protocol

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes

from agreement.figures.colours import FIELD, INK, ZERO
from agreement.figures.labels import DIFFERENCE


class FittedLine(Protocol):
    """A line with slope and intercept."""

    @property
    def slope(self) -> float:
        """Change for each day."""

    @property
    def intercept(self) -> float:
        """Value at day 0."""


def plot_drift(
    days: npt.ArrayLike,
    bias: npt.ArrayLike,
    low: npt.ArrayLike,
    high: npt.ArrayLike,
    line: FittedLine,
    *,
    key: str | None = None,
    ax: Axes,
) -> Axes:
    """
    Draw the bias of each stretch of time with its interval, and the line through all pairs.

    No single pair is drawn: its difference and its day together would tell whose it is.

    days: shape (n,). Middle of each stretch, since the study's first laboratory test. [days]
    bias, low, high: shape (n,). Mean of field minus laboratory there, and its interval. [mL/kg/min]
    line: of difference on days, over all pairs.
    key: the line's place in the results table: its SVG id.
    """
    x, middle = np.asarray(days, dtype=np.float64), np.asarray(bias, dtype=np.float64)
    reach = np.abs(np.stack([np.asarray(low), np.asarray(high)]) - middle)
    ends = np.array([x.min(), x.max()])
    ax.axhline(0, **ZERO)
    ax.errorbar(x, middle, reach, fmt="o", color=INK, markersize=5.5, capsize=4, linewidth=1.2)
    ax.plot(ends, line.intercept + line.slope * ends, color=FIELD, linestyle="--", gid=key)
    ax.set(xlabel="days since the first laboratory test", ylabel=DIFFERENCE)
    return ax
