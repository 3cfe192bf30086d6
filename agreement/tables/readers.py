"""One table of a study, as a file or a data frame -> a frame of our columns with row numbers."""

import csv
import gzip
import hashlib
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from io import BytesIO
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.arrays import Flags
from agreement.tables.columns import FOLDERS, PARQUET_ENDING, VO2MAX_COLUMNS, Table
from agreement.tables.findings import SHOWN, Findings, Rows, Source, Words, message, of_row
from agreement.tables.headers import (
    PEOPLE_TABLE,
    WITHDRAWN_COLUMN,
    Header,
    join_pieces,
    read_header,
    refuse_unread_withdrawal,
    with_pieces,
)
from agreement.tables.options import FileFormat
from agreement.tables.paths import OversizeError, most_unpacked, refuse_oversize_parquet
from agreement.tables.row_groups import column_of, in_batches, with_own_labels
from agreement.tables.text_layout import (
    RaggedRowsError,
    find_header,
    find_layout,
    plain_columns,
    report_header,
    text_columns,
    wanted_columns,
)
from agreement.tables.units import Unit, own_unit, unit_of
from agreement.tables.workbooks import UnreadableError, sheet_records

_REMEDY: Final = "Open it in a spreadsheet and save it as CSV UTF-8."
NO_ARROW: Final = "Parquet files need another package."
SAVE_AS_CSV: Final = "Install the package with its extra 'scale', or save the file as CSV."


@dataclass(frozen=True, slots=True)
class InputFile:
    """One file that was read, for provenance; `rows` of a table, without header and empty rows."""

    name: str
    sha256: str
    rows: int | None


@dataclass(slots=True)
class RawTable(Source):
    """One table as its file has it."""

    # our column names. Text, categories of text, or already float64 and datetime64 where the file
    # carries types or was plain; missing columns are absent.
    frame: pd.DataFrame
    rows: Rows  # the row of each record, as a spreadsheet counts
    digest: str = ""  # SHA-256 of the file
    unread: tuple[str, ...] = ()  # headers that are none of ours

    def keep(self, mask: Flags) -> None:
        """Keep only the rows of `mask`."""
        if not mask.all():
            frame = self.frame[mask].reset_index(drop=True)
            for name in frame.select_dtypes("category"):  # nothing is said of labels that left
                frame[name] = frame[name].cat.remove_unused_categories()
            self.frame = frame
            self.rows = self.rows[mask]

    def quiet(self) -> "RawTable":
        """Return the same table, of which nothing that is said will be heard."""
        return replace(self, findings=Findings())

    def tell_each(
        self,
        name: str,
        /,
        where: Flags,
        column: str | None = None,
        shown: int = SHOWN,
        **values: Any,
    ) -> None:
        """Record a problem for each row of `where`; `values`: for all rows, arrays, or functions."""
        at, header = np.flatnonzero(where).tolist(), column and self.header(column)
        severity, reason, what, remedy = message(name)

        def said(i: int) -> str:
            return what.format_map(of_row(values, at[i]))

        remedy, rows = remedy.format_map({"section": self.section} | values), self.rows[at]
        self.findings.each(severity, reason, self.file, rows, header, said, remedy, shown=shown)


def unread(table: Table, form: FileFormat, findings: Findings) -> RawTable:
    """Return a table without columns and rows."""
    return RawTable(table, "", form, findings, pd.DataFrame(), np.array([], dtype=np.int64))


def read_table(
    path: Path, file: str, table: Table, form: FileFormat, findings: Findings
) -> RawTable | None:
    """Read one table, called `file` in messages; None when it cannot be used at all, with a stop."""
    return next(read_pieces(path, file, table, form, findings), None)


def read_pieces(
    path: Path,
    file: str,
    table: Table,
    form: FileFormat,
    findings: Findings,
    groups: range | None = None,
    at_once: int = 0,
) -> Iterator[RawTable]:
    """
    Yield a table as `read_table` does: whole, or of a Parquet file some rows after others.

    groups, at_once: the row groups that are wanted, and how many rows at a time; their digest is
        not made.
    """
    source = Source(table, file, form, findings)
    why, remedy = "", ""
    try:
        if groups is None:
            data = _bytes(path)
            if not data or data.isspace():
                raise UnreadableError("The file is empty.", "Fill it, or delete it.")
            digest = hashlib.sha256(data).hexdigest()
            ways: dict[str, ReadWay] = {PARQUET_ENDING: _parquet, ".xlsx": _workbook}
            found = ways.get(path.suffix.casefold(), _text)(data, with_pieces(source))
        else:
            digest, found = "", _parquet(path, with_pieces(source), groups, at_once)
        for frame, rows, header in found:
            frame, theirs = join_pieces(frame, header.theirs)
            whole = (frame, rows, digest, header.unread)
            raw = RawTable(table, file, form, findings, *whole, theirs=dict(theirs))
            fill_constants(raw)
            require_columns(raw)
            if table.name == PEOPLE_TABLE:
                refuse_unread_withdrawal(
                    file, header.unread, WITHDRAWN_COLUMN in raw.theirs, findings
                )
            yield raw
    except RaggedRowsError:
        return  # which was said row by row
    except UnreadableError as error:
        why, remedy = error.what, error.remedy
    except csv.Error as error:
        why = f"The columns cannot be told apart: {error}."
        remedy = "Look for a quotation mark without its partner in the first rows."
    except UnicodeError:
        why = f"The text is not encoded as {form.encoding or 'UTF-16'}."
        remedy = "Set its true encoding, or save it as UTF-8."
    except OversizeError as error:
        why = f"The file is no table: {error}."
        remedy = "Write it again, with nothing but the table."
    except (OSError, EOFError, zlib.error) as error:
        why = f"The file cannot be read ({type(error).__name__})."
        remedy = "Check that it is a whole file, open to you."
    if why:
        source.tell("unreadable_file", what=why, remedy=remedy)


ReadPart = tuple[pd.DataFrame, Rows, Header]
ReadWay = Callable[[bytes, Source], Iterator[ReadPart]]


def _bytes(path: Path) -> bytes:
    """Return the content of a file, unpacked if it is packed."""
    data = path.read_bytes()
    if path.suffix.casefold() != ".gz":
        return data
    most = most_unpacked(len(data))
    with gzip.open(BytesIO(data)) as packed:
        content = packed.read(most + 1)
    if len(content) > most:
        raise OversizeError(f"{len(data)} bytes unpack to more than {most}")
    return content


def _text(data: bytes, source: Source) -> Iterator[ReadPart]:
    """Read a text file, the fast way if it is plain."""
    if b"\0" in data and not data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise UnreadableError("The file is not a text file.", _REMEDY)
    layout = find_layout(data, source)
    header = read_header(layout.header, source)
    _check_units(layout.units, header, source)
    # the fast way knows only the dot; whether a comma was meant, the careful way decides
    fast = source.form.decimal != ","
    plain = plain_columns(data, layout, header, source.table.columns) if fast else None
    if plain is not None:
        first = layout.place.data + 1
        yield plain, np.arange(first, first + len(plain), dtype=np.int64), header
    else:
        yield *text_columns(data, layout, header, source), header


def _workbook(data: bytes, source: Source) -> Iterator[ReadPart]:
    unseen: dict[int, str] = {}
    records = sheet_records(data, source.form.sheet, unseen)
    if not records:
        raise UnreadableError("The sheet is empty.", "Fill it, or name another.")
    place = find_header(records[:20], source)
    report_header(records[:20], place, source)
    for number, how in unseen.items():
        if number > place.data and any(cell.strip() for cell in records[number - 1]):
            source.tell("unseen_row", row=number, how=how)
    header = read_header(records[place.names], source)
    _check_units(() if place.units is None else records[place.units], header, source)
    yield *wanted_columns(records, place.data, records[place.names], header, source), header


def _parquet(
    place: bytes | Path, source: Source, groups: range | None = None, at_once: int = 0
) -> Iterator[ReadPart]:
    """Read a Parquet file; text columns come as categories, numbers and times typed."""
    try:
        from pyarrow import ArrowException, BufferReader, parquet, types
    except ImportError as error:
        raise UnreadableError(NO_ARROW, SAVE_AS_CSV) from error
    if whole := isinstance(place, bytes):
        size, opened = len(place), BufferReader
    else:
        size, opened = place.stat().st_size, str
    try:
        schema = parquet.read_schema(opened(place))
        # read as codes and the texts that these stand for
        texts = [f.name for f in schema if types.is_string(f.type) or types.is_large_string(f.type)]
        with parquet.ParquetFile(opened(place), read_dictionary=[] if whole else texts) as file:
            refuse_oversize_parquet(file.metadata, size)
            header = read_header(file.schema_arrow.names, source)
            _check_units((), header, source)
            wanted = list(dict.fromkeys(header.theirs.values()))
            # a header row is counted although the format has none, so that its rows count like a CSV's
            row = 2
            if groups is None:
                batches = iter([file.read(wanted)])
            else:
                row += sum(file.metadata.row_group(i).num_rows for i in range(groups.start))
                batches = in_batches(file, groups, at_once, wanted)
            for batch in batches:
                read = {name: column_of(batch.column(name)) for name in wanted}
                columns = {o: with_own_labels(read[t]) for o, t in header.theirs.items()}
                frame = pd.DataFrame(columns, copy=False)
                yield frame, np.arange(row, row + len(frame), dtype=np.int64), header
                row += len(frame)
    except (ArrowException, OSError) as error:
        what = f"The Parquet file cannot be read ({type(error).__name__})."
        raise UnreadableError(what, "Write it again.") from error


def _check_units(units: Sequence[str], header: Header, source: Source) -> None:
    """Stop when header or row of units names another unit than ours, and nothing settles it."""
    for ours, i in header.position.items():
        text = units[i].strip() if i < len(units) else ""
        if not text and header.theirs[ours] != ours:
            from agreement.tables.proposal_words import taken_apart  # needed by few files

            text = taken_apart(header.theirs[ours]).unit or ""  # such as "Weight (lb)"
        named = unit_of(ours, text) if text else None
        if named is not None and named != (ours, Unit()) and ours not in source.form.units:
            source.tell("unit_in_header", header.theirs[ours], unit=text, ours=ours)


def frame_table(
    frame: pd.DataFrame, table: Table, form: FileFormat, findings: Findings
) -> RawTable:
    """Take one table from a data frame, index unread; a row counts from 0, as `frame.iloc` does."""
    names = [str(name) for name in frame.columns]
    header = read_header(names, Source(table, table.name, form, findings))
    columns = {ours: _as_read(frame.iloc[:, at]) for ours, at in header.position.items()}
    ours = pd.DataFrame(columns, index=range(len(frame)))
    rows = np.arange(len(frame), dtype=np.int64)
    raw = RawTable(
        table, table.name, form, findings, ours, rows, unread=header.unread, theirs=header.theirs
    )
    fill_constants(raw)
    require_columns(raw)
    return raw


def _as_read(column: "pd.Series[Any]") -> "pd.Series[Any]":
    """Return a column as a file would give it: numbers and times typed, all else text."""
    column = column.reset_index(drop=True)
    dtype = column.dtype
    if pd.api.types.is_bool_dtype(dtype):
        return column.astype("object").astype("str")
    kind = getattr(dtype, "kind", "O")
    if kind == "M" or isinstance(dtype, pd.CategoricalDtype):
        return column
    if kind not in "iuf":
        return column.astype("str")
    if column.isna().any():  # also of another array than numpy's; a gap is NaN
        return pd.Series(column.to_numpy(dtype=np.float64, na_value=np.nan))
    return pd.Series(column.to_numpy())


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


def fill_constants(raw: RawTable) -> None:
    """Give a column that the file lacks the one value that `study.toml` states for all of it."""
    for name, value in raw.form.values.items():  # noqa: PD011  # no frame
        if name in raw.frame:
            raw.tell("value_and_column", name, ours=name)
        elif name in raw.table.columns:
            codes = np.zeros(len(raw.rows), np.int8)
            raw.frame[name] = pd.Categorical.from_codes(codes, pd.Index([value], dtype="str"))
            raw.theirs[name] = name


def require_columns(raw: RawTable) -> None:
    """Stop when a required column is missing, and say which headers of the file are not read."""
    names = raw.unread
    headers = ", ".join(f"'{name}'" for name in names[:10]) + (" ..." if len(names) > 10 else "")
    for name, column in raw.table.columns.items():
        if column.required and not {name, column.instead} & set(raw.frame):
            more = f" Headers that are not read: {headers}." if headers else ""
            if raw.table.name in FOLDERS:
                more += " One such table serves every file of the folder."
            raw.tell("missing_column", name, ours=name, more=more)


def require_vo2max(raw: RawTable) -> None:
    """Stop when a table that needs VO2max has no column of it."""
    if not raw.file or set(VO2MAX_COLUMNS) & set(raw.frame):
        return
    from agreement.tables.proposal_words import fits, taken_apart  # needed by few files

    columns = ", ".join(VO2MAX_COLUMNS)
    named = {header: taken_apart(header) for header in raw.unread}
    likely = max(named, key=lambda header: fits("vo2max", named[header]), default="")
    if not likely or not fits("vo2max", named[likely]):
        raw.tell("no_vo2max_column", columns=columns)
        return
    units = {own_unit(one): one for one in VO2MAX_COLUMNS}
    unit = named[likely].unit if named[likely].unit in units else own_unit(VO2MAX_COLUMNS[0])
    told: Words = {"header": likely, "unit": unit, "ours": units[str(unit)]}
    raw.tell("vo2max_column_unread", columns=columns, **told)
