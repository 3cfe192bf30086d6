"""Tables as files: UTF-8, LF, full precision, and nothing that a spreadsheet would run."""

import datetime as dt
from math import isnan
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from agreement.tables.whole_output import whole_file

if TYPE_CHECKING:
    from collections.abc import Callable

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
    dtype = column.dtype
    if pd.api.types.is_bool_dtype(dtype):
        return column.map({True: "yes", False: "no"})
    if isinstance(dtype, np.dtype) and dtype.kind in "fiu":
        texts = [None if isnan(value) else _number(value) for value in column.tolist()]
        return pd.Series(texts, dtype="object")
    if isinstance(dtype, pd.StringDtype):
        codes, words = pd.factorize(column)
        texts = [*map(_text, words), None]  # each distinct text once; a missing one has code -1
        return pd.Series(np.array(texts, dtype="object")[codes])
    to_text: Callable[[Any], str] = _text
    if pd.api.types.is_numeric_dtype(dtype):
        to_text = _number
    elif pd.api.types.is_datetime64_any_dtype(dtype):
        to_text = _moment
    return column.map(to_text, na_action="ignore").astype("object").reset_index(drop=True)


def _number(value: Any) -> str:  # a number of Python or numpy
    """Return a number as its shortest exact text."""
    if isinstance(value, float | np.floating):
        return repr(float(value)).removesuffix(".0")
    return str(int(value))


def _moment(value: pd.Timestamp) -> str:
    return value.date().isoformat() if value.time() == dt.time() else value.isoformat()


def _text(value: object) -> str:
    """Return a text, disarmed where it would start a formula."""
    if isinstance(value, dt.datetime | dt.date):
        return value.isoformat()
    if isinstance(value, float | int | np.number) and not isinstance(value, bool):
        return _number(value)  # a column of mixed kinds
    text = str(value)
    return f"'{text}" if len(text) > 1 and text.startswith(_FORMULA_STARTS) else text
