"""Why a training profile is misread: what sessions cover, and how far their line must be carried."""

from math import ceil, floor
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes

from agreement.figures.colours import EQUAL, FAINT, FIELD, INK, MARGIN, PAPER, SHADE, SOFT
from agreement.figures.estimates import Caption, Estimate
from agreement.figures.key import SIZE, explain
from agreement.figures.rows import draw_mark
from agreement.physiology.coverage import SessionFan
from agreement.terms import plain

if TYPE_CHECKING:
    import pandas as pd

_ROOM = 3.0  # on both sides, for the marks at HRmax. [% of HRmax]


def plot_why(fan: SessionFan, *, ax: Axes, among: tuple[SessionFan, ...] = ()) -> Axes:
    """
    Draw one athlete's sessions, the line through them, its fan at HRmax, and the laboratory value.

    fan: a typical athlete of one training profile.
    among: those to compare with: all get the same axes. Default: this one alone.
    """
    band, points, axes = fan.band, fan.points, among or (fan,)
    pulse, seen = (_share(fan, one["hr_bpm"]) for one in (band, points))
    ax.axvspan(seen.max(), 100, color=FAINT, alpha=0.22, linewidth=0, label="no session here")
    shade = SHADE | {"alpha": 0.75, "label": "\u00b1 1 standard error"}
    ax.fill_between(pulse, band["low"], band["high"], **shade)
    last = int(np.searchsorted(pulse, seen.max(), side="right"))
    for part, style, label in (
        (slice(0, last), "-", "line through them"),
        (slice(last - 1, None), (0, (4, 2)), "carried to HRmax"),
    ):
        ax.plot(pulse[part], band["vo2"][part], color=FIELD, linestyle=style, label=label)
    usual: dict[str, Any] = {"color": SOFT, "linestyle": ":", "linewidth": 1.2}
    ax.plot(pulse, band["usual"], label="usual form of the line", **usual)
    ax.axvline(100, linewidth=1, **EQUAL)
    dots: dict[str, Any] = {"color": INK, "markersize": 4.4, "markeredgewidth": 0.5, "zorder": 4}
    ax.plot(seen, points["vo2"], "o", markeredgecolor=PAPER, label="training sessions", **dots)
    draw_mark(ax, Estimate(100), fan.lab, "D", MARGIN, 7, zorder=5, label="laboratory")
    ax.plot([100], [band["vo2"].iloc[-1]], "o", color=FIELD, fillstyle="none", markersize=7)
    ax.set_title(fan.training_profile, pad=30)
    low = min(min(one.points["vo2"].min(), one.lab, one.band["vo2"].min()) for one in axes)
    high = max(max(one.band["high"].iloc[-1], one.lab) for one in axes)
    left = min(_share(one, one.points["hr_bpm"]).min() for one in axes)
    heights = (5 * floor((low - 1) / 5), 5 * ceil((high + 1) / 5))
    ax.set(xlim=(left - _ROOM, 100 + _ROOM), ylim=heights)
    ax.set(xlabel="heart rate (% of HRmax)", ylabel="VO2 from work rate (mL/kg/min)")
    side = "lower" if fan.usual_bias < 0 else "higher"
    text = f"sessions up to {seen.max():.0f} % of HRmax\n" + (
        f"so \u00b1 {plain(fan.standard_error)}, usual form {plain(abs(fan.usual_bias))} {side}"
    )
    ax.text(0, 1.02, text, transform=ax.transAxes, va="bottom", color=INK, fontsize=SIZE)
    return ax


def _share(fan: SessionFan, pulse: "pd.Series[float]") -> "pd.Series[float]":
    """Return heart rates in per cent of the athlete's HRmax."""
    return 100 * pulse / fan.hr_max_bpm


def why_captions(fans: tuple[SessionFan, ...], *, first: bool = True) -> list[Caption]:
    """Return what each panel shows; `first`: of several figures the one that explains them."""
    captions = []
    for fan in fans:
        pulse, (line, usual) = fan.points["hr_bpm"], fan.band[["vo2", "usual"]].iloc[-1]
        told = {"profile": fan.training_profile, "athlete": fan.athlete_id, "lab": fan.lab}
        told |= {"line": line, "standard_error": fan.standard_error, "usual": usual}
        told |= {"reach": _share(fan, pulse).max(), "span": np.ptp(pulse), "first": first}
        captions.append(Caption("why", told))
    return captions


def why_legend(ax: Axes) -> None:
    """Explain the marks once, below a panel."""
    handles, labels = ax.get_legend_handles_labels()
    order = np.argsort([label != "training sessions" for label in labels], kind="stable")
    explain(ax, [handles[i] for i in order])
