"""All methods of a study on one axis: the picture that a reader sees first."""

from math import isfinite
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import NullLocator

from agreement.figures.colours import AGREED, BAND, FAINT, FIELD, INK, MARGIN, NOISE, OWN, SOFT
from agreement.figures.estimates import ABSENT, Caption, Estimate, Labels
from agreement.figures.key import explain
from agreement.figures.labels import VO2MAX_DIFFERENCE, hatch_noise, noise_word, shortened
from agreement.figures.rows import draw_bar, draw_interval, draw_mark, write, write_above
from agreement.stats.verdict.verdict import IN_DOUBT
from agreement.terms import KEY_COLUMNS, mode_word, plain

_BAR: Final[dict[str, Any]] = {"solid_capstyle": "butt", "zorder": 2.5}
_SAMPLES: Final[tuple[tuple[tuple[str, str], str, dict[str, Any]], ...]] = (  # of the key
    (
        ("limits_of_agreement", "bias"),
        "bias",
        {"color": FIELD, "marker": "o", "linewidth": 5, "alpha": 0.75},
    ),
    (
        ("limits_of_agreement", "upper_limit"),
        "limits against one laboratory test",
        {"color": FIELD, "marker": "|", "markersize": 10, "markeredgewidth": 1.8, "linewidth": 1.8},
    ),
    (
        ("net_of_laboratory", "own_upper_limit"),
        "limits net of the laboratory's noise",
        {"color": OWN, "marker": "d", "markersize": 5, "linestyle": "--"},
    ),
    (
        ("no_method", "constant_half_width"),
        "the same number for everybody",
        {"color": NOISE, "marker": "|", "linewidth": 1.1},
    ),
)
_OUTCOMES: Final = ("acceptable", "not acceptable", "undecided", "withheld")  # "": no margin
_LANES: Final = {"limits": 0.12, "own": -0.10, "constant": -0.27}  # above the middle of a row
_ROW: Final = 0.58  # height of a row. [inch]
_FRAME: Final = 1.5  # axis, its words and the legend. [inch]
_APART: Final = 0.28  # of the reach: nearer to 0 the words of both limits would lie on each other
_LONGEST: Final = 1.7  # intervals are cut, with an arrow, this far beyond the widest limits


class MethodRow(NamedTuple):
    """What is drawn of one method and mode."""

    method: str
    mode: str
    n: int
    verdict: str
    rmse: float
    known: dict[tuple[str, str], Estimate]  # by analysis and statistic

    def of(self, analysis: str, statistic: str) -> Estimate:
        """Return one number, `ABSENT` where there is none."""
        return self.known.get((analysis, statistic), ABSENT)


def method_rows(results: pd.DataFrame) -> list[MethodRow]:
    """
    Return the methods of a results table, the one closest to the laboratory (RMSE) first.

    results: columns of results.csv: of the groups only ``all`` is read. Methods without a bias come
        last; those that have no pair (n = 0) are left out.
    Returns: order and content do not depend on the order of the rows.
    """
    whole = results[results["group"] == "all"]
    columns = (whole[name].tolist() for name in (*KEY_COLUMNS, "value", "low", "high", "n"))
    known: dict[tuple[str, str], dict[tuple[str, str], Estimate]] = {}
    counts: dict[tuple[str, str], list[float]] = {}
    for row in zip(*columns, strict=True):
        analysis, method, mode, group, statistic, value, low, high, n = row
        key = f"{analysis}/{method}/{mode}/{group}/{statistic}"
        known.setdefault((method, mode), {})[analysis, statistic] = Estimate(value, low, high, key)
        if analysis == "limits_of_agreement":
            counts.setdefault((method, mode), []).append(n)
    told = whole[whole["statistic"] == "within_margin"]
    notes = dict(zip(zip(told["method"], told["mode"], strict=True), told["note"], strict=True))
    found = []
    for place in sorted(counts):
        if (n := int(np.nanmax(counts[place]))) > 0:
            outcome, *codes = (part.strip() for part in str(notes.get(place, "")).split(";"))
            rmse = known[place].get(("error", "rmse"), ABSENT).value
            outcome = outcome if outcome in _OUTCOMES else ""
            outcome += ", in doubt" if IN_DOUBT in codes else ""
            found.append(MethodRow(*place, n, outcome, rmse, known[place]))
    return sorted(found, key=lambda one: (not isfinite(one.rmse), one.rmse, one.method, one.mode))


def methods_height(count: int) -> float:
    """Return how high the figure of so many methods should be. [inch]."""
    return _FRAME + _ROW * max(count, 1)


def plot_methods(
    results: pd.DataFrame,
    *,
    labels: Labels = None,
    margin: float | None = None,
    noise: float | None = None,
    declared: bool = False,
    ax: Axes,
) -> Axes:
    """
    Draw bias and limits of every method on one axis, the closest to the laboratory on top.

    results: lines of results.csv. Read of group ``all``: ``limits_of_agreement`` (bias,
        lower_limit, upper_limit), ``net_of_laboratory`` (own_lower_limit, own_upper_limit),
        ``no_method`` (constant_half_width), ``error/rmse`` (the order) and the note of
        ``verdict/within_margin``. What is missing is not drawn.
    labels: what people read for a method; default: the method's key.
    margin: the limit agreed beforehand, drawn at plus and minus. [mL/kg/min]
    noise: half width that the laboratory's own error alone would give. [mL/kg/min]
    declared: whether that error was declared, not measured.
    Returns the axes, with lines whose ids (gid) are the keys of their numbers.
    """
    rows = method_rows(results)
    reach = _reach(rows, margin, noise)
    if noise is not None and isfinite(noise):
        hatch_noise(ax.axvspan, noise, alpha=0.3, named=False)
    if margin is not None:
        for side in (-margin, margin):
            ax.axvline(side, zorder=2, **AGREED)
    ax.axvline(0, color=FAINT, linewidth=0.9, zorder=1)
    modes, names = len({one.mode for one in rows}) > 1, labels or {}
    paper = {"facecolor": "white", "edgecolor": "none", "pad": 1.0}
    look: dict[str, Any] = {"color": INK, "bbox": paper, "zorder": 6}
    for place, one in enumerate(reversed(rows)):
        _draw_row(ax, one, place, reach)
        name = names.get(one.method, one.method) + (f", {mode_word(one.mode)}" if modes else "")
        said = f", {one.verdict}" if one.verdict else ""
        write(ax, shortened(name, 40), (0, place + 0.36), ha="left", fontweight="bold", **look)
        write(ax, f"n {one.n}{said}", (1, place + 0.36), ha="right", **look)
    ax.yaxis.set_major_locator(NullLocator())
    ax.set(xlim=(-reach, reach), ylim=(-0.45, len(rows) - 0.4), xlabel=VO2MAX_DIFFERENCE)
    ax.spines["left"].set_visible(False)
    if margin is not None:
        both = (("\u2212", -margin), ("+", margin))
        for sign, side in both if margin > _APART * reach else (("\u00b1", 0.0),):
            write_above(ax, f"agreed {sign}{plain(margin)}", side, MARGIN, away=3)
    explain(ax, _samples(ax, rows, declared=declared))
    return ax


def _reach(rows: list[MethodRow], margin: float | None, noise: float | None) -> float:
    """Return how far the axis goes on both sides: every number, and intervals up to a length."""
    names = [("limits_of_agreement", name) for name in ("bias", "lower_limit", "upper_limit")]
    names += [("net_of_laboratory", name) for name in ("own_lower_limit", "own_upper_limit")]
    names += [("no_method", "constant_half_width")]
    found = [one.of(*name) for one in rows for name in names]
    values = [abs(part.value) for part in found if part.known]
    values += [abs(part) for part in (margin, noise) if part is not None and isfinite(part)]
    most = max(values, default=1.0)
    ends = [abs(end) for part in found for end in (part.low, part.high) if isfinite(end)]
    return 1.06 * max(most, min(max(ends, default=0.0), _LONGEST * most))


def _draw_row(ax: Axes, one: MethodRow, place: int, reach: float) -> None:
    """Draw the lanes of one method: limits, own limits, and what a constant would give."""
    height = place + _LANES["limits"]
    lower, upper = (one.of("limits_of_agreement", f"{side}_limit") for side in ("lower", "upper"))
    _draw_span(ax, (lower, upper), height, FIELD, reach)
    bias = one.of("limits_of_agreement", "bias")
    if bias.known:
        draw_interval(ax, bias, height, FIELD, 5.0, reach=reach, alpha=0.55, **_BAR)
        draw_mark(ax, bias, height, "o", FIELD, 7, zorder=5)
    lower, upper = (one.of("net_of_laboratory", f"own_{side}_limit") for side in ("lower", "upper"))
    _draw_span(ax, (lower, upper), place + _LANES["own"], OWN, reach)
    constant = one.of("no_method", "constant_half_width")
    if constant.known:
        ends, height = (-constant.value, constant.value), place + _LANES["constant"]
        look = {"marker": "|", "markersize": 5, "zorder": 3, "gid": constant.key or None}
        draw_bar(ax, ends, height, NOISE, 1.1, **look)


def _draw_span(
    ax: Axes, ends: tuple[Estimate, Estimate], height: float, colour: str, reach: float
) -> None:
    """Draw two limits, the line between them and the interval of each."""
    if not all(end.known for end in ends):
        return
    usual = colour == FIELD
    width, line, shade, alpha = (1.8, "-", BAND, 0.9) if usual else (1.5, "--", OWN, 0.3)
    marker, size, edge = ("|", 10, 1.8) if usual else ("d", 5, 0.5)
    draw_bar(ax, (ends[0].value, ends[1].value), height, colour, width, linestyle=line)
    for end in ends:
        draw_interval(ax, end, height, shade, 5.0, reach=reach, alpha=alpha, **_BAR)
        draw_mark(
            ax, end, height, marker, colour, size, markeredgewidth=edge, markeredgecolor=colour
        )


def _samples(ax: Axes, rows: list[MethodRow], *, declared: bool) -> list[Any]:
    """Return what the legend shows."""
    drawn = {name for one in rows for name, value in one.known.items() if value.known}
    samples: list[Any] = [
        Line2D([], [], label=word, **look) for name, word, look in _SAMPLES if name in drawn
    ]
    if any(part.get_hatch() for part in ax.patches):
        look: dict[str, Any] = {"facecolor": "none", "edgecolor": NOISE, "hatch": "////", "lw": 0}
        samples.append(Patch(**look, alpha=0.5, label=noise_word(declared=declared)))
    if samples:
        word = "bars: 95 % intervals"
        samples.append(Line2D([], [], color=SOFT, linewidth=5, alpha=0.4, label=word))
    return samples


def methods_caption(
    results: pd.DataFrame, *, labels: Labels = None, margin: float | None = None
) -> Caption:
    """Return what the figure of all methods shows."""
    rows = method_rows(results)
    told: list[dict[str, Any]] = [
        {
            "name": (labels or {}).get(one.method, one.method),
            "mode": one.mode,
            "n": one.n,
            "verdict": one.verdict,
            "bias": one.of("limits_of_agreement", "bias"),
            "limits": [one.of("limits_of_agreement", f"{end}_limit") for end in ("lower", "upper")],
            "own": [one.of("net_of_laboratory", f"own_{end}_limit") for end in ("lower", "upper")],
        }
        for one in rows
    ]
    # an audit may withhold an error: its method then stands last, however close it is
    ordered = all(isfinite(r.rmse) for r in rows if r.of("limits_of_agreement", "bias").known)
    limited = sum(all(one.known for one in each["limits"]) for each in told)
    return Caption(
        "methods", {"methods": told, "margin": margin, "limited": limited} | {"ordered": ordered}
    )
