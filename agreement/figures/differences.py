"""The difference plot: how far the field estimate of each athlete lies from the laboratory."""

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator

from agreement.figures.colours import AGREED, FAINT, FIELD, MARGIN, SHADE, ZERO
from agreement.figures.estimates import AnyRows, Caption, Estimate, chosen
from agreement.figures.key import explain, facet
from agreement.figures.labels import (
    DIFFERENCE,
    SideLabel,
    gutter,
    hatch_noise,
    shown,
    side_labels,
    with_interval,
)
from agreement.figures.points import MOST_POINTS, draw_points, ends_of
from agreement.terms import plain

_LINES = (
    ("upper_limit", "upper limit", (0, (6, 2))),
    ("bias", "bias", "-"),
    ("lower_limit", "lower limit", (0, (6, 2))),
)


class PairsPanel(NamedTuple):
    """One of several difference plots on the same axes."""

    title: str
    pairs: pd.DataFrame
    limits: AnyRows
    told: Sequence[str] | None = None
    noise_floor: float | None = None  # of the laboratory in the panel's mode of exercise
    declared: bool = False  # whether nobody measured it


def plot_differences(
    pairs: pd.DataFrame,
    limits: AnyRows,
    *,
    margin: float | None = None,
    noise_floor: float | None = None,
    declared: bool = False,
    told: Sequence[str] | None = None,
    points: bool = True,
    ax: Axes,
) -> Axes:
    """
    Draw differences against means, with bias, limits and the bands of their intervals.

    Two plain arrays: `agreement.figures.of_arrays`.

    pairs: columns field, lab and, where known, athlete_id (pairs of one athlete are joined by a
        line) and max_confirmed (pairs whose laboratory test was not confirmed maximal are hollow).
        [mL/kg/min]
    limits: with the statistics bias, lower_limit, upper_limit; what is missing is not drawn.
    margin: the limit agreed beforehand, drawn at plus and minus. [mL/kg/min]
    noise_floor: half width that the laboratory's own error alone would give. [mL/kg/min]
    declared: whether that error was declared, not measured.
    told: what each point says when it is pointed at (`agreement.figures.points.pair_words`).
    points: False: lines and bands alone, on axes that tell no pair, for every point is a person.
    Returns the axes, with lines whose ids (gid) are the keys of their numbers.
    """
    lines = _lines(limits)
    ax.set(xlabel="mean of both (mL/kg/min)", ylabel=DIFFERENCE)
    mean = (pairs["field"] + pairs["lab"]).to_numpy() / 2
    difference = (pairs["field"] - pairs["lab"]).to_numpy()
    if noise_floor is not None and np.isfinite(noise_floor):
        hatch_noise(ax.axhspan, noise_floor, declared=declared)
    for _, style, one in lines:
        if one.bounded:
            ax.axhspan(one.low, one.high, zorder=1, **SHADE)
        drawn = ax.axhline(one.value, color=FIELD, linestyle=style, zorder=3)
        drawn.set_gid(one.key or None)
    if margin is not None:
        for side in (margin, -margin):
            ax.axhline(side, zorder=2, **AGREED)
    if points:
        _draw_pairs(ax, pairs, mean, difference, told)
    else:
        mean, difference = mean[:0], difference[:0]
    ax.axhline(0, **ZERO)
    heights = [*difference, 0.0, *(() if margin is None else (margin, -margin))]
    heights += [end for *_, one in lines for end in one[:3] if np.isfinite(end)]
    _frame(ax, lines, margin, ends_of(heights, room=0.06), _ends(mean))
    if not points:  # nothing stands at any level
        ax.set(xlabel="", xticks=[])
    explain(ax)
    return ax


def plot_difference_panels(
    panels: Sequence[PairsPanel],
    *,
    margin: float | None = None,
    axes: Sequence[Axes],
) -> Sequence[Axes]:
    """
    Draw the difference plots of several methods on the same two axes, one panel each.

    margin: as for `plot_differences`, the same in every panel.
    axes: as many, in rows as `agreement.figures.canvas.blank` makes them.
    """
    same = len({(one.noise_floor, one.declared) for one in panels}) == 1  # the key has one number
    for one, ax in zip(panels, axes, strict=True):
        floor = one.noise_floor
        given: dict[str, Any] = {"margin": margin, "told": one.told, "declared": one.declared}
        plot_differences(one.pairs, one.limits, ax=ax, noise_floor=floor if same else None, **given)
        if not same and floor is not None and np.isfinite(floor):
            hatch_noise(ax.axhspan, floor, named=False)
    heights = [height for ax in axes for height in ax.get_ylim()]
    means = [(one.pairs["field"] + one.pairs["lab"]).to_numpy() / 2 for one in panels]
    ends = _ends(np.concatenate(means))
    for one, ax in zip(panels, axes, strict=True):
        for text in list(ax.texts):
            text.remove()
        across = np.array([min(heights), max(heights)])
        _frame(ax, _lines(one.limits), margin, across, ends, short=True)
    return facet(axes, [one.title for one in panels])


def _lines(limits: AnyRows) -> list[tuple[str, Any, Estimate]]:
    """Return word, style and number of each line that there is."""
    numbers = chosen(limits, *(name for name, *_ in _LINES))
    found = zip(_LINES, numbers, strict=True)
    return [(word, style, one) for (_, word, style), one in found if one.known]


def _draw_pairs(
    ax: Axes,
    pairs: pd.DataFrame,
    mean: np.ndarray,
    difference: np.ndarray,
    told: Sequence[str] | None,
) -> None:
    """Draw one point for each pair, filled where the maximum was confirmed."""
    if "athlete_id" in pairs and len(pairs) <= MOST_POINTS:
        paths = [
            sorted(zip(mean[own], difference[own], strict=True))
            for own in pairs.groupby("athlete_id", sort=False).indices.values()
            if len(own) > 1
        ]
        joined = [place for path in sorted(paths) for place in (*path, (np.nan, np.nan))]
        if joined:
            ax.plot(*zip(*joined, strict=True), color=FAINT, linewidth=0.7, zorder=3)
    if "max_confirmed" not in pairs:
        return draw_points(ax, mean, difference, told=told)
    confirmed = (pairs["max_confirmed"] == "yes").to_numpy()
    words = ("maximum confirmed", "not confirmed")
    return draw_points(ax, mean, difference, filled=confirmed, told=told, words=words)


def _ends(mean: np.ndarray) -> np.ndarray:
    """Return the ends of the axis that the points need."""
    return ends_of(mean) if mean.size else np.array([0.0, 100.0])


def _frame(
    ax: Axes,
    lines: list[tuple[str, Any, Estimate]],
    margin: float | None,
    heights: np.ndarray,
    ends: np.ndarray,
    *,
    short: bool = False,
) -> None:
    """
    Set the limits of the axes and write names and numbers into the lines, at the left of the points.

    short: without intervals.
    """
    labels = []
    for word, _, one in lines:
        whole = f"{word} {with_interval(one)}"
        text = f"{word.split()[0]} {shown(one)}" if short else whole
        labels.append(SideLabel(one.value, text, FIELD))
    for sign, side in () if margin is None else (("+", margin), ("\u2212", -margin)):
        labels.append(SideLabel(side, f"agreed {sign}{plain(abs(side))}", MARGIN))
    free = gutter(ax, labels)
    ax.set(ylim=heights, xlim=(ends[0] - np.ptp(ends) * free / (1 - free), ends[1]))
    ticks = [tick for tick in ax.get_xticks() if ends[0] <= tick <= ends[1]]
    ax.xaxis.set_major_locator(FixedLocator(ticks))
    side_labels(ax, labels, inside=True)


def differences_caption(
    pairs: pd.DataFrame, limits: AnyRows, *, points: bool = True, panels: int = 1
) -> Caption:
    """Return what a difference plot shows, as it is drawn from the same; `panels`: how many."""
    upper, bias, lower = chosen(limits, *(name for name, *_ in _LINES))
    difference = (pairs["field"] - pairs["lab"]).to_numpy()
    athlete = pairs["athlete_id"] if "athlete_id" in pairs else pairs.index.to_series()
    dense = len(pairs) > MOST_POINTS
    told = {"points": points, "panels": panels, "bias": bias, "lower": lower, "upper": upper}
    told |= {"pairs": len(pairs), "athletes": athlete.nunique(), "dense": points and dense}
    told["joined"] = points and not dense and athlete.duplicated().any()
    told["outside"] = int(((difference < lower.value) | (difference > upper.value)).sum())
    told["bands"] = sum(one.known and one.bounded for one in (bias, lower, upper))
    return Caption("differences", told)
