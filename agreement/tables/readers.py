"""One table of a study, in whatever form it comes -> a frame of our columns with row numbers."""

import csv
import gzip
import hashlib
import zlib
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.tables.columns import FOLDERS, PARQUET_ENDING, VO2MAX_COLUMNS, Table
from agreement.tables.findings import Findings, Rows
from agreement.tables.headers import Header, read_header
from agreement.tables.joined_ids import join_pieces, with_pieces
from agreement.tables.layout import doubt_swallowed_rows, find_header, find_layout, report_header
from agreement.tables.options import FileFormat
from agreement.tables.oversize import OversizeError, most_unpacked, refuse_oversize_parquet
from agreement.tables.text_files import RaggedRowsError, columns_of, plain_columns, text_columns
from agreement.tables.units import Unit, unit_of
from agreement.tables.unread_people import COLUMN, NAME, refuse_unread_withdrawal
from agreement.tables.workbooks import WorkbookError, sheet_records

_REMEDY: Final = "Open it in a spreadsheet and save it as CSV UTF-8."


@dataclass(frozen=True, slots=True)
class InputFile:
    """One file that was read, for provenance; `rows` of a table, without header and empty rows."""

    name: str
    sha256: str
    rows: int | None


@dataclass(slots=True)
class RawTable:
    """One table as its file has it."""

    table: Table  # what it should be
    file: str  # path inside the study folder
    form: FileFormat  # what the study file states about it
    # our column names. Text, categories of text, or already float64 and datetime64 where the file
    # carries types or was plain; missing columns are absent.
    frame: pd.DataFrame
    rows: Rows  # the row of each record, as a spreadsheet counts
    theirs: dict[str, str]  # header in the file by our column name
    digest: str  # SHA-256 of the file

    def keep(self, mask: "np.ndarray[Any, np.dtype[np.bool_]]") -> None:
        """Keep only the rows of `mask`."""
        if not mask.all():
            frame = self.frame[mask].reset_index(drop=True)
            for name in frame.select_dtypes("category"):  # nothing is said of labels that left
                frame[name] = frame[name].cat.remove_unused_categories()
            self.frame = frame
            self.rows = self.rows[mask]


def read_table(
    path: Path, file: str, table: Table, form: FileFormat, findings: Findings
) -> RawTable | None:
    """
    Read one table; what is wrong goes to `findings`.

    file: its path inside the study folder, for messages.
    table: which columns are looked for.
    form: what the study file states about it.
    Returns: None when the file cannot be used at all; the reason is among the findings.
    """
    try:
        data = _bytes(path)
        if not data or data.isspace():
            findings.stop("unreadable_file", file, "The file is empty.", "Fill it, or delete it.")
            return None
        digest = hashlib.sha256(data).hexdigest()
        read = {PARQUET_ENDING: _parquet, ".xlsx": _workbook}.get(path.suffix.casefold(), _text)
        found = read(data, file, *with_pieces(table, form), findings)
    except RaggedRowsError:
        return None
    except WorkbookError as error:
        findings.stop("unreadable_file", file, error.what, error.remedy)
        return None
    except csv.Error as error:
        what = f"The columns cannot be told apart: {error}."
        findings.stop(
            "unreadable_file", file, what, "Look for a quotation mark without its partner."
        )
        return None
    except UnicodeError:
        what = f"The text is not encoded as {form.encoding or 'UTF-16'}."
        findings.stop("unreadable_file", file, what, "Set its true encoding, or save it as UTF-8.")
        return None
    except OversizeError as error:
        what = f"The file is no table: {error}."
        findings.stop("unreadable_file", file, what, "Write it again, with nothing but the table.")
        return None
    except (OSError, EOFError, zlib.error) as error:
        what = f"The file cannot be read ({type(error).__name__})."
        findings.stop("unreadable_file", file, what, "Check that it is a whole file, open to you.")
        return None
    if found is None:
        return None
    frame, rows, header = found
    frame, theirs = join_pieces(frame, header.theirs)
    raw = RawTable(table, file, form, frame, rows, theirs, digest)
    fill_constants(raw, findings)
    require_columns(raw, findings, header.unread)
    if table.name == NAME:
        refuse_unread_withdrawal(file, header.unread, COLUMN in raw.theirs, findings)
    return raw


Found = tuple[pd.DataFrame, Rows, Header]


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


def _text(
    data: bytes, file: str, table: Table, form: FileFormat, findings: Findings
) -> Found | None:
    """Read a text file, the fast way if it is plain."""
    if b"\0" in data and not data.startswith((b"\xff\xfe", b"\xfe\xff")):
        what = "The file is not a text file."
        findings.stop("unreadable_file", file, what, _REMEDY)
        return None
    layout = find_layout(data, table, form, file, findings)
    header = read_header(layout.header, table, form, file, findings)
    _check_units(layout.units, header, table, form, file, findings)
    # the fast way knows only the dot; whether a comma was meant, the careful way decides
    plain = None if form.decimal == "," else plain_columns(data, layout, header, table.columns)
    if plain is not None:
        first = layout.place.data + 1
        return plain, np.arange(first, first + len(plain), dtype=np.int64), header
    frame, rows = text_columns(data, layout, header, file, findings)
    return frame, rows, header


def _workbook(
    data: bytes, file: str, table: Table, form: FileFormat, findings: Findings
) -> Found | None:
    """Read one sheet of a workbook."""
    unseen: dict[int, str] = {}
    records = sheet_records(data, form.sheet, unseen)
    if not records:
        findings.stop("unreadable_file", file, "The sheet is empty.", "Fill it, or name another.")
        return None
    place = find_header(records[:20], table, form)
    report_header(place, form, file, findings)
    doubt_swallowed_rows(records[:20], place, table, form, file, findings)
    for number, how in unseen.items():
        if number > place.data and any(cell.strip() for cell in records[number - 1]):
            remedy = "Delete what does not count, or show it and take the line away."
            what = f"The row is {how} in the workbook, and would be read all the same."
            findings.stop("hidden_rows", file, what, remedy, row=number)
    header = read_header(records[place.names], table, form, file, findings)
    units = () if place.units is None else records[place.units]
    _check_units(units, header, table, form, file, findings)
    filled = [
        (i + 1, r)
        for i, r in enumerate(records)
        if i >= place.data and any(cell.strip() for cell in r)
    ]
    frame, rows = columns_of(
        [r for _, r in filled], [i for i, _ in filled], records[place.names], header, file, findings
    )
    return frame, rows, header


def _parquet(
    data: bytes, file: str, table: Table, form: FileFormat, findings: Findings
) -> Found | None:
    """Read a Parquet file; text columns come as categories, numbers and times typed."""
    try:
        from pyarrow import ArrowException, BufferReader, parquet
    except ImportError:
        remedy = "Install the package with its extra 'scale', or save the file as CSV."
        findings.stop("unreadable_file", file, "Parquet files need another package.", remedy)
        return None
    try:
        about = parquet.read_metadata(BufferReader(data))
        refuse_oversize_parquet(about, len(data))
        names = about.schema.to_arrow_schema().names
        header = read_header(names, table, form, file, findings)
        _check_units((), header, table, form, file, findings)
        wanted = list(dict.fromkeys(header.theirs.values()))
        content = parquet.read_table(BufferReader(data), columns=wanted)
        frame = content.to_pandas(strings_to_categorical=True, ignore_metadata=True)
    except (ArrowException, OSError) as error:
        what = f"The Parquet file cannot be read ({type(error).__name__})."
        findings.stop("unreadable_file", file, what, "Write it again.")
        return None
    frame = pd.DataFrame({ours: frame[theirs] for ours, theirs in header.theirs.items()})
    # a header row is counted although the format has none, so that its rows count like a CSV's
    return frame, np.arange(2, 2 + len(frame), dtype=np.int64), header


def _unit_in_header(header: str) -> str:
    """Return the unit that stands in a header, such as "Weight (lb)"; nothing where there is none."""
    from agreement.tables.proposal_words import taken_apart  # only where a header is not ours

    return taken_apart(header).unit or ""


def _check_units(
    units: "tuple[str, ...] | list[str]",
    header: Header,
    table: Table,
    form: FileFormat,
    file: str,
    findings: Findings,
) -> None:
    """Stop when header or row of units names another unit than ours, and nothing settles it."""
    for ours, i in header.position.items():
        text = units[i].strip() if i < len(units) else ""
        if not text and header.theirs[ours] != ours:
            text = _unit_in_header(header.theirs[ours])
        named = unit_of(ours, text) if text else None
        if named is not None and named != (ours, Unit()) and ours not in form.units:
            findings.stop(
                "unit",
                file,
                f"The column is headed with the unit '{text}', but its name says another.",
                f'To convert it, set units = {{ {ours} = "{text}" }} in [files.{table.name}].',
                column=header.theirs[ours],
            )


def fill_constants(raw: RawTable, findings: Findings) -> None:
    """Give a column that the file lacks the one value that `study.toml` states for all of it."""
    for name, value in raw.form.values.items():  # noqa: PD011  # no frame
        if name in raw.frame:
            what = f"The file has a column for '{name}', and study.toml gives it one value for all."
            remedy = f"Remove {name} from values in [files.{raw.table.name}], or the column."
            findings.stop("duplicate_column", raw.file, what, remedy, column=raw.theirs[name])
        elif name in raw.table.columns:
            codes = np.zeros(len(raw.rows), np.int8)
            raw.frame[name] = pd.Categorical.from_codes(codes, pd.Index([value], dtype="str"))
            raw.theirs[name] = name


def require_columns(raw: RawTable, findings: Findings, unread: tuple[str, ...] = ()) -> None:
    """Stop when a required column is missing, and say which headers of the file are `unread`."""
    headers = ", ".join(f"'{name}'" for name in unread[:10]) + (" ..." if len(unread) > 10 else "")
    for name, column in raw.table.columns.items():
        if column.required and not {name, column.instead} & set(raw.frame):
            where = f"[files.{raw.table.name}] of study.toml"
            remedy = f'Add it, or set columns = {{ {name} = "its header" }} in {where}.'
            if headers:
                remedy += f" Headers that are not read: {headers}."
            if raw.table.name in FOLDERS:
                remedy += " One such table serves every file of the folder."
            findings.stop(
                "missing_column", raw.file, f"The column '{name}' is missing.", remedy, column=name
            )


def require_vo2max(raw: RawTable, findings: Findings) -> None:
    """Stop when a table that needs VO2max has no column of it."""
    if raw.file and not set(VO2MAX_COLUMNS) & set(raw.frame):
        what = f"There is no column of VO2max; it needs one of {', '.join(VO2MAX_COLUMNS)}."
        remedy = f"Name it with columns = {{ ... }} in [files.{raw.table.name}] of study.toml."
        findings.stop("missing_column", raw.file, what, remedy)
