"""Why a training profile is misread: what sessions cover, and how far their line must be carried."""

from math import ceil, floor

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from agreement.figures.labels import number
from agreement.figures.theme import BAND, FAINT, FIELD, INK, MARGIN, SOFT
from agreement.physiology.session_fans import SessionFan

_ROOM_BPM = 3.0  # right of HRmax, for the two marks there


def plot_why(fan: SessionFan, *, ax: Axes, y_limits: tuple[float, float] | None = None) -> Axes:
    """
    Draw one athlete's sessions, the line through them, its fan at HRmax, and the laboratory value.

    Parameters
    ----------
    fan : SessionFan
        A typical athlete of one training profile.
    ax : Axes
    y_limits : tuple of float, optional
        The same for every panel that is to be compared. [mL/kg/min]

    Returns
    -------
    Axes
    """
    band, end = fan.band, fan.band.iloc[-1]
    ax.fill_between(
        band["hr_bpm"],
        band["low"],
        band["high"],
        color=BAND,
        alpha=0.6,
        linewidth=0,
        label="\u00b1 1 standard error",
    )
    _draw_lines(ax, fan, band)
    ax.axvline(fan.hr_max_bpm, color=FAINT, linestyle=(0, (1, 1.5)), linewidth=1)
    ax.plot(
        fan.points["hr_bpm"],
        fan.points["vo2"],
        "o",
        color=INK,
        markersize=4.4,
        markeredgecolor="white",
        markeredgewidth=0.5,
        zorder=4,
        label="training sessions",
    )
    ax.plot(
        [fan.hr_max_bpm],
        [fan.lab],
        "D",
        color=MARGIN,
        markersize=7,
        markeredgecolor="white",
        zorder=5,
        label="laboratory",
    )
    ax.plot([end["hr_bpm"]], [end["vo2"]], "o", color=FIELD, fillstyle="none", markersize=7)
    ax.set_title(fan.training_profile)
    ax.set_xlabel("heart rate (bpm)")
    ax.set_ylabel("VO2 from pace (mL/kg/min)")
    ax.set_xlim(fan.points["hr_bpm"].min() - _ROOM_BPM, fan.hr_max_bpm + _ROOM_BPM)
    if y_limits is not None:
        ax.set_ylim(*y_limits)
    return _said(ax, fan)


def _draw_lines(ax: Axes, fan: SessionFan, band: pd.DataFrame) -> None:
    """Draw the line, solid where there are points and broken beyond, and the usual form."""
    inside = band["hr_bpm"] <= fan.points["hr_bpm"].max()
    for part, style, label in (
        (inside, "-", "line through them"),
        (~inside, (0, (4, 2)), "carried to HRmax"),
    ):
        ax.plot(band["hr_bpm"][part], band["vo2"][part], color=FIELD, linestyle=style, label=label)
    ax.plot(
        band["hr_bpm"],
        band["usual"],
        color=SOFT,
        linestyle=":",
        linewidth=1.2,
        label="usual form of the line",
    )


def _said(ax: Axes, fan: SessionFan) -> Axes:
    """Write into the panel what it shows."""
    usual = fan.usual_bias
    text = f"at HRmax: \u00b1{number(fan.standard_error)}\nusual form: {number(usual)}"
    ax.text(0.03, 0.97, text, transform=ax.transAxes, va="top", color=INK, fontsize=8.5)
    return ax


def shared_limits(fans: tuple[SessionFan, ...]) -> tuple[float, float]:
    """Return limits of VO2 that hold every panel's points, lines and laboratory values."""
    low = min(min(fan.points["vo2"].min(), fan.lab, fan.band["vo2"].min()) for fan in fans)
    high = max(max(fan.band["high"].iloc[-1], fan.lab) for fan in fans)
    return float(5 * floor((low - 1) / 5)), float(5 * ceil((high + 1) / 5))


def why_alt(fans: tuple[SessionFan, ...]) -> str:
    """Return what the figure shows, as sentences."""
    told = " ".join(fan.summary() for fan in fans)
    return f"Training sessions as points of heart rate and VO2 from pace, one panel each. {told}"


def why_legend(ax: Axes) -> None:
    """Explain the marks once, in the corner that a rising line leaves free."""
    handles, labels = ax.get_legend_handles_labels()
    order = np.argsort([label != "training sessions" for label in labels], kind="stable")
    ax.legend(
        [handles[i] for i in order], [labels[i] for i in order], loc="lower right", fontsize=7.5
    )
