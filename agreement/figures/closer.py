"""Which method is closer to the laboratory: a matrix of all pairs of methods."""

from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import ListedColormap

from agreement.figures.colours import BAND, WASH
from agreement.figures.estimates import Caption, Estimate, Labels
from agreement.figures.labels import broken
from agreement.figures.matrix import draw_cells
from agreement.stats.basics.intervals import SIGNIFICANT
from agreement.terms import plain

BETWEEN: Final = " vs "
_SHADES: Final = ListedColormap((WASH, BAND))  # not told apart; told apart
_WITH_ENDS, _WITH_VERDICT, _WITH_RATIO = 3, 4, 9  # columns at most
_NAME: Final = 11  # letters of a name in one line


class ErrorRatio(NamedTuple):
    """Two methods on the same tests: the ratio of their errors, and whether it is shown."""

    ratio: float
    low: float
    high: float
    p_joint: float
    methods: tuple[str, str]
    line: Estimate  # of the results table, which has them one way round

    @property
    def shown(self) -> bool:
        """Whether the joint interval leaves out 1, and the joint test agrees."""
        return (self.high < 1 or self.low > 1) and self.p_joint <= SIGNIFICANT

    def turned(self) -> "ErrorRatio":
        """Return the same of the second method against the first."""
        return self._replace(ratio=1 / self.ratio, low=1 / self.high, high=1 / self.low)


def compared(results: pd.DataFrame, mode: str) -> dict[tuple[str, str], ErrorRatio]:
    """
    Return the ratios of errors (RMSE) of a results table, either way round.

    results: lines of results.csv: analysis ``closer``, methods ``A vs B``, statistics
        ``rmse_ratio`` and, where it is there, ``p_rmse_joint``.
    """
    mine = results[
        (results["analysis"] == "closer")
        & (results["group"] == "all")
        & (results["mode"] == mode)
        & results["value"].notna()
    ]
    rows = mine[mine["statistic"] == "rmse_ratio"]
    joint = mine[mine["statistic"] == "p_rmse_joint"].set_index("method")["value"].to_dict()
    found = {}
    for row in rows.to_dict("records"):
        first, _, second = str(row["method"]).partition(BETWEEN)
        line, p_joint = Estimate.of(row), joint.get(row["method"], 0.0)
        one = ErrorRatio(*line[:3], p_joint, (first, second), line)
        found[first, second], found[second, first] = one, one.turned()
    return found


def closer_height(methods: int) -> float:
    """Return how high the figure of so many methods should be. [inch]."""
    return min(3.0, 0.6 + 0.6 * methods)


def plot_closer(
    results: pd.DataFrame, order: list[str], *, mode: str, labels: Labels = None, ax: Axes
) -> Axes:
    """
    Draw for each pair of methods the ratio of their errors, shaded where one is shown closer.

    results: lines of results.csv, see `compared`.
    order: the methods from top to bottom, the closest first.
    Returns: below the diagonal: error of the row's method over that of the column's. Above 1 the
        column's method is closer.
    """
    found = compared(results, mode)
    rows, columns = order[1:], order[:-1]
    shade = np.full((len(rows), len(columns)), np.nan)
    words = np.full(shade.shape, "", dtype=object)
    for i, row in enumerate(rows):
        for j, column in enumerate(columns[: i + 1]):
            one = found.get((row, column))
            shade[i, j] = 0.0 if one is None else float(one.shown)
            words[i, j] = "" if one is None else _said(one, len(columns))
    lower, upper = (
        [broken((labels or {}).get(one, one), _NAME) for one in side] for side in (rows, columns)
    )
    title = "error of the row over that of the column"
    draw_cells(ax, shade, words, _SHADES, names=(lower, upper), title=title, most=1)
    return ax


def _said(one: ErrorRatio, columns: int) -> str:
    """Return the words of a cell, as many as it has room for."""
    if columns > _WITH_VERDICT:
        return plain(one.ratio, 1) if columns <= _WITH_RATIO else ""
    verdict = "not told\napart"
    if one.shown:
        verdict = ("row" if one.ratio < 1 else "column") + "\nis closer"
    ratio, low, high = (plain(value, one.line.digits(2)) for value in one[:3])
    ends = [f"{low} to {high}"] if columns <= _WITH_ENDS else []
    return "\n".join([ratio, *ends, verdict])


def closer_caption(
    results: pd.DataFrame, order: list[str], *, mode: str, labels: Labels = None
) -> Caption:
    """Return what the matrix shows: which methods are closer than which, and how many pairs are not."""
    found, names, told, apart = compared(results, mode), labels or {}, [], 0
    for place, second in enumerate(order):
        for first in order[:place]:
            one = found.get((first, second))
            if one is not None and one.shown:
                both = [names.get(each, each) for each in one.methods]
                near, far = both if one.line.value < 1 else reversed(both)
                told.append({"near": near, "far": far, "both": both, "ratio": one.line})
            apart += one is not None and not one.shown
    counts = {"apart": apart, "all": apart + len(told)}
    return Caption("closer", {"told": told, "mode": mode} | counts)
