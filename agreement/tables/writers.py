"""Tables as files: UTF-8, LF, full precision, and nothing that a spreadsheet would run."""

import datetime as dt
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.tables.whole_output import whole_file

DIGITS: Final = 12  # significant; another processor may give other ones from the 13th on
# full-width marks too: some spreadsheets read them as the plain ones
_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def write_table(frame: pd.DataFrame, path: Path) -> None:
    """
    Write a table as CSV, without its index.

    Numbers have their shortest exact text, dates are ISO 8601, missing cells are empty. A text that
    a spreadsheet would take for a formula gets an apostrophe before it.
    Raises OutputError if it cannot be written; what was there stays.
    """
    content = csv_bytes(frame)
    with whole_file(path) as file:
        file.write(content)


def significant(frame: pd.DataFrame, digits: int = DIGITS) -> pd.DataFrame:
    """
    Return a table with 12 significant digits in every column of numbers.

    >>> significant(pd.DataFrame({"value": [1 / 3], "low": [-2e9 / 3], "high": [0.0]})).values
    array([[ 3.33333333e-01, -6.66666667e+08,  0.00000000e+00]])
    """
    shown = frame.copy(deep=False)
    for name in frame.columns[frame.dtypes == np.float64]:
        numbers = frame[name].to_numpy(dtype=np.float64)
        shown[name] = np.array([float(f"{one:.{digits - 1}e}") for one in numbers])
    return shown


def csv_bytes(frame: pd.DataFrame) -> bytes:
    """Return a table as the bytes of a CSV file; the same table gives the same bytes."""
    cells = pd.DataFrame({i: _cells(frame.iloc[:, i]) for i in range(frame.shape[1])})
    cells.columns = pd.Index(frame.columns)
    cells = cells.reindex(range(len(frame))) if cells.empty else cells
    return cells.to_csv(index=False, lineterminator="\n", na_rep="").encode("utf-8")


def _cells(column: "pd.Series[Any]") -> "pd.Series[Any]":
    """Return the cells of a column as texts; what is missing stays so."""
    if pd.api.types.is_bool_dtype(column.dtype):
        return column.map({True: "yes", False: "no"})
    if isinstance(column.dtype, pd.StringDtype):
        codes, words = pd.factorize(column)
        texts = [*map(_text, words), None]  # each distinct text once; a missing one has code -1
        return pd.Series(np.array(texts, dtype="object")[codes])
    cells = zip(column.tolist(), column.isna().tolist(), strict=True)
    return pd.Series([None if missing else _text(cell) for cell, missing in cells], dtype="object")


def _text(value: Any) -> str:
    """Return a cell as text: a number exactly and short, a day without its midnight, none a formula."""
    if isinstance(value, float):
        return repr(float(value)).removesuffix(".0")
    if isinstance(value, dt.datetime) and value.time() == dt.time():
        value = value.date()
    if isinstance(value, dt.date):
        return value.isoformat()
    text = str(value)
    disarmed = isinstance(value, str) and len(text) > 1 and text.startswith(_FORMULA_STARTS)
    return f"'{text}" if disarmed else text
