"""The difference plot of plain arrays, on any axes, in whatever style is set."""

import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.axes import Axes

from agreement.figures.differences import plot_differences as plot_pairs
from agreement.figures.key import key_of
from agreement.stats.record import HasFrame
from agreement.terms import RESULT_COLUMNS

_NOTHING = pd.DataFrame(columns=RESULT_COLUMNS)


def plot_differences(
    field: npt.ArrayLike,
    lab: npt.ArrayLike,
    *,
    limits: HasFrame | pd.DataFrame | None = None,
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
    if ax is None:
        from matplotlib import pyplot as plt  # only where a figure of the caller's is current

        ax = plt.gca()
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
