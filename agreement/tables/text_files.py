"""
Text files -> columns of text, exactly as they stand.

Two ways to the same result. The careful way reads record by record, knows every row's number and
stops at a ragged one. The fast way parses a plain file (UTF-8, no quotes) in one vectorised pass,
numbers included; whenever a cell or a row does not fit it gives up, and the careful way says why.
"""

import csv
import io
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.tables.columns import MISSING, Column
from agreement.tables.findings import Rows, Source
from agreement.tables.headers import Header
from agreement.tables.layout import Layout

# what pandas and numpy write beside the tokens of design 3c; case makes no difference to a reader
_MISSING_SPELLINGS: Final = sorted({*MISSING, "NaN", "NAN", "na", "n/a", "n/A", "NULL", "Null"})
_SHOWN: Final = 40  # characters of a cell in a message


class RaggedRowsError(ValueError):
    """Rows that do not have as many cells as the header; they have been reported."""


def text_columns(
    data: bytes, layout: Layout, header: Header, source: Source
) -> tuple[pd.DataFrame, Rows]:
    """
    Read every wanted column as text, record by record; empty records are left out.

    Raises RaggedRowsError after reporting rows with too many or too few cells.
    Raises csv.Error if quotes do not close.
    Raises UnicodeDecodeError if the stated encoding does not fit.
    """
    text = data.decode(layout.encoding)
    # a stray quote is reported by its row instead of swallowing the rest of the file
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=layout.separator, strict=True)
    return columns_of(list(reader), layout.place.data, layout.header, header, source)


def columns_of(
    records: list[list[str]], data: int, names: Sequence[str], header: Header, source: Source
) -> tuple[pd.DataFrame, Rows]:
    """
    Return the wanted columns of the records from number `data` on that are not empty.

    Each must have a cell for each of `names`.
    Returns rows: the row of each as a spreadsheet counts.
    """
    filled = [i for i in range(data, len(records)) if any(cell.strip() for cell in records[i])]
    some, numbers = [records[i] for i in filled], np.array(filled, dtype=np.int64) + 1
    if ragged := [i for i, record in enumerate(some) if len(record) != len(names)]:
        remedy = (
            "Correct the row: a separator may be missing, or a text that holds one needs quotes."
        )
        source.findings.each(
            "stop",
            "ragged_row",
            source.file,
            numbers[ragged],
            None,
            lambda i: _ragged_words(some[ragged[i]], names),
            remedy,
        )
        raise RaggedRowsError(source.file)
    columns = list(zip(*some, strict=True)) if some else [()] * len(names)
    cells = {ours: pd.Series(columns[i], dtype="str") for ours, i in header.position.items()}
    return pd.DataFrame(cells), numbers


def _ragged_words(record: list[str], names: Sequence[str]) -> str:
    """Return what is wrong with a record that has too few or too many cells."""
    what = f"The row has {len(record)} cells; the header has {len(names)}"
    if len(record) < len(names):
        return f"{what}: there is none for '{names[len(record)][:_SHOWN]}'."
    return f"{what}: '{record[len(names)][:_SHOWN]}' stands after the last."


def plain_columns(
    data: bytes, layout: Layout, header: Header, columns: dict[str, Column]
) -> pd.DataFrame | None:
    """
    Read a plain file in one vectorised pass; None when it is not plain, or no fast parser is there.

    layout: how it is laid out.
    header: which columns are wanted, and where they are.
    columns: their kinds: numbers become float64, dates and times stay text, all else categories.
    """
    try:
        from pyarrow import ArrowInvalid
    except ImportError:  # an optional dependency
        return None
    if not header.position or not _is_plain(data, layout):
        return None
    kinds = [columns[ours].kind for ours in header.position]
    if len(set(header.position.values())) < len(kinds):
        return None  # one column of the file is two of ours
    try:
        parsed = _parse(data, layout, list(zip(header.position.values(), kinds, strict=True)))
    except ArrowInvalid:
        return None
    parsed.columns = pd.Index(header.position)
    needed = next((n for n in header.position if columns[n].required), None)
    # rows without it may be empty rows, which the careful way leaves out
    return None if needed is None or _has_gap(parsed[needed]) else parsed


def _is_plain(data: bytes, layout: Layout) -> bool:
    """Whether every line is one record and every cell stands as it is."""
    return layout.encoding in {"utf-8", "utf-8-sig"} and b'"' not in data


def _has_gap(column: "pd.Series[Any]") -> bool:
    """Whether a column has an empty cell."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        return "" in column.cat.categories
    return bool(column.isna().any() or (column == "").any())


def _parse(data: bytes, layout: Layout, wanted: list[tuple[int, str]]) -> pd.DataFrame:
    """Parse columns of a plain file; raises ArrowInvalid when a cell or a row does not fit."""
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    labels = pa.dictionary(pa.int32(), pa.string())
    types = {"number": pa.float64(), "date": pa.string(), "time": pa.string()}
    names = [str(i) for i in range(len(layout.header))]
    parsed = arrow_csv.read_csv(
        pa.BufferReader(data),
        read_options=arrow_csv.ReadOptions(column_names=names, skip_rows=layout.place.data),
        parse_options=arrow_csv.ParseOptions(
            delimiter=layout.separator, quote_char=False, ignore_empty_lines=False
        ),
        convert_options=arrow_csv.ConvertOptions(
            column_types={str(i): types.get(kind, labels) for i, kind in wanted},
            include_columns=[str(i) for i, _ in wanted],
            null_values=_MISSING_SPELLINGS,
            strings_can_be_null=False,
        ),
    )
    frame: pd.DataFrame = parsed.to_pandas()
    return frame
