"""Tables given as data frames instead of files: the same columns, the same checks."""

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.tables.columns import TABLES, Table
from agreement.tables.findings import Findings
from agreement.tables.headers import read_header
from agreement.tables.options import FileFormat
from agreement.tables.readers import RawTable, fill_constants, require_columns
from agreement.tables.table_files import require_tables

_KEPT: Final = "biufM"  # numpy kinds of columns that carry their type: numbers and times


def as_pandas(frame: Any) -> pd.DataFrame:
    """
    Return a table of any library as a pandas frame.

    frame: a table of columns. Arrow's interface needs the extra ``scale``.
    Raises TypeError if it is none of these.

    >>> as_pandas({"athlete_id": ["A1"], "mass_kg": [70.0]}).shape
    (1, 2)
    """
    if isinstance(frame, pd.DataFrame):
        return frame
    if isinstance(frame, Mapping):
        return pd.DataFrame(dict(frame))
    if hasattr(frame, "__arrow_c_stream__"):
        arrow: pd.DataFrame = pd.DataFrame.from_arrow(frame)  # type: ignore[attr-defined]  # the stubs lack it
        return arrow
    if hasattr(frame, "__dataframe__"):
        return pd.api.interchange.from_dataframe(frame)
    raise TypeError(
        f"a table must be a data frame or a mapping of columns; got {type(frame).__name__}"
    )


def given_tables(given: Mapping[str, pd.DataFrame], findings: Findings) -> dict[str, str]:
    """Return the tables given, named as messages shall name them; a missing one is a stop."""
    require_tables(set(given), findings)
    return {name: name for name in TABLES if name in given}


def frame_table(
    frame: pd.DataFrame, table: Table, form: FileFormat, findings: Findings
) -> RawTable:
    """
    Take one table from a data frame; what is wrong goes to `findings`.

    frame: columns named like ours, or as `form` says; the index is not read.
    table: which columns are looked for.
    form: names, units, codes and constants of the columns.
    Returns: a row counts from 0, as `frame.iloc` does.
    """
    names = [str(name) for name in frame.columns]
    header = read_header(names, table, form, table.name, findings)
    columns = {ours: _as_read(frame.iloc[:, at]) for ours, at in header.position.items()}
    ours = pd.DataFrame(columns, index=range(len(frame)))
    rows = np.arange(len(frame), dtype=np.int64)
    raw = RawTable(table, table.name, form, ours, rows, header.theirs, "")
    fill_constants(raw, findings)
    require_columns(raw, findings, header.unread)
    return raw


def _as_read(column: "pd.Series[Any]") -> "pd.Series[Any]":
    """Return a column as a file would give it: numbers and times typed, all else text."""
    column = column.reset_index(drop=True)
    dtype = column.dtype
    if pd.api.types.is_bool_dtype(dtype):
        return column.astype("object").astype("str")
    if isinstance(dtype, pd.DatetimeTZDtype):
        return column
    if getattr(dtype, "kind", "O") in _KEPT:
        return column if getattr(dtype, "kind", "O") == "M" else _plain_numbers(column)
    if isinstance(dtype, pd.CategoricalDtype):
        return column
    return column.astype("str")


def _plain_numbers(column: "pd.Series[Any]") -> "pd.Series[Any]":
    """Return numbers as numpy holds them, whatever array they came in; a gap is NaN."""
    if isinstance(column.dtype, np.dtype):
        return column
    if column.isna().any():
        return pd.Series(column.to_numpy(dtype=np.float64, na_value=np.nan))
    return pd.Series(column.to_numpy())
