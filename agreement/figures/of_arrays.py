"""On the caller's axes, in whatever style is set: the difference plot of arrays, and any result."""

from collections.abc import Callable
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.axes import Axes

from agreement.figures.averaging_curve import plot_averaging
from agreement.figures.budget import plot_budget
from agreement.figures.colours import FIELD, ZERO
from agreement.figures.differences import plot_differences as plot_pairs
from agreement.figures.estimates import AnyRows
from agreement.figures.key import key_of
from agreement.stats.record import HasFrame
from agreement.terms import RESULT_COLUMNS, UNIT

_NOTHING = pd.DataFrame(columns=RESULT_COLUMNS)
_OWN: Final[dict[str, Callable[..., Axes]]] = {
    "half_width_fitted": plot_averaging,
    "persistent_rest": plot_budget,
}


def _current() -> Axes:
    from matplotlib import pyplot as plt  # only where a figure of the caller's is current

    return plt.gca()


def plot_differences(
    field: npt.ArrayLike,
    lab: npt.ArrayLike,
    *,
    limits: AnyRows | None = None,
    athlete: npt.ArrayLike | None = None,
    confirmed: npt.ArrayLike | None = None,
    margin: float | None = None,
    noise_floor: float | None = None,
    ax: Axes | None = None,
) -> Axes:
    """
    Draw differences against means, field minus laboratory.

    Parameters
    ----------
    field, lab : array_like, shape (n,)
        VO2max of the same people in the same order. [mL/kg/min]
    limits : result or DataFrame, optional
        As `limits_of_agreement` returns; drawn with the bands of their intervals.
    athlete : array_like, shape (n,), optional
        Pairs of one athlete are joined by a line; without it every pair is a person.
    confirmed : array_like of bool, shape (n,), optional
        Whether the laboratory test was a confirmed maximum; points of others are hollow.
    margin : float, optional
        The limit agreed beforehand, drawn at plus and minus. [mL/kg/min]
    noise_floor : float, optional
        Half width that the laboratory's own error alone would give. [mL/kg/min]
    ax : Axes, optional
        Where to draw; without it matplotlib's current axes.

    Raises
    ------
    ValueError
        If the shapes differ.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> ax = Figure().subplots()
    >>> plot_differences([52.0, 47.0, 60.0], [50.0, 48.0, 57.0], ax=ax) is ax
    True
    """
    ax = ax or _current()
    f, x = np.asarray(field, dtype=np.float64), np.asarray(lab, dtype=np.float64)
    if f.ndim != 1 or f.shape != x.shape:
        raise ValueError(
            f"`field` and `lab` must be of one length; got shapes {f.shape} and {x.shape}"
        )
    sure = np.ones(f.size, np.bool_) if confirmed is None else np.asarray(confirmed, np.bool_)
    pairs = pd.DataFrame(
        {
            "athlete_id": np.arange(f.size) if athlete is None else np.asarray(athlete),
            "field": f,
            "lab": x,
            "max_confirmed": np.where(sure, "yes", "unknown"),
        }
    )
    known = _NOTHING if limits is None else limits
    plot_pairs(pairs, known, margin=margin, noise_floor=noise_floor, ax=ax)
    if confirmed is None and (key := key_of(ax)) is not None:
        key.remove()  # it would call every maximum confirmed
    return ax


def plot_result(result: HasFrame, ax: Axes | None = None) -> Axes:
    """
    Draw one result.

    ax: without it matplotlib's current axes.
    Returns: the averaging curve and the error budget as in reports; of other results one row for
        each number that has a value, those of the unit that most of them have.
    """
    ax, frame = ax or _current(), result.to_frame()
    own = next((draw for name, draw in _OWN.items() if name in set(frame["statistic"])), None)
    return own(frame, ax=ax) if own else plot_estimates(frame, ax=ax)


def plot_estimates(frame: pd.DataFrame, *, ax: Axes) -> Axes:
    """
    Draw numbers under one another, each with its interval.

    frame: columns statistic, value, low, high, unit and, where there are groups, group.
    """
    known = frame[np.isfinite(frame["value"].to_numpy(np.float64))]
    if known.empty:
        ax.text(0.5, 0.5, "no number to draw", ha="center", transform=ax.transAxes)
        return ax
    commonest = known["unit"].mode(dropna=False).tolist()
    unit = UNIT if UNIT in commonest else commonest[0]
    rows = known[known["unit"] == unit]
    names = rows["statistic"].str.replace("_", " ")
    if "group" in rows:
        names = names + (", " + rows["group"]).where(rows["group"] != "all", "")
    value, low, high = (rows[name].to_numpy(np.float64) for name in ("value", "low", "high"))
    places = np.arange(len(rows))
    ax.hlines(places, low, high, color=FIELD, linewidth=1.6)
    ax.plot(value, places, "o", color=FIELD, markersize=5)
    if low.min() < 0 < high.max() or (value.min() < 0 < value.max()):
        ax.axvline(0, **ZERO)
    ax.set_yticks(places, names.tolist())
    ax.set_ylim(len(rows) - 0.5, -0.5)
    ax.set_xlabel("" if unit == "1" else unit)
    return ax
