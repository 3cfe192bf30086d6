"""Rows that the physiology stage cannot use, in the words of the ledger."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.arrays import Flags
from agreement.errors import Problem
from agreement.tables.findings import message
from agreement.tables.study import StudyTables
from agreement.terms import EXCLUSION_COLUMNS

FILES_NAMED: Final = 3  # more raw files with one and the same note share a line
_A_WORD: Final = re.compile("[a-z]+[ :]")  # and no name of a protocol or column
LINE_COLUMNS: Final = [*EXCLUSION_COLUMNS, "column", "remedy"]
"""A line of the ledger, with what only the problem of the same row says."""
NO_LINES: Final = pd.DataFrame(
    {name: pd.Series(dtype="int64" if name == "row" else "str") for name in LINE_COLUMNS}
)


Cause = tuple[Flags, str, Iterable[str | None] | str | None, dict[str, Any]]


def lines_of(rows: pd.DataFrame, *causes: Cause) -> pd.DataFrame:
    """Return the lines of several causes: where, message, column, and what it is filled in with."""
    return joined(
        left_out(rows[where], name, column, told)
        for where, name, column, told in causes
        if where.any()
    )


def left_out(
    rows: pd.DataFrame,
    name: str,
    column: Iterable[str | None] | str | None = None,
    values: dict[str, Any] | None = None,
) -> pd.DataFrame:
    """
    Return lines of rows left out, columns `LINE_COLUMNS`.

    column: our name of the column at fault; None where a row fails as a whole, or by its raw file.
    values: what the message is filled in with, for all rows, or of each in turn.
    """
    if rows.empty:
        return NO_LINES
    _, reason, _, remedy = message(name)
    told = values or {}
    lines = rows[["file", "row", "id"]].assign(reason=reason, remedy=remedy.format_map(told))
    whats = _said(rows, name, told)
    lines["message"] = [text if text.endswith(".") else f"{text}." for text in whats]
    names = [column] * len(rows) if column is None or isinstance(column, str) else list(column)
    lines["column"] = pd.Series(names, index=lines.index, dtype="str")
    return lines[LINE_COLUMNS]


def _said(rows: pd.DataFrame, name: str, values: dict[str, Any]) -> list[str]:
    """Return the sentence for each row; `values`: one for all rows, or of each row in turn."""
    of_each = {
        k: list(v) for k, v in values.items() if isinstance(v, list | np.ndarray | pd.Series)
    }
    what = message(name).what
    filled = (
        what.format_map(values | {key: one[i] for key, one in of_each.items()})
        for i in range(len(rows))
    )
    return [text[0].upper() + text[1:] if _A_WORD.match(text) else text for text in filled]


def joined(parts: Iterable[pd.DataFrame], empty: pd.DataFrame = NO_LINES) -> pd.DataFrame:
    """Return tables, or lines of the ledger, as one; `empty` where no part has a row."""
    some = [part for part in parts if len(part)]
    return pd.concat(some, ignore_index=True) if some else empty


def row_notes(
    rows: pd.DataFrame, name: str, column: str | None = None, /, **values: Any
) -> tuple[Problem, ...]:
    """Return a note on each row (columns file, row); `values`: for all rows, or of each in turn."""
    if rows.empty:
        return ()
    severity, reason, _, remedy = message(name)
    remedy, places = remedy.format_map(values), zip(rows["file"], rows["row"], strict=True)
    return tuple(
        Problem(severity, reason, str(file), int(row), column, what, remedy)
        for (file, row), what in zip(places, _said(rows, name, values), strict=True)
    )


def as_problems(lines: pd.DataFrame) -> tuple[Problem, ...]:
    """Return the same lines as problems, for `check`: what is said of rows of one test, said once."""
    if lines.empty:
        return ()
    alike: dict[tuple[str, ...], list[int]] = {}
    named = ["file", "id", "reason", "column", "message", "remedy"]
    texts = lines[named].astype("object").where(lines[named].notna(), "")
    for key, row in zip(texts.itertuples(index=False), lines["row"], strict=True):
        alike.setdefault(tuple(key), []).append(int(row))
    found = []
    for (file, _, reason, column, said, remedy), rows in alike.items():
        first, last = rows[0], rows[-1]
        if len(rows) > 1:
            whole = len(rows) == last - first + 1
            shown = f"rows {first} to {last}" if whole else f"{len(rows)} rows from {first} on"
            said = f"{said.removesuffix('.')} ({shown})."
        found.append(Problem("set_aside", reason, file, first, column or None, said, remedy))
    return tuple(found)


def in_words_of_files(problems: Iterable[Problem], study: StudyTables) -> tuple[Problem, ...]:
    """Return problems with each column called as its file calls it."""
    tables = {file: table for table, file in study.names.items()}
    return tuple(
        problem
        if problem.column is None or problem.file not in tables
        else replace(problem, column=study.options.header(tables[problem.file], problem.column))
        for problem in problems
    )


def grouped_notes(notes: Sequence[Problem], folder: str) -> tuple[Problem, ...]:
    """Return the notes on the files of a folder, those that many files share in one line."""
    kinds: dict[tuple[str, str, str | None], list[Problem]] = {}
    for note in notes:
        kinds.setdefault((note.severity, note.reason, note.column), []).append(note)
    found: list[Problem] = []
    for alike in kinds.values():
        files = list(dict.fromkeys(note.file for note in alike))
        if len(files) <= FILES_NAMED:
            found += alike
            continue
        row = "" if alike[0].row is None else f", row {alike[0].row}"
        what = f"In {len(files)} files; the first is {files[0]}{row}: {alike[0].what}"
        found.append(replace(alike[0], file=folder, row=None, what=what))
    return tuple(found)
