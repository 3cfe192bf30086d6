"""Captions of figures, made from what is drawn: no band, line or mark is named that is not there."""

from math import isfinite
from typing import Final

import pandas as pd

from agreement.figures.estimates import ABSENT, estimates
from agreement.figures.points import MOST_POINTS
from agreement.report.page.numbers import Cell

_LINES: Final = ("bias", "lower_limit", "upper_limit")


def differences_caption(
    name: str, pairs: pd.DataFrame, limits: pd.DataFrame, *, points: bool = True
) -> str:
    """Return the caption of the difference plot; `limits`: its lines of the results table."""
    known = estimates(limits)
    drawn = [known.get(line, ABSENT) for line in _LINES]
    bands = sum(one.known and isfinite(one.low) and isfinite(one.high) for one in drawn)
    said = [f"{name}: field minus laboratory for each pair."]
    if not points:
        said = [
            f"{name}: bias and limits of field minus laboratory; points would show single people."
        ]
    if not any(one.known for one in drawn):
        said.append(f"{'Points only: t' if points else 'T'}oo few athletes for lines.")
    elif not (drawn[1].known and drawn[2].known):
        said.append("Too few athletes for limits.")
    if bands:
        said.append(
            "Band: 95 % interval of the line."
            if bands == 1
            else "Bands: 95 % intervals of the lines."
        )
    if points and len(pairs) > MOST_POINTS:
        said.append("The darker, the more pairs.")
    elif points and pairs["athlete_id"].duplicated().any():
        said.append("Lines between points join the pairs of one athlete.")
    return " ".join(said)


def profiles_caption(name: str, groups: pd.DataFrame) -> str:
    """Return the caption of the figure of training profiles; `groups`: those that are drawn."""
    known = groups[groups["value"].notna()]
    if not (known["statistic"] == "bias").any():
        return f"{name}: differences by training profile; too few athletes in each for a bias."
    marks = "bias by training profile (mark) with its 95 % interval (thick)"
    if (known["statistic"] == "upper_limit").any():
        marks += " and the limits of agreement (thin, from 10 athletes)"
    return f"{name}: {marks}; athletes below."


def regression_caption(name: str, slope: Cell, spread: Cell) -> str:
    """Return the caption of the calibration figure."""
    start = f"{name}: laboratory against field values"
    if not slope.known:
        return f"{start}; no calibration line: {slope.reason.rstrip('.')}."
    band = " Band: one standard error of estimate on each side." if spread.known else ""
    return f"{start}, with the calibration line.{band}"


def averaging_caption(name: str, curve: pd.DataFrame) -> str:
    """Return the caption of the averaging curve; `curve`: its lines of the results table."""
    days = curve[(curve["group"] != "floor") & curve["value"].notna()]
    fitted = days[days["statistic"] == "half_width_fitted"]
    said = [f"{name}: half width of the limits of agreement by the number of days averaged."]
    if (days["statistic"] == "half_width_observed").any():
        said.append("Points: observed.")
    if len(fitted):
        band = bool(fitted[["low", "high"]].notna().all(axis=None))
        said.append("Line and band: fitted, with its 95 % interval." if band else "Line: fitted.")
    return " ".join(said)
