"""What the chart of all methods shows, as rows and as words."""

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from agreement.figures.estimates import ABSENT, Estimate
from agreement.figures.labels import number
from agreement.terms import KEY_COLUMNS


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
    found = []
    for (method, mode), every in whole.groupby(["method", "mode"], sort=True):
        own, rows = every[every["analysis"] == "limits_of_agreement"], every.to_dict("records")
        if own.empty:
            continue
        known = {(row["analysis"], row["statistic"]): _estimate(row) for row in rows}
        said = [str(row["note"]) for row in rows if row["statistic"] == "within_margin"]
        rmse = known.get(("error", "rmse"), ABSENT).value
        n = int(own["n"].max())
        if n > 0:
            found.append(MethodRow(str(method), str(mode), n, _outcome(said), rmse, known))
    return sorted(found, key=lambda one: (not isfinite(one.rmse), one.rmse, one.method, one.mode))


def _estimate(row: Mapping[Any, Any]) -> Estimate:
    """Return a line of the results table as value, interval and key."""
    key = "/".join(str(row[name]) for name in KEY_COLUMNS)
    value, low, high = (float(str(row[name])) for name in ("value", "low", "high"))
    return Estimate(value, low, high, key)


def _outcome(notes: Sequence[str]) -> str:
    """Return the outcome that the note of a verdict begins with; "" without a margin."""
    first = notes[0].split(";")[0].strip() if notes else ""
    return first if first in {"acceptable", "not acceptable", "undecided", "withheld"} else ""


def methods_alt(
    results: pd.DataFrame, *, labels: Mapping[str, str] | None = None, margin: float | None = None
) -> str:
    """Return what the figure of all methods shows, in sentences."""
    rows = method_rows(results)
    if not rows:
        return "No method has a pair to show."
    said = [_told(one, (labels or {}).get(one.method, one.method)) for one in rows]
    agreed = "" if margin is None else f" The agreed limit is \u00b1{number(margin)}."
    start = "Field minus laboratory in mL/kg/min, closest method first."
    return f"{start}{agreed} " + " ".join(said)


def _told(one: MethodRow, name: str) -> str:
    """Return one method's numbers as a sentence."""
    parts = [f"{name} ({one.mode}, n {one.n})"]
    for analysis, word, names in (
        ("limits_of_agreement", "bias", ("bias",)),
        ("limits_of_agreement", "limits", ("lower_limit", "upper_limit")),
        ("net_of_laboratory", "net of the laboratory", ("own_lower_limit", "own_upper_limit")),
    ):
        values = [one.of(analysis, name).value for name in names]
        if np.isfinite(values).all():
            parts.append(f"{word} " + " to ".join(number(value) for value in values))
    return ": ".join([parts[0], ", ".join(parts[1:] or ["too few athletes"])]) + (
        f"; {one.verdict}." if one.verdict else "."
    )
