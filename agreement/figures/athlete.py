"""Pictures of a card: one athlete's weeks, and what one more test would tell."""

from datetime import date, timedelta
from math import isfinite

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from agreement.figures.colours import BAND, FAINT, FIELD, INK, MARGIN, OWN
from agreement.figures.estimates import Estimate
from agreement.figures.labels import legend_below, number, with_interval
from agreement.figures.points import draw_points


def plot_weeks(
    days: list[date],
    field: npt.ArrayLike,
    *,
    lab_day: date,
    lab: float,
    lab_half_width: float | None = None,
    equivalent: Estimate | None = None,
    ax: Axes,
) -> Axes:
    """
    Draw an athlete's field values of recent weeks with the laboratory's value in it.

    Parameters
    ----------
    days : list of date, length n
        When each field value was taken.
    field : array_like, shape (n,)
        [mL/kg/min]
    lab_day : date
        Of the laboratory test.
    lab : float
        [mL/kg/min]
    lab_half_width : float, optional
        How far one laboratory test may lie from the athlete's true value. [mL/kg/min]
    equivalent : Estimate, optional
        The laboratory-equivalent of the field value with its interval, drawn after the last day.
    ax : Axes

    Returns
    -------
    Axes
        Days are counted from the laboratory test.
    """
    ax.set_xlabel(f"days from the laboratory test of {lab_day.isoformat()}")
    ax.set_ylabel("mL/kg/min")
    gaps = np.array([(day - lab_day) / timedelta(days=1) for day in days])
    values = np.asarray(field, dtype=np.float64)
    if lab_half_width is not None and isfinite(lab_half_width):
        ax.axhspan(lab - lab_half_width, lab + lab_half_width, color=BAND, alpha=0.4, linewidth=0)
    ax.axhline(lab, color=MARGIN, linewidth=0.9, linestyle=(0, (1, 1.2)))
    order = np.argsort(gaps, kind="stable")
    ax.plot(gaps[order], values[order], color=FAINT, linewidth=0.9, zorder=2)
    draw_points(ax, gaps, values, words=("field value", ""))
    ax.errorbar(
        [0],
        [lab],
        None if lab_half_width is None else [lab_half_width],
        fmt="D",
        color=MARGIN,
        markersize=7,
        capsize=4,
        markeredgecolor="white",
        zorder=6,
        label=f"laboratory, {number(lab)}",
    )
    if equivalent is not None and equivalent.known:
        _draw_equivalent(ax, equivalent, float(max(gaps.max(initial=0.0), 0.0)))
    ax.yaxis.set_major_locator(MaxNLocator(5, integer=True))
    legend_below(ax, columns=3)
    return ax


def _draw_equivalent(ax: Axes, equivalent: Estimate, last: float) -> None:
    """Draw behind the last day what a laboratory test would give, with its interval."""
    reach = [[equivalent.value - equivalent.low], [equivalent.high - equivalent.value]]
    ax.errorbar(
        [last + 4],
        [equivalent.value],
        reach if np.isfinite(reach).all() else None,
        fmt="s",
        color=OWN,
        markersize=6,
        capsize=4,
        label="as a laboratory test would read",
    )


def weeks_alt(field: npt.ArrayLike, lab: float, equivalent: Estimate | None = None) -> str:
    """Return what the picture of recent weeks shows, as a sentence."""
    values = np.asarray(field, dtype=np.float64)
    said = f"Laboratory value {number(lab)} mL/kg/min"
    if values.size:
        ends = f"{number(float(values.min()))} to {number(float(values.max()))}"
        said += f" among {values.size} field values of {ends}"
    if equivalent is not None and equivalent.known:
        said += f"; as a laboratory test would read: {with_interval(equivalent)}"
    return f"{said}."


def plot_own_correction(
    squad: Estimate, own: Estimate, after: float | None, *, again: float | None = None, ax: Axes
) -> Axes:
    """
    Draw one athlete's laboratory-equivalent: the squad's, his own, and after one more test.

    Parameters
    ----------
    squad : Estimate
        From the squad's calibration alone. [mL/kg/min]
    own : Estimate
        From the athlete's own tests and the squad. [mL/kg/min]
    after : float, optional
        Half width of the interval after one more test. [mL/kg/min]
    again : float, optional
        The same after two more.
    ax : Axes

    Returns
    -------
    Axes
    """
    half = [
        (Estimate(own.value, own.value - width, own.value + width), word)
        for width, word in ((after, "after one more test"), (again, "after two more tests"))
        if width is not None and isfinite(width)
    ]
    lanes = [(squad, "the squad's calibration"), (own, "with the athlete's own tests"), *half]
    shown = [(one, word) for one, word in lanes if one.known]
    for place, (one, word) in enumerate(reversed(shown)):
        later = word.startswith("after")
        reach = [[one.value - one.low], [one.high - one.value]]
        ax.errorbar(
            [one.value],
            [place],
            xerr=reach if np.isfinite(reach).all() else None,
            fmt="o",
            color=FIELD if word.startswith("the") else OWN,
            markerfacecolor="white" if later else None,
            markersize=7,
            capsize=5,
            linewidth=1.8,
            gid=one.key or None,
        )
        width = f"\u00b1{number((one.high - one.low) / 2)}" if np.isfinite(reach).all() else ""
        ax.annotate(
            f"{word}: {number(one.value)} {width}".rstrip(),
            (0, place + 0.22),
            xycoords=("axes fraction", "data"),
            va="bottom",
            fontsize=8.5,
            color=INK,
        )
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    ax.set_ylim(-0.5, len(shown) - 0.2)
    ax.set_xlabel("as a laboratory test would read (mL/kg/min)")
    return ax


def own_correction_alt(squad: Estimate, own: Estimate, after: float | None) -> str:
    """Return what the picture of the own correction shows, as a sentence."""
    said = [f"with the athlete's own tests {with_interval(own)}"] if own.known else []
    if squad.known:
        said.insert(0, f"by the squad's calibration {with_interval(squad)}")
    if after is not None and isfinite(after) and own.known:
        said.append(f"after one more test known to \u00b1{number(after)}")
    if not said:
        return "No laboratory-equivalent value could be computed."
    return f"Laboratory-equivalent value in mL/kg/min: {', '.join(said)}."
