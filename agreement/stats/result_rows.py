"""Rows of the results table: put in front what they are about, empty what a rule forbids, sort."""

import re
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
import pandas as pd

from agreement.stats.catalogue import ANALYSES
from agreement.stats.limits.limits import FEW_FOR_REPORTS
from agreement.stats.method_data import CODES, NOT_ESTIMABLE, TOO_FEW
from agreement.stats.record import Analysis
from agreement.stats.rows import Row, rows_frame
from agreement.terms import RESULT_COLUMNS

_BEYOND = 999  # place of a statistic that is not in the list
_LIMITS = ("lower_limit", "upper_limit", "own_lower_limit", "own_upper_limit")
_PLACE = {
    (analysis.name, statistic): (i, j)
    for i, analysis in enumerate(ANALYSES)
    for j, statistic in enumerate(analysis.names)
}
_ANALYSIS = {analysis.name: i for i, analysis in enumerate(ANALYSES)}


class Labelled(NamedTuple):
    """Rows of one analysis of one method and mode."""

    frame: pd.DataFrame
    analysis: str
    method: str
    mode: str


def empty_frame(analysis: Analysis, n: int, n_pairs: int, note: str) -> pd.DataFrame:
    """Return the rows of an analysis that could not be computed, with the reason."""
    places = analysis.empty_rows
    frame = rows_frame(
        Row(statistic.name, np.nan, unit=statistic.unit, n=n, n_pairs=n_pairs, note=note)
        for _, statistic in places
    )
    frame.insert(0, "group", [group for group, _ in places])
    return frame


def assembled(parts: Iterable[Labelled]) -> pd.DataFrame:
    """
    Return all rows as one table, limits of few athletes emptied, in the order of the table.

    Rows without a column ``group`` stand under group ``all``.
    """
    kept = [part for part in parts if len(part.frame)]
    sizes = [len(part.frame) for part in kept]
    table = pd.concat([rows_frame([]), *(part.frame for part in kept)], ignore_index=True)
    for name in ("analysis", "method", "mode"):
        labels = np.repeat([getattr(part, name) for part in kept], sizes)
        table[name] = pd.array(labels.tolist(), dtype="str")
    named = table["group"] if "group" in table else pd.Series(np.nan, table.index)
    table["group"] = named.astype("str").fillna("all")
    return in_table_order(_explained(_without_small_limits(table[RESULT_COLUMNS])))


def _without_small_limits(table: pd.DataFrame) -> pd.DataFrame:
    small = table["statistic"].isin(_LIMITS) & (table["n"] < FEW_FOR_REPORTS)
    told = small & table["value"].notna()
    emptied = table.assign(note=table["note"].mask(told, TOO_FEW))
    emptied[["value", "low", "high"]] = table[["value", "low", "high"]].mask(small)
    return emptied


def _explained(table: pd.DataFrame) -> pd.DataFrame:
    """Let the note of every empty value begin with a code; a verdict's begins with its outcome."""
    silent = table["value"].isna() & (table["analysis"] != "verdict")
    silent &= ~table["note"].str.startswith(CODES)
    code = table["note"].where(table["note"] == "", "; " + table["note"]).radd(NOT_ESTIMABLE)
    return table.assign(note=table["note"].mask(silent, code))


def in_table_order(table: pd.DataFrame) -> pd.DataFrame:
    """Sort by analysis, method, mode, group, statistic; rows beyond the list keep their order."""
    columns = [table[name].astype(str) for name in RESULT_COLUMNS[:5]]
    keys = [
        (
            _ANALYSIS[analysis],
            method,
            mode,
            _group_key(group),
            _PLACE.get((analysis, statistic), (0, _BEYOND))[1],
        )
        for analysis, method, mode, group, statistic in zip(*columns, strict=True)
    ]
    order = sorted(range(len(keys)), key=keys.__getitem__)  # stable
    return table.iloc[order].reset_index(drop=True)


def _group_key(group: str) -> tuple[int, float, str]:
    """``all`` first, then numbers by size, then text by code point."""
    if group == "all":
        return (0, 0.0, "")
    if re.fullmatch(r"\d+(\.\d+)?", group):
        return (1, float(group), group)
    return (2, 0.0, group)
