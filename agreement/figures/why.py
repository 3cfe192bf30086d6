"""Why a training profile is misread: what sessions cover, and how far their line must be carried."""

from math import ceil, floor
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes

from agreement.figures.caption import Caption
from agreement.figures.colours import BAND, FAINT, FIELD, INK, MARGIN, SOFT
from agreement.figures.key import SIZE, explain
from agreement.figures.labels import number
from agreement.physiology.coverage import SessionFan

if TYPE_CHECKING:
    import pandas as pd

_ROOM = 3.0  # on both sides, for the marks at HRmax. [% of HRmax]


def plot_why(fan: SessionFan, *, ax: Axes, among: tuple[SessionFan, ...] = ()) -> Axes:
    """
    Draw one athlete's sessions, the line through them, its fan at HRmax, and the laboratory value.

    fan: a typical athlete of one training profile.
    among: those to compare with: all get the same axes. Default: this one alone.
    """
    band, end = fan.band, fan.band.iloc[-1]
    ax.axvspan(_top(fan), 100, color=FAINT, alpha=0.22, linewidth=0, label="no session here")
    ax.fill_between(
        _share(fan, band["hr_bpm"]),
        band["low"],
        band["high"],
        color=BAND,
        alpha=0.75,
        linewidth=0,
        label="\u00b1 1 standard error",
    )
    _draw_lines(ax, fan)
    ax.axvline(100, color=FAINT, linestyle=(0, (1, 1.5)), linewidth=1)
    ax.plot(
        _share(fan, fan.points["hr_bpm"]),
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
        [100],
        [fan.lab],
        "D",
        color=MARGIN,
        markersize=7,
        markeredgecolor="white",
        zorder=5,
        label="laboratory",
    )
    ax.plot([100], [end["vo2"]], "o", color=FIELD, fillstyle="none", markersize=7)
    ax.set_title(fan.training_profile, pad=30)
    ax.set_xlabel("heart rate (% of HRmax)")
    ax.set_ylabel("VO2 from pace (mL/kg/min)")
    _set_limits(ax, among or (fan,))
    return _said(ax, fan)


def _share(fan: SessionFan, pulse: "pd.Series[float]") -> "pd.Series[float]":
    """Return heart rates in per cent of the athlete's HRmax."""
    return 100 * pulse / fan.hr_max_bpm


def _top(fan: SessionFan) -> float:
    """Return the highest heart rate of a session in per cent of HRmax."""
    return float(_share(fan, fan.points["hr_bpm"]).max())


def _draw_lines(ax: Axes, fan: SessionFan) -> None:
    """Draw the line, solid where there are points and broken beyond, and the usual form."""
    pulse, height = _share(fan, fan.band["hr_bpm"]), fan.band["vo2"]
    last = int(np.searchsorted(fan.band["hr_bpm"], fan.points["hr_bpm"].max(), side="right"))
    for part, style, label in (
        (slice(0, last), "-", "line through them"),
        (slice(last - 1, None), (0, (4, 2)), "carried to HRmax"),
    ):
        ax.plot(pulse[part], height[part], color=FIELD, linestyle=style, label=label)
    ax.plot(
        pulse,
        fan.band["usual"],
        color=SOFT,
        linestyle=":",
        linewidth=1.2,
        label="usual form of the line",
    )


def _said(ax: Axes, fan: SessionFan) -> Axes:
    """Write under the title what the panel shows."""
    text = (
        f"sessions up to {_top(fan):.0f} % of HRmax\n"
        f"so \u00b1 {number(fan.standard_error)}, usual form {_more(fan.usual_bias)}"
    )
    ax.text(0, 1.02, text, transform=ax.transAxes, va="bottom", color=INK, fontsize=SIZE)
    return ax


def _more(difference: float) -> str:
    """Return a difference in words."""
    return f"{number(abs(difference))} {'lower' if difference < 0 else 'higher'}"


def _set_limits(ax: Axes, fans: tuple[SessionFan, ...]) -> None:
    """Set limits that hold the points, lines and laboratory values of all."""
    low = min(min(fan.points["vo2"].min(), fan.lab, fan.band["vo2"].min()) for fan in fans)
    high = max(max(fan.band["high"].iloc[-1], fan.lab) for fan in fans)
    ax.set_ylim(5 * floor((low - 1) / 5), 5 * ceil((high + 1) / 5))
    left = min(float(_share(fan, fan.points["hr_bpm"]).min()) for fan in fans)
    ax.set_xlim(left - _ROOM, 100 + _ROOM)


def why_captions(fans: tuple[SessionFan, ...], *, first: bool = True) -> list[Caption]:
    """Return what each panel shows; `first`: of several figures the one that explains them."""
    return [Caption("why", {"summary": fan.summary(), "first": first}) for fan in fans]


def why_legend(ax: Axes) -> None:
    """Explain the marks once, below a panel."""
    handles, labels = ax.get_legend_handles_labels()
    order = np.argsort([label != "training sessions" for label in labels], kind="stable")
    explain(ax, [handles[i] for i in order])
