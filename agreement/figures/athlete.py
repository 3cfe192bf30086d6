"""One athlete's own correction, and what one more test would tell."""

from math import isfinite

import numpy as np
from matplotlib.axes import Axes

from agreement.figures.colours import FIELD, INK, OWN
from agreement.figures.estimates import Estimate
from agreement.figures.labels import number, with_interval


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
