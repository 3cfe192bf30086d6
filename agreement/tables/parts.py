"""
A table given as a folder of parts: found by name, read lazily, one piece at a time.

A piece is one text file, or some row groups of a Parquet file; it is checked by the same rules as a
whole table. So memory depends on the size of a piece and not on the number of parts.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final, NamedTuple

from agreement.tables.checked_tables import Athletes, CheckedTable
from agreement.tables.columns import PARQUET_ENDING, UNREAD_ENDINGS, Table, not_read
from agreement.tables.findings import Findings
from agreement.tables.options import FileFormat
from agreement.tables.paths import digest_if_readable, path_problem
from agreement.tables.readers import RawTable, read_pieces, require_vo2max

ROWS_AT_ONCE: Final = 250_000  # of a Parquet file: checked together, in full width
ROWS_PER_PIECE: Final = 250_000  # of a Parquet file: laid aside together, packed
PART_STEP: Final = (
    1 << 32
)  # a row of the whole table is part number times this plus row of the part
BYTES_PER_ROW: Final = 60  # of a text file
Builder = Callable[[RawTable, Athletes, dict[str, str], str | None], CheckedTable]


class Piece(NamedTuple):
    """What is read at once: a part, or the row groups from `first` to before `last` of a Parquet part."""

    part: int
    first: int = 0
    last: int = 0


class CheckedPiece(NamedTuple):
    """A piece after its check; `digest` is that of the file, given with its first piece."""

    tables: list[CheckedTable]  # one after the other
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
            findings.tell("unread_file", file, what=what)
    outside = [(file, problem) for file in files if (problem := path_problem(folder, file))]
    for file, problem in outside:
        findings.tell("path_outside", file, problem=problem)
    if not files:
        findings.tell("no_part", name, table=table.name, endings=", ".join(table.endings))
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

    def checked(self, piece: Piece) -> CheckedPiece:
        """Check a piece, at most `ROWS_AT_ONCE` rows of a Parquet file at a time."""
        findings, file, tables, rows = Findings(), self.files[piece.part], [], 0
        path = self.folder / file
        digest = digest_if_readable(path) if piece.first == 0 else None
        groups = range(piece.first, piece.last) if piece.last else None
        for raw in read_pieces(path, file, self.table, self.form, findings, groups, ROWS_AT_ONCE):
            require_vo2max(raw)
            rows += len(raw.rows)
            tables.append(self.build(raw, self.athletes, self.ids, self.zone))
            if findings.stops:
                break  # the next rows of the same file would say the same
        return CheckedPiece(tables, findings, rows, digest)

    def _cut(self, part: int) -> Iterator[Piece]:
        sizes = _row_group_sizes(self.folder / self.files[part]) or []
        first, held, left = 0, 0, sum(sizes)
        for last, rows in enumerate(sizes):
            # a rest is no piece: a few rows would be judged as a whole column
            if held and held + rows > ROWS_PER_PIECE and left > ROWS_PER_PIECE // 10:
                yield Piece(part, first, last)
                first, held = last, 0
            held += rows
            left -= rows
        yield Piece(part, first, len(sizes))


def about_rows(folder: Path, files: tuple[str, ...]) -> int:
    """Return how many rows the parts of a table hold: of text files a guess from their size."""
    rows = 0
    for path in (folder / file for file in files):
        sizes = _row_group_sizes(path)
        rows += path.stat().st_size // BYTES_PER_ROW if sizes is None else sum(sizes)
    return rows


def _row_group_sizes(path: Path) -> list[int] | None:
    """Return the rows of each row group; None of what is no Parquet file, or cannot be opened."""
    if path.suffix.casefold() != PARQUET_ENDING:
        return None
    try:
        from pyarrow import parquet

        about = parquet.read_metadata(path)
    except (ImportError, OSError, ValueError):
        return None  # which is said when it is read
    return [about.row_group(i).num_rows for i in range(about.num_row_groups)]
