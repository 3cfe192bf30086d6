"""
Text files -> columns of text, exactly as they stand.

Two ways to the same result. The careful way reads record by record, knows every row's number and
stops at a ragged one. The fast way parses a file that is plain from end to end (no quotes, one kind
of line end, no empty line) in one vectorised pass, numbers and times included; whenever anything in
the file is not plain it gives up, and the careful way says what is wrong.
"""

import csv
import io
import re
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.tables.columns import MISSING, Column
from agreement.tables.findings import Findings
from agreement.tables.headers import Header
from agreement.tables.layout import Layout

_OFFSET: Final = re.compile(r"\d[T ]\d\d:.*(Z|[+-]\d\d:?\d\d)$")
# what pandas and numpy write beside the tokens of design 3c; case makes no difference to a reader
_MISSING_SPELLINGS: Final = sorted({*MISSING, "NaN", "NAN", "na", "n/a", "n/A", "NULL", "Null"})


class RaggedRowsError(ValueError):
    """Rows that do not have as many cells as the header; they have been reported."""


def text_columns(
    data: bytes, layout: Layout, header: Header, file: str, findings: Findings
) -> tuple[pd.DataFrame, np.ndarray[Any, np.dtype[np.int64]]]:
    """
    Read every wanted column as text, record by record.

    Parameters
    ----------
    data : bytes
        The whole file.
    layout : Layout
        How it is laid out.
    header : Header
        Which columns are wanted, and where they are.
    file : str
        For messages.
    findings : Findings
        Collects ragged rows.

    Returns
    -------
    frame : DataFrame
        Our column names, text as it stands.
    rows : ndarray of int64
        The row of each record as a spreadsheet counts; empty records are left out.

    Raises
    ------
    RaggedRowsError
        After reporting rows with too many or too few cells.
    csv.Error
        If quotes do not close.
    UnicodeDecodeError
        If the stated encoding does not fit.
    """
    text = data.decode(layout.encoding)
    # a stray quote is reported by its row instead of swallowing the rest of the file
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=layout.separator, strict=True)
    records, rows = [], []
    for number, record in enumerate(reader):
        if number >= layout.place.data and any(cell.strip() for cell in record):
            records.append(record)
            rows.append(number + 1)
    return columns_of(records, rows, len(layout.header), header, file, findings)


def columns_of(
    records: list[list[str]],
    rows: list[int],
    width: int,
    header: Header,
    file: str,
    findings: Findings,
) -> tuple[pd.DataFrame, np.ndarray[Any, np.dtype[np.int64]]]:
    """Return the wanted columns of records, all of which must be `width` cells long."""
    lengths = np.fromiter(map(len, records), dtype=np.int64, count=len(records))
    numbers = np.array(rows, dtype=np.int64)
    if (ragged := lengths != width).any():
        found = lengths[ragged]
        findings.each(
            "stop",
            "ragged_row",
            file,
            numbers[ragged],
            None,
            lambda i: f"The row has {found[i]} cells; the header has {width}.",
            "Correct the row: a separator may be missing, or a text that holds one needs quotes.",
        )
        raise RaggedRowsError(file)
    columns = list(zip(*records, strict=True)) if records else [()] * width
    frame = pd.DataFrame(
        {ours: pd.Series(columns[i], dtype="str") for ours, i in header.position.items()}
    )
    return frame, numbers


def plain_columns(
    data: bytes, layout: Layout, header: Header, columns: dict[str, Column], *, zoned: bool
) -> pd.DataFrame | None:
    """
    Read a plain file in one vectorised pass; None when it is not plain, or no fast parser is there.

    Parameters
    ----------
    data : bytes
        The whole file.
    layout : Layout
        How it is laid out.
    header : Header
        Which columns are wanted, and where they are.
    columns : dict of str to Column
        Their kinds: numbers become float64, ids, labels and codes categories, dates stay text.
    zoned : bool
        Whether the study states its time zone, so that times may be parsed without their text.

    Returns
    -------
    DataFrame or None
    """
    try:
        from pyarrow import ArrowInvalid
    except ImportError:  # an optional dependency
        return None
    if not _is_plain(data, layout):
        return None
    wanted = [(f"c{i}", columns[ours].kind) for ours, i in header.position.items()]
    times = [name for name, kind in wanted if kind == "time"] if zoned else []
    for parse_times in (True, False) if times else (False,):
        try:
            parsed = _parse(data, layout, dict(wanted), parse_times=parse_times)
        except ArrowInvalid:
            continue
        numbers = parsed[[name for name, kind in wanted if kind == "number"]]
        if np.isinf(numbers.to_numpy()).any():  # text that no one means: the careful way names it
            return None
        return parsed.rename(columns=dict(zip(parsed.columns, header.position, strict=True)))
    return None


def _is_plain(data: bytes, layout: Layout) -> bool:
    """Whether every line is one record, every cell stands as it is, and row numbers just count."""
    if layout.encoding not in {"utf-8", "utf-8-sig"} or b'"' in data or b"\0" in data:
        return False
    returns = data.count(b"\r")
    if returns and returns != data.count(b"\r\n"):
        return False
    if b"\n\n" in data or b"\n\r\n" in data or data.startswith((b"\n", b"\r")):
        return False
    return data.rstrip().count(b"\n") >= layout.place.data  # at least one row of data


def _parse(
    data: bytes, layout: Layout, kinds: dict[str, str], *, parse_times: bool
) -> pd.DataFrame:
    """Parse a plain file; raises ArrowInvalid when a cell does not fit or a row is ragged."""
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    text = pa.dictionary(pa.int32(), pa.string())
    types = {"number": pa.float64(), "date": pa.string(), "time": pa.string()}
    if parse_times:
        types["time"] = _time_type(data, layout, kinds)
    names = [f"c{i}" for i in range(len(layout.header))]
    parsed = arrow_csv.read_csv(
        pa.BufferReader(data),
        read_options=arrow_csv.ReadOptions(column_names=names, skip_rows=layout.place.data),
        parse_options=arrow_csv.ParseOptions(
            delimiter=layout.separator, quote_char=False, ignore_empty_lines=False
        ),
        convert_options=arrow_csv.ConvertOptions(
            column_types={name: types.get(kind, text) for name, kind in kinds.items()},
            include_columns=list(kinds),
            null_values=_MISSING_SPELLINGS,
            strings_can_be_null=False,
        ),
    )
    frame: pd.DataFrame = parsed.to_pandas()
    return frame


def _time_type(data: bytes, layout: Layout, kinds: dict[str, str]) -> Any:  # an Arrow type
    """Return with or without offset, as the first row has it."""
    import pyarrow as pa

    first = data[:65_536].splitlines()[layout.place.data].decode().split(layout.separator)
    cells = [first[int(name[1:])] for name, kind in kinds.items() if kind == "time"]
    aware = all(_OFFSET.search(cell.strip()) for cell in cells)
    return pa.timestamp("us", "UTC") if aware else pa.timestamp("us")
