"""The history of a growing study: a line for each report and method, and what the last one changed."""

from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

COLUMNS: Final = (
    *("date", "method", "mode", "n", "n_pairs", "bias", "lower_limit", "upper_limit"),
    *("verdict", "look", "provenance"),
)
HISTORY_NUMBERS: Final = COLUMNS[3:8]
_KEY: Final = ["method", "mode"]
_READ_BACK: Final = 1e-9  # a number of the file, to its twelve digits, against the same unrounded


class SinceLast(NamedTuple):
    """One method in the newest report, and in the last one with other data."""

    method: str
    mode: str
    before: dict[str, Any]
    now: dict[str, Any]


def history_lines(results: pd.DataFrame, *, date: str, look: int, provenance: str) -> pd.DataFrame:
    """
    Return a report's own lines of the history.

    results: columns `agreement.terms.RESULT_COLUMNS`, as the report shows them.
    date: day of the report.
    look: which planned look its verdict took.
    provenance: hash of what it was made from.
    """
    everybody = results[results["group"] == "all"]
    if everybody.empty or "limits_of_agreement" not in set(everybody["analysis"]):
        return pd.DataFrame(columns=list(COLUMNS))
    limits = everybody[everybody["analysis"] == "limits_of_agreement"]
    wide = limits.pivot_table("value", _KEY, "statistic", dropna=False)
    counts = limits[limits["statistic"] == "bias"].set_index(_KEY)[["n", "n_pairs"]]
    judged = everybody[
        (everybody["analysis"] == "verdict") & (everybody["statistic"] == "within_margin")
    ]
    outcome = judged.set_index(_KEY)["note"].astype("str").str.split(";").str[0]
    lines = wide.join(counts).assign(verdict=outcome).reset_index()
    lines = lines.assign(date=date, look=look, provenance=provenance)
    lines.loc[lines["bias"].isna(), list(HISTORY_NUMBERS)] = (
        np.nan
    )  # a withheld bias withholds its count
    return lines.reindex(columns=list(COLUMNS))


def continued(history: pd.DataFrame, lines: pd.DataFrame) -> pd.DataFrame:
    """
    Return the history with a report's lines at its end; the same report again changes nothing.

    history, lines: columns `COLUMNS`.

    >>> one = pd.DataFrame([["2026-03-01", "w", "run", 12, 12, 1.0, -5.0, 7.0, "undecided", 1, "a"]],
    ...                    columns=COLUMNS)
    >>> two = one.assign(date="2026-04-01", n=13, n_pairs=13, provenance="b")
    >>> list(continued(one, two)["n"])
    [12, 13]
    """
    kept = history[~history["provenance"].isin(lines["provenance"])]
    again = history[history["provenance"].isin(lines["provenance"])]
    parts = [one for one in (kept, lines if again.empty else again) if len(one)]
    return pd.concat(parts, ignore_index=True) if parts else lines


def steps(history: pd.DataFrame) -> list[SinceLast]:
    """Return what the newest report changed, for each method that it changed something of."""
    if history.empty:
        return []
    last = history["provenance"].iloc[-1]
    now, before = history[history["provenance"] == last], history[history["provenance"] != last]
    found = []
    for (method, mode), own in before.groupby(_KEY):
        newest = now[(now["method"] == method) & (now["mode"] == mode)]
        if len(newest):
            one = SinceLast(
                str(method), str(mode), own.iloc[-1].to_dict(), newest.iloc[0].to_dict()
            )
            found += [one] if _changed(one) else []
    return found


def _changed(one: SinceLast) -> bool:
    """Whether athletes, pairs, bias or verdict of a method differ from those before."""
    before, now = (
        [float(each[key]) for key in ("n", "n_pairs", "bias")] for each in (one.before, one.now)
    )
    same = np.allclose(before, now, rtol=_READ_BACK, atol=_READ_BACK, equal_nan=True)
    return not same or one.before["verdict"] != one.now["verdict"]


def looks(history: pd.DataFrame, method: str, mode: str) -> int:
    """Return how often the verdict of a method was taken on other pairs than before."""
    own = history[(history["method"] == method) & (history["mode"] == mode)]
    judged = own[~own["verdict"].isin(["", "no_margin"])]
    return int((judged["n_pairs"] != judged["n_pairs"].shift()).sum())
