"""Rows of the results table: put in front what they are about, empty what a rule forbids, sort."""

import re
from collections.abc import Iterable

import numpy as np
import pandas as pd

from agreement.stats.analyses import ANALYSES, UNITS, Analysis
from agreement.stats.limits import FEW_FOR_REPORTS
from agreement.stats.method_data import TOO_FEW
from agreement.stats.rows import Row, rows_frame
from agreement.terms import RESULT_COLUMNS, UNIT

_BEYOND = 999  # place of a statistic that is not in the list
_LIMITS = ("lower_limit", "upper_limit")
_PLACE = {
    (analysis.name, statistic): (i, j)
    for i, analysis in enumerate(ANALYSES)
    for j, statistic in enumerate(analysis.statistics)
}
_ANALYSIS = {analysis.name: i for i, analysis in enumerate(ANALYSES)}


def labelled(frame: pd.DataFrame, analysis: str, method: str, mode: str) -> pd.DataFrame:
    """Put analysis, method, mode and, where there is none, group ``all`` in front of rows."""
    named = frame if "group" in frame.columns else frame.assign(group="all")
    named = named.assign(analysis=analysis, method=method, mode=mode)
    return named[RESULT_COLUMNS]


def empty_frame(analysis: Analysis, n: int, n_pairs: int, note: str) -> pd.DataFrame:
    """Return the rows of an analysis that could not be computed, with the reason."""
    places = analysis.empty_rows
    frame = rows_frame(
        Row(statistic, np.nan, unit=UNITS.get(statistic, UNIT), n=n, n_pairs=n_pairs, note=note)
        for _, statistic in places
    )
    frame.insert(0, "group", [group for group, _ in places])
    return frame


def assembled(frames: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Return all rows as one table, limits of few athletes emptied, in the order of the table."""
    kept = [frame for frame in frames if len(frame)]
    if not kept:
        return labelled(rows_frame([]), "", "", "").iloc[:0]
    table = pd.concat(kept, ignore_index=True)
    return _sorted(_without_small_limits(table))


def _without_small_limits(table: pd.DataFrame) -> pd.DataFrame:
    small = table["statistic"].isin(_LIMITS) & (table["n"] < FEW_FOR_REPORTS)
    told = small & table["value"].notna()
    table.loc[small, ["value", "low", "high"]] = np.nan
    table.loc[told, "note"] = TOO_FEW
    return table


def _sorted(table: pd.DataFrame) -> pd.DataFrame:
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
