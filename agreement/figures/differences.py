"""The difference plot: how far the field estimate of each athlete lies from the laboratory."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from agreement.figures.estimates import ABSENT, Estimate, HasFrame, estimates
from agreement.figures.labels import SideLabel, number, side_labels, with_interval
from agreement.figures.theme import BAND, FAINT, FIELD, INK, MARGIN, NOISE
from agreement.terms import counted

_LINES = (
    ("upper_limit", "upper limit", (0, (6, 2))),
    ("bias", "bias", "-"),
    ("lower_limit", "lower limit", (0, (6, 2))),
)


def plot_differences(
    pairs: pd.DataFrame,
    limits: HasFrame | pd.DataFrame,
    *,
    margin: float | None = None,
    noise_floor: float | None = None,
    ax: Axes,
) -> Axes:
    """
    Draw differences against means, with bias, limits and the bands of their intervals.

    Parameters
    ----------
    pairs : DataFrame
        Columns athlete_id, field, lab, max_confirmed; pairs of one athlete are joined by a line,
        pairs whose laboratory test was not confirmed maximal are hollow. [mL/kg/min]
    limits : result or DataFrame
        With the statistics bias, lower_limit, upper_limit; what is missing is not drawn.
    margin : float, optional
        The limit agreed beforehand, drawn at plus and minus. [mL/kg/min]
    noise_floor : float, optional
        Half width that the laboratory's own error alone would give. [mL/kg/min]
    ax : Axes

    Returns
    -------
    Axes
        With lines whose ids (gid) are the keys of their numbers.
    """
    known = estimates(limits)
    mean = (pairs["field"] + pairs["lab"]).to_numpy() / 2
    difference = (pairs["field"] - pairs["lab"]).to_numpy()
    if noise_floor is not None and np.isfinite(noise_floor):
        _draw_noise(ax, noise_floor)
    labels = [
        _draw_estimate(ax, known[name], word, line)
        for name, word, line in _LINES
        if known.get(name, ABSENT).known
    ]
    if margin is not None:
        labels += _draw_margin(ax, margin)
    _draw_points(ax, pairs, mean, difference)
    ax.axhline(0, color=FAINT, linewidth=0.8, zorder=1)
    _frame(ax, known, difference, margin)
    side_labels(ax, labels)
    return ax


def _draw_estimate(ax: Axes, estimate: Estimate, word: str, line: object) -> SideLabel:
    """Draw one line with the band of its interval; return its label."""
    if np.isfinite(estimate.low) and np.isfinite(estimate.high):
        ax.axhspan(estimate.low, estimate.high, color=BAND, alpha=0.55, linewidth=0, zorder=1)
    drawn = ax.axhline(estimate.value, color=FIELD, linestyle=line, zorder=3)
    drawn.set_gid(estimate.key or None)
    return SideLabel(estimate.value, f"{word}\n{with_interval(estimate)}", FIELD)


def _draw_margin(ax: Axes, margin: float) -> list[SideLabel]:
    """Draw the agreed limit on both sides."""
    for side, sign in ((margin, "+"), (-margin, "\u2212")):
        ax.axhline(
            side,
            color=MARGIN,
            linestyle=(0, (1, 1.2)),
            linewidth=1.8,
            zorder=2,
            label=f"agreed {sign}{number(margin)}",
        )
    return [
        SideLabel(margin, f"agreed +{number(margin)}", MARGIN),
        SideLabel(-margin, f"agreed \u2212{number(margin)}", MARGIN),
    ]


def _draw_noise(ax: Axes, half_width: float) -> None:
    """Hatch what the laboratory's own error alone would spread."""
    ax.axhspan(
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


def _draw_points(ax: Axes, pairs: pd.DataFrame, mean: np.ndarray, difference: np.ndarray) -> None:
    """Draw one point for each pair, filled where the maximum was confirmed."""
    athletes = pairs["athlete_id"].to_numpy()
    for athlete in pd.unique(athletes[pd.Series(athletes).duplicated().to_numpy()]):
        own = athletes == athlete
        ax.plot(mean[own], difference[own], color=FAINT, linewidth=0.7, zorder=3)
    confirmed = (pairs["max_confirmed"] == "yes").to_numpy()
    for chosen, fill, word in (
        (confirmed, INK, "maximum confirmed"),
        (~confirmed, "white", "not confirmed"),
    ):
        if chosen.any():
            ax.plot(
                mean[chosen],
                difference[chosen],
                "o",
                markerfacecolor=fill,
                markeredgecolor=INK,
                markeredgewidth=0.9,
                markersize=4.6,
                zorder=4,
                label=word,
            )


def _frame(
    ax: Axes, known: dict[str, Estimate], difference: np.ndarray, margin: float | None
) -> None:
    """Set the limits and names of the axes, and the legend below them."""
    heights = [*difference, 0.0, *(() if margin is None else (margin, -margin))]
    for name, _, _ in _LINES:
        heights += [height for height in known.get(name, ABSENT)[:3] if np.isfinite(height)]
    low, high = min(heights), max(heights)
    room = 0.06 * max(high - low, 1.0)
    ax.set_ylim(low - room, high + room)
    ax.set_xlabel("mean of field and laboratory VO2max (mL/kg/min)")
    ax.set_ylabel("field \u2212 laboratory VO2max (mL/kg/min)")
    handles, words = ax.get_legend_handles_labels()
    kept = [(h, w) for h, w in zip(handles, words, strict=True) if not w.startswith("agreed")]
    ax.legend(
        *zip(*kept, strict=True),
        loc="upper left",
        bbox_to_anchor=(0, -0.16),
        ncols=3,
        borderaxespad=0.0,
        handletextpad=0.4,
        columnspacing=1.4,
    )


def differences_alt(pairs: pd.DataFrame, limits: HasFrame | pd.DataFrame) -> str:
    """Return what the difference plot shows, as a sentence for those who do not see it."""
    known = estimates(limits)
    difference = (pairs["field"] - pairs["lab"]).to_numpy()
    people = int(pairs["athlete_id"].nunique())
    start = "Field minus laboratory against their mean, "
    start += f"{counted(len(pairs), 'pair')} of {counted(people, 'athlete')}"
    bias, lower, upper = (known.get(n, ABSENT) for n in ("bias", "lower_limit", "upper_limit"))
    if not (lower.known and upper.known):
        return f"{start}: points only, too few athletes for limits."
    outside = int(((difference < lower.value) | (difference > upper.value)).sum())
    return (
        f"{start}: bias {number(bias.value)}, limits {number(lower.value)} to "
        f"{number(upper.value)} mL/kg/min; {outside} of the pairs "
        f"{'lies' if outside == 1 else 'lie'} outside the limits."
    )
