"""What changes over time: bias and limits from report to report, the control, the difference."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FixedFormatter, FixedLocator

from agreement.figures.colours import AGREED, FAINT, FIELD, INK, SOFT, ZERO
from agreement.figures.estimates import Caption, Estimate
from agreement.figures.labels import DIFFERENCE
from agreement.figures.points import evenly

_NAMED = 3  # reports whose date and count stand below the axis


def plot_run(history: pd.DataFrame, *, margin: float | None = None, ax: Axes) -> Axes:
    """
    Draw bias and limits of one method, report after report.

    history: date, n, bias, lower_limit, upper_limit, in the order of the reports; limits may be
        missing. [mL/kg/min]
    margin: agreed limit, drawn on both sides of 0. [mL/kg/min]
    """
    at = np.arange(len(history))
    ax.vlines(at, history["lower_limit"], history["upper_limit"], color=FAINT, linewidth=5.5)
    ax.plot(at, history["bias"], "o-", color=FIELD, markersize=6, linewidth=1.2)
    ax.axhline(0, color=SOFT, linewidth=0.8)
    for end in () if margin is None else (-margin, margin):
        ax.axhline(end, **AGREED)
    names = [f"{date}\nn {int(n)}" for date, n in zip(history["date"], history["n"], strict=True)]
    named = evenly(len(names), _NAMED).tolist()
    ax.xaxis.set_major_locator(FixedLocator(named))
    ax.xaxis.set_major_formatter(FixedFormatter([names[place] for place in named]))
    ax.set(xlim=(-0.6, len(history) - 0.4), xlabel="report", ylabel=DIFFERENCE)
    return ax


def run_caption(history: pd.DataFrame, *, margin: float | None = None) -> Caption:
    """Return what the chart shows; the last bias is that of the report at hand."""
    (first, last), reports = (history.iloc[place] for place in (0, -1)), len(history)
    whose = "/".join(str(last.get(name, "")) for name in ("method", "mode"))
    key = f"limits_of_agreement/{whose}/all/bias"
    told = {"first": (first["date"], first["bias"]), "reports": reports, "margin": margin}
    return Caption("run", {**told, "last": (last["date"], Estimate(last["bias"], key=key))})


def plot_control(
    days: Sequence[float], values: Sequence[float], line: tuple[float, float], *, ax: Axes
) -> Axes:
    """
    Draw the laboratory's control over time, with its line.

    days: since the study's first laboratory test. [days]
    values: VO2max of the control. [mL/kg/min]
    line: value on day 0 and slope of a day.
    """
    ax.plot(days, values, "o", color=INK, markersize=6)
    ax.set_ylabel("control in the laboratory (mL/kg/min)")
    return _draw_line(ax, days, line)


def plot_drift(
    points: Sequence[tuple[float, Estimate]],
    line: tuple[float, float],
    *,
    key: str | None = None,
    ax: Axes,
) -> Axes:
    """
    Draw the bias of each stretch of time with its interval, and the line through all pairs.

    No single pair is drawn: its difference and its day together would tell whose it is.

    points: middle of each stretch, since the study's first laboratory test [days], and its bias.
    line: of difference on days, over all pairs: value on day 0 and slope of a day.
    key: the line's place in the results table: its SVG id.
    """
    days = [day for day, _ in points]
    bias, low, high = np.array([one[:3] for _, one in points]).T
    ax.axhline(0, **ZERO)
    look: dict[str, Any] = {"color": INK, "markersize": 5.5, "capsize": 4, "linewidth": 1.2}
    ax.errorbar(days, bias, (bias - low, high - bias), fmt="o", **look)
    ax.set_ylabel(DIFFERENCE)
    return _draw_line(ax, days, line, key)


def _draw_line(
    ax: Axes, days: Sequence[float], line: tuple[float, float], key: str | None = None
) -> Axes:
    ends = np.array([min(days), max(days)])
    ax.plot(ends, line[0] + line[1] * ends, color=FIELD, linestyle="--", gid=key)
    ax.set_xlabel("days since the first laboratory test")
    return ax
