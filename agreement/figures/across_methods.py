"""One figure of all methods for the budget, the averaging curve and the training profiles."""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap

from agreement.figures.averaging_curve import name_days
from agreement.figures.budget import SOURCE_WORDS, root
from agreement.figures.colours import AGREED, BAND, FLOOR, WASH, ZERO
from agreement.figures.estimates import Caption, Estimate, Labels
from agreement.figures.key import explain
from agreement.figures.labels import (
    VO2MAX_DIFFERENCE,
    SideLabel,
    broken,
    name_ticks,
    shortened,
    shown,
    side_labels,
)
from agreement.figures.matrix import draw_cells
from agreement.figures.rows import draw_bar, draw_mark
from agreement.figures.theme import marks_for
from agreement.terms import plain

_DRAWN: Final = {  # of each figure: analysis and statistics
    "budgets": ("budget", list(SOURCE_WORDS)),
    "averaging_curves": ("averaging_curve", ["half_width_fitted"]),
    "profiles_of_methods": ("profile_bias", ["bias"]),
}
_SPREAD: Final = 0.34  # of the methods about the middle of a profile's row


def plot_budgets(
    results: pd.DataFrame, methods: Sequence[str], *, mode: str, labels: Labels = None, ax: Axes
) -> Axes:
    """
    Draw how far each source alone spreads one reading of each method.

    results: lines of results.csv: analysis ``budget``, group ``all``; variances. [(mL/kg/min)^2]
    methods: from left to right.
    Returns: cells are standard deviations [mL/kg/min], the darker the larger; empty: no number. A
    source that is known of no method has no row.
    """
    wanted = _variances(results, methods, mode)
    spread = wanted.clip(lower=0) ** 0.5
    words = spread.map(lambda value: plain(value) if np.isfinite(value) else "")
    colours = LinearSegmentedColormap.from_list("wash", [(BAND, 0.12), (BAND, 1.0)])
    sources = [broken(SOURCE_WORDS[name], 20) for name in wanted.index]
    columns = [broken((labels or {}).get(one, one), 20) for one in methods]
    said: dict[str, Any] = {"names": (sources, columns), "upright": True}
    said["title"] = "SD by this alone (mL/kg/min)"
    draw_cells(ax, spread.to_numpy(), words.to_numpy(), colours, **said)
    return ax


def _variances(results: pd.DataFrame, methods: Sequence[str], mode: str) -> pd.DataFrame:
    rows = _known(results, "budgets", mode)
    variances = rows.pivot_table(index="statistic", columns="method", values="value")
    return variances.reindex(index=list(SOURCE_WORDS), columns=list(methods)).dropna(how="all")


def budgets_height(results: pd.DataFrame, methods: Sequence[str], mode: str) -> float:
    """Return how high the figure of budgets should be: a row for each source known. [inch]."""
    return 1.4 + 0.3 * len(_variances(results, methods, mode))


def plot_averaging_curves(
    results: pd.DataFrame,
    methods: Sequence[str],
    *,
    mode: str,
    labels: Labels = None,
    margin: float | None = None,
    noise: float | None = None,
    ax: Axes,
) -> Axes:
    """
    Draw the half width of the limits by days averaged, one line for each method.

    results: lines of results.csv: analysis ``averaging_curve``, half_width_fitted. [mL/kg/min]
    margin: the limit agreed beforehand. [mL/kg/min]
    noise: half width that the laboratory's own error alone would give. [mL/kg/min]
    """
    marks, names, said = marks_for(methods), labels or {}, []
    fitted = _known(results, "averaging_curves", mode)
    for method in methods:
        own = fitted[fitted["method"] == method]
        own = own.assign(day=own["group"].astype(int)).sort_values("day")
        if own.empty:
            continue
        mark, name = marks[method], names.get(method, method)
        last = Estimate.of(own.iloc[-1].to_dict())
        ax.plot(own["day"], own["value"], markevery=(0, 13), label=name, **mark.look)
        said.append(SideLabel(last.value, f"{broken(name, 14)} {shown(last)}", mark.colour))
    for height, word, look in ((margin, "agreed", AGREED), (noise, "laboratory's noise", FLOOR)):
        if height is not None and np.isfinite(height):
            ax.axhline(height, label=f"{word} \u00b1{plain(height)}", **look)
            said.append(SideLabel(height, f"{word} {plain(height)}", look["color"]))
    name_days(ax)
    side_labels(ax, said)
    return ax


def plot_profiles_of_methods(
    results: pd.DataFrame, methods: Sequence[str], *, mode: str, labels: Labels = None, ax: Axes
) -> Axes:
    """
    Draw the bias of each method in each training profile, with its interval.

    results: lines of results.csv: analysis ``profile_bias``, statistic bias. [mL/kg/min]
    methods: within a profile from top to bottom.
    Returns the axes, with marks whose ids (gid) are the keys of their numbers.
    """
    rows = _known(results, "profiles_of_methods", mode)
    groups = sorted(set(rows["group"]))
    marks, names = marks_for(methods), labels or {}
    step = 2 * _SPREAD / max(len(methods) - 1, 1)
    for turn, method in enumerate(methods):
        own = rows[rows["method"] == method].sort_values("group").to_dict("records")
        for row in own:
            place = len(groups) - 1 - groups.index(row["group"]) + _SPREAD - turn * step
            bias, mark = Estimate.of(row), marks[method]
            if bias.bounded:
                draw_bar(ax, bias[1:3], place, mark.colour, 1.4)
            draw_mark(ax, bias, place, mark.marker, mark.colour, 6)
        if own:
            ax.plot(
                [], [], mark.marker, color=mark.colour, label=shortened(names.get(method, method))
            )
    ax.axvline(0, **ZERO)
    for place in range(0, len(groups), 2):
        ax.axhspan(place - 0.5, place + 0.5, color=WASH, linewidth=0, zorder=0)
    name_ticks(ax, "y", [broken(name, 12) for name in reversed(groups)])
    ax.set(ylim=(-0.5, len(groups) - 0.5), xlabel=VO2MAX_DIFFERENCE)
    explain(ax)
    return ax


def across_caption(
    figure: str, results: pd.DataFrame, methods: Sequence[str], *, mode: str, labels: Labels = None
) -> Caption:
    """
    Return what a figure tells of each method's known lines; methods without are left out.

    figure: "budgets": the largest source; "averaging_curves": where the curve begins and ends;
        "profiles_of_methods": the bias in each training profile.
    """
    known, said = _known(results, figure, mode), []
    for method in methods:
        rows = known[known["method"] == method].to_dict("records")
        if not rows:
            continue
        if figure == "budgets":
            most = max(rows, key=lambda row: (row["value"], row["statistic"]))
            told: Any = SOURCE_WORDS[most["statistic"]], root(Estimate.of(most))
        elif figure == "averaging_curves":
            rows.sort(key=lambda row: int(row["group"]))
            told = [(int(row["group"]), Estimate.of(row)) for row in (rows[0], rows[-1])]
        else:
            rows.sort(key=lambda row: row["group"])
            told = [(row["group"], Estimate.of(row)) for row in rows]
        said.append(((labels or {}).get(method, method), told))
    return Caption(figure, {"methods": said})


def _known(results: pd.DataFrame, figure: str, mode: str) -> pd.DataFrame:
    """Return the lines of a figure that have a number: of groups, or of all for a budget."""
    analysis, statistics = _DRAWN[figure]
    return results[
        (results["analysis"] == analysis)
        & (results["mode"] == mode)
        & results["statistic"].isin(statistics)
        & ((results["group"] == "all") == (analysis == "budget"))
        & results["value"].notna()
    ]
