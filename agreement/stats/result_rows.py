"""Rows of the results table: put in front what they are about, empty what a rule forbids, sort."""

import re
from collections.abc import Iterable
from functools import lru_cache
from math import isnan, nan
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from agreement.stats.catalogue import ANALYSES
from agreement.stats.causes.budget import COMPONENTS
from agreement.stats.limits.limits import FEW_FOR_REPORTS
from agreement.stats.method_data import NOT_ESTIMABLE, NOTE_CODES, TOO_FEW
from agreement.stats.record import Analysis, HasFrame
from agreement.stats.result import Result, Row, rows_frame, rows_from
from agreement.terms import RESULT_COLUMNS

_BEYOND = 999  # place of a statistic that is not in the list
_LIMITS = frozenset(
    (
        *("lower_limit", "upper_limit", "own_lower_limit", "own_upper_limit"),
        # half the distance between them tells as much
        *("half_width_observed", "half_width_fitted"),
        *(f"half_width_without_{name}" for name in COMPONENTS),
    )
)
_PLACE = {(one.name, name): j for one in ANALYSES for j, name in enumerate(one.names)}
_ANALYSIS = {analysis.name: i for i, analysis in enumerate(ANALYSES)}


class Labelled(NamedTuple):
    """Rows of one analysis of one method and mode, in a frame or not."""

    rows: Iterable[Row] | pd.DataFrame
    analysis: str
    method: str
    mode: str


def rows_of(result: HasFrame) -> list[Row]:
    """Return the rows of a result."""
    if isinstance(result, Result) and type(result).to_frame is Result.to_frame:
        return list(result.rows())
    return rows_from(result.to_frame())


def empty_rows(analysis: Analysis, n: int, n_pairs: int, note: str) -> list[Row]:
    """Return the rows of an analysis that could not be computed, with the reason."""
    return [
        Row(one.name, np.nan, np.nan, np.nan, one.unit, n, n_pairs, note, group)
        for group, one in analysis.empty_rows
    ]


def assembled(parts: Iterable[Labelled]) -> pd.DataFrame:
    """
    Return all rows as one table, limits of few athletes emptied, in the order of the table.

    Rows without a column ``group`` stand under group ``all``.
    """
    rows, labels = [], []
    for part in parts:
        found = rows_from(part.rows) if isinstance(part.rows, pd.DataFrame) else part.rows
        shown = [_shown(row, part.analysis) for row in found]
        rows += shown
        labels += [part[1:]] * len(shown)
    keys = [(*label, row.group, row.statistic) for label, row in zip(labels, rows, strict=True)]
    order = _order(keys)
    frame = rows_frame(rows[i] for i in order)
    for k, name in enumerate(("analysis", "method", "mode")):
        frame[name] = pd.array([labels[i][k] for i in order], dtype="str")
    return frame.reindex(columns=RESULT_COLUMNS)


def _shown(row: Row, analysis: str) -> Row:
    """
    Return a row as the table has it: no limits of few athletes, and a code wherever there is no value.

    A verdict's note begins with its outcome instead.
    """
    row = row._replace(group=row.group or "all")
    if row.n < FEW_FOR_REPORTS and row.statistic in _LIMITS:
        note = row.note if isnan(row.value) else TOO_FEW
        row = row._replace(value=nan, low=nan, high=nan, note=note)
    if isnan(row.value) and analysis != "verdict" and not row.note.startswith(NOTE_CODES):
        return row._replace(note=f"{NOT_ESTIMABLE}; {row.note}" if row.note else NOT_ESTIMABLE)
    return row


def in_table_order(table: pd.DataFrame) -> pd.DataFrame:
    """Sort by analysis, method, mode, group, statistic; rows beyond the list keep their order."""
    columns = [table[name].astype(str) for name in RESULT_COLUMNS[:5]]
    return table.iloc[_order(list(zip(*columns, strict=True)))].reset_index(drop=True)


def _order(rows: list[tuple[str, str, str, str, str]]) -> list[int]:
    """Return the order of rows by analysis, method, mode, group and statistic."""

    def key(row: int) -> tuple[Any, ...]:
        analysis, method, mode, group, statistic = rows[row]
        place = _PLACE.get((analysis, statistic), _BEYOND)
        return _ANALYSIS[analysis], method, mode, _group_key(group), place

    return sorted(range(len(rows)), key=key)  # stable


@lru_cache(maxsize=1024)
def _group_key(group: str) -> tuple[int, float, str]:
    """``all`` first, then numbers by size, then text by code point."""
    if group == "all":
        return (0, 0.0, "")
    if re.fullmatch(r"\d+(\.\d+)?", group):
        return (1, float(group), group)
    return (2, 0.0, group)
