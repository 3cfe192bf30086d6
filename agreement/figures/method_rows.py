"""What the chart of all methods shows, as rows and as words."""

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Final, NamedTuple

import pandas as pd

from agreement.figures.caption import Caption
from agreement.figures.estimates import ABSENT, Estimate

_ENDS: Final = ("lower", "upper")


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
        known = {(row["analysis"], row["statistic"]): Estimate.of(row) for row in rows}
        said = [str(row["note"]) for row in rows if row["statistic"] == "within_margin"]
        rmse = known.get(("error", "rmse"), ABSENT).value
        n = int(own["n"].max())
        if n > 0:
            found.append(MethodRow(str(method), str(mode), n, _outcome(said), rmse, known))
    return sorted(found, key=lambda one: (not isfinite(one.rmse), one.rmse, one.method, one.mode))


def _outcome(notes: Sequence[str]) -> str:
    """Return the outcome that the note of a verdict begins with; "" without a margin."""
    first = notes[0].split(";")[0].strip() if notes else ""
    return first if first in {"acceptable", "not acceptable", "undecided", "withheld"} else ""


def methods_caption(
    results: pd.DataFrame, *, labels: Mapping[str, str] | None = None, margin: float | None = None
) -> Caption:
    """Return what the figure of all methods shows."""
    told = [
        {
            "name": (labels or {}).get(one.method, one.method),
            "mode": one.mode,
            "n": one.n,
            "verdict": one.verdict,
            "bias": one.of("limits_of_agreement", "bias"),
            "limits": [one.of("limits_of_agreement", f"{end}_limit") for end in _ENDS],
            "own": [one.of("net_of_laboratory", f"own_{end}_limit") for end in _ENDS],
        }
        for one in method_rows(results)
    ]
    return Caption("methods", {"methods": told, "margin": margin})
