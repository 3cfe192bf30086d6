"""
A table given as a folder of parts: found by name, read lazily, one piece at a time.

A piece is one text file, or some row groups of a Parquet file; it is checked by the same rules as a
whole table. So memory depends on the size of a piece and not on the number of parts.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.tables.checked_tables import Athletes, CheckedTable
from agreement.tables.columns import PARQUET_ENDING, UNPACK, UNREAD_ENDINGS, Table, not_read
from agreement.tables.findings import Findings, Source
from agreement.tables.headers import Header, read_header
from agreement.tables.options import FileFormat
from agreement.tables.oversize import OversizeError, refuse_oversize_parquet
from agreement.tables.paths import digest_if_readable, path_problem
from agreement.tables.readers import (
    NO_ARROW,
    SAVE_AS_CSV,
    RawTable,
    fill_constants,
    read_table,
    require_columns,
    require_vo2max,
)

ROWS_AT_ONCE: Final = 250_000  # of a Parquet file: checked together, in full width
ROWS_PER_PIECE: Final = 250_000  # of a Parquet file: laid aside together, packed
FIRST_ROW: Final = 2  # of the rows of a file, as a spreadsheet counts: the header is row 1
PART_STEP: Final = (
    1 << 32
)  # a row of the whole table is part number times this plus row of the part
BYTES_PER_ROW: Final = 60  # of a text file
Builder = Callable[[RawTable, Athletes, dict[str, str], str | None], CheckedTable]


class Piece(NamedTuple):
    """What is read at once: a part, or the row groups from `first` to `last` of a Parquet part."""

    part: int
    first: int = 0
    last: int = 0
    rows_before: int = 0
    rows: int | None = None  # known beforehand of Parquet only

    @property
    def first_row(self) -> int:
        """The first row, numbered over all parts."""
        return self.part * PART_STEP + self.rows_before + FIRST_ROW


class CheckedPiece(NamedTuple):
    """A piece after its check; `digest` is that of the file, given with its first piece."""

    table: CheckedTable
    findings: Findings
    rows_read: int
    digest: str | None


def find_table_parts(
    folder: Path, name: str, table: Table, findings: Findings
) -> tuple[str, ...] | None:
    """Return the parts of a table in the folder `name`; None when it cannot be used."""
    files = []
    for path in sorted(path for path in (folder / name).iterdir() if path.is_file()):
        ending, file = path.name.casefold(), f"{name}/{path.name}"
        if ending.endswith(table.endings):
            files += [] if ending.startswith((".", "_")) else [file]
        elif ending.endswith(UNREAD_ENDINGS):
            what = not_read(f"parts of {table.name}", table.endings)
            findings.stop("unreadable_file", file, what, UNPACK)
    outside = [(file, problem) for file in files if (problem := path_problem(folder, file))]
    for file, problem in outside:
        findings.stop("path_outside", file, problem, "Put the file itself there.")
    if not files:
        what = f"The folder of {table.name} holds no part."
        remedy = f"Parts end in {', '.join(table.endings)}; delete an empty folder."
        findings.stop("missing_file", name, what, remedy)
    return tuple(files) if files and not outside else None


@dataclass(frozen=True, slots=True)
class PartReader:
    """Reads and checks the pieces of one table; small enough to be sent to another process."""

    folder: Path  # the study folder
    name: str  # the folder of parts inside it
    files: tuple[str, ...]  # the parts, as paths inside the study folder
    table: Table  # which columns are looked for; others are never read
    form: FileFormat  # what the study file states, for every part alike
    # athletes, ids, zone: as the checks of every table take them
    athletes: Athletes
    ids: dict[str, str]
    zone: str | None
    build: Builder  # the check of one piece

    def pieces(self) -> tuple[Piece, ...]:
        """Cut all parts into pieces; a part that cannot be opened is one piece, which says so."""
        return tuple(piece for part in range(len(self.files)) for piece in self._cut(part))

    def checked(self, piece: Piece) -> Iterator[CheckedPiece]:
        """Yield what a piece holds, at most `ROWS_AT_ONCE` rows of a Parquet file at a time."""
        findings, file = Findings(), self.files[piece.part]
        digest = digest_if_readable(self.folder / file) if piece.rows_before == 0 else None
        some = False
        for raw in self._raw(piece, findings):
            require_vo2max(raw)
            n = len(raw.rows)
            table = self.build(raw, self.athletes, self.ids, self.zone)
            yield CheckedPiece(table, raw.findings, n, None if some else digest)
            some = True
        if not some:
            yield CheckedPiece(CheckedTable(pd.DataFrame(), 0, frozenset()), findings, 0, digest)

    def _cut(self, part: int) -> Iterator[Piece]:
        path = self.folder / self.files[part]
        sizes = _row_group_sizes(path) if path.suffix.casefold() == PARQUET_ENDING else None
        if not sizes:
            yield Piece(part)
            return
        first, before = 0, 0
        for last in range(1, len(sizes) + 1):
            held = sum(sizes[first:last])
            if last == len(sizes) or held + sizes[last] > ROWS_PER_PIECE:
                yield Piece(part, first, last, before, held)
                first, before = last, before + held

    def _raw(self, piece: Piece, findings: Findings) -> Iterator[RawTable]:
        file = self.files[piece.part]
        path = self.folder / file
        if path.suffix.casefold() != PARQUET_ENDING:
            raw = read_table(path, file, self.table, self.form, findings)
            if raw is not None:
                yield raw
            return
        try:
            yield from self._row_groups(path, file, piece, findings)
        except ImportError:
            findings.stop("unreadable_file", file, NO_ARROW, SAVE_AS_CSV)
        except OversizeError as error:
            what = f"The file is no table: {error}."
            findings.stop("unreadable_file", file, what, "Write it again, with nothing else in it.")
        except (OSError, ValueError) as error:  # Arrow's own errors are among these
            what = f"The Parquet file cannot be read ({type(error).__name__})."
            findings.stop("unreadable_file", file, what, "Write it again.")

    def _row_groups(
        self, path: Path, file: str, piece: Piece, findings: Findings
    ) -> Iterator[RawTable]:
        from pyarrow import parquet

        texts = _text_names(parquet.read_schema(path))
        with parquet.ParquetFile(path, read_dictionary=texts) as source:
            refuse_oversize_parquet(source.metadata, path.stat().st_size)
            about = Source(self.table, file, self.form, findings)
            header = read_header(source.schema_arrow.names, about)
            if piece.last == 0:
                batches: Any = [source.schema_arrow.empty_table()]
            else:
                batches = source.iter_batches(
                    ROWS_AT_ONCE, range(piece.first, piece.last), list(header.theirs.values())
                )
            before = piece.rows_before
            for batch in batches:
                raw = self._raw_table(batch, before, header, about)
                fill_constants(raw)
                require_columns(raw)
                yield raw
                before += batch.num_rows
                about.findings = Findings()  # each batch speaks for itself

    def _raw_table(self, batch: Any, before: int, header: Header, about: Source) -> RawTable:
        frame = batch.select(list(header.theirs.values())).to_pandas(strings_to_categorical=True)
        for name in frame.select_dtypes("category"):  # the labels are those of the row group
            frame[name] = _with_own_labels(frame[name].array)
        frame = frame.rename(columns={theirs: ours for ours, theirs in header.theirs.items()})
        # counted as if there were a header row, like the rows of a single Parquet table
        first = before + FIRST_ROW
        rows = np.arange(first, first + len(frame), dtype=np.int64)
        theirs = dict(header.theirs)
        return RawTable(
            self.table, about.file, self.form, about.findings, frame, rows, theirs=theirs
        )


def _with_own_labels(column: Any) -> pd.Categorical:
    """Return a categorical column without the labels that no row holds."""
    codes = np.asarray(column.codes, np.int64)
    used = np.bincount(codes + 1, minlength=len(column.categories) + 1)[1:] > 0
    if used.all():
        return pd.Categorical(column)
    place = np.append(np.cumsum(used) - 1, -1)  # the last, which -1 points at, stays missing
    return pd.Categorical.from_codes(place[codes], column.categories[used], validate=False)


def _text_names(schema: Any) -> list[str]:
    """Return the columns of text: read as numbers and the texts that these stand for."""
    import pyarrow as pa

    return [
        field.name
        for field in schema
        if pa.types.is_string(field.type) or pa.types.is_large_string(field.type)
    ]


def about_rows(folder: Path, files: tuple[str, ...]) -> int:
    """Return how many rows the parts of a table hold: of text files a guess from their size."""
    rows = 0
    for path in (folder / file for file in files):
        is_parquet = path.suffix.casefold() == PARQUET_ENDING
        sizes = _row_group_sizes(path) if is_parquet else None
        rows += path.stat().st_size // BYTES_PER_ROW if sizes is None else sum(sizes)
    return rows


def _row_group_sizes(path: Path) -> list[int] | None:
    """Return the rows of each row group; None when the file cannot be opened, which is said later."""
    try:
        from pyarrow import parquet

        about = parquet.read_metadata(path)
    except (ImportError, OSError, ValueError):
        return None
    return [about.row_group(i).num_rows for i in range(about.num_row_groups)]
