"""
A table given as a folder of parts: found by name, read lazily, one piece at a time.

A piece is one text file, or some row groups of a Parquet file; it is checked by the same rules as a
whole table. So memory depends on the size of a piece and not on the number of parts. What all parts
say together stands below: as one table, in sum, and line by line in the ledger.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.errors import Problem
from agreement.tables.categories import coded
from agreement.tables.checked_tables import Athletes, CheckedTable
from agreement.tables.columns import PARQUET_ENDING, UNREAD_ENDINGS, Table, not_read
from agreement.tables.doubts import tell_odd_rows
from agreement.tables.findings import Findings, merged_problems
from agreement.tables.options import FileFormat
from agreement.tables.paths import digest_if_readable, path_problem, refuse_oversize_parquet
from agreement.tables.readers import InputFile, RawTable, read_pieces, require_vo2max
from agreement.terms import EXCLUSION_COLUMNS

if TYPE_CHECKING:
    from agreement.tables.export_folders import Exports

ROWS_AT_ONCE: Final = 250_000  # of a Parquet file: checked together, in full width
ROWS_PER_PIECE: Final = 250_000  # of a Parquet file: laid aside together, packed
PART_STEP: Final = 1 << 32  # a row of the whole is the number of its part times this, and its row
BYTES_PER_ROW: Final = 60  # of a text file
TEXTS: Final = ("file", "id", "reason", "message")  # of the ledger
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


def is_table(path: Path, table: Table) -> bool:
    """Whether a path is a file of a table, by its name."""
    named = not path.name.startswith((".", "_", "~$"))
    return named and path.is_file() and path.name.casefold().endswith(table.endings)


def table_files(folder: Path, name: str, table: Table, findings: Findings) -> tuple[str, ...]:
    """Return the files of a table in the folder `name`; say what else could hold rows of it."""
    files = []
    for path in sorted((folder / name).iterdir()):
        file = f"{name}/{path.name}"
        if is_table(path, table):
            if problem := path_problem(folder, file):
                findings.tell("path_outside", file, problem=problem)
            else:
                files.append(file)
        elif path.is_file() and path.name.casefold().endswith(UNREAD_ENDINGS):
            what = not_read(f"files of {table.name}", table.endings)
            findings.tell("unread_file", file, what=what)
        elif path.is_dir() and not path.name.startswith("."):
            findings.tell("folder_inside", file, table=table.name)
    return tuple(files)


def find_table_parts(folder: Path, name: str, table: Table, findings: Findings) -> tuple[str, ...]:
    """Return the parts of a table in the folder `name`."""
    before = len(findings.stops)
    files = table_files(folder, name, table, findings)
    if not files and len(findings.stops) == before:
        findings.tell("no_part", name, table=table.name, endings=", ".join(table.endings))
    return files


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
        for one in tables:  # after the last: a doubt may be confirmed, and is no end
            tell_odd_rows(self.table.name, one.frame, file, self.form, findings)
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


def summed(
    reader: "PartReader | Exports", pieces: Sequence[tuple[int, CheckedPiece]], findings: Findings
) -> tuple[CheckedTable, list[InputFile]]:
    """
    Say once what the pieces of a table found: of one kind as one file would, who withdrew as one line.

    pieces: all of them, each with the number of its part.
    Returns a table without rows, and every part for provenance.
    """
    tables = [table for _, piece in pieces for table in piece.tables]
    told = (problem for _, piece in pieces for problem in piece.findings.problems)
    findings.problems += merged_problems(told, reader.name)
    rows, digests = Counter[int](), dict[int, str]()
    if gone := sum(one.withdrawn_rows for one in tables):
        findings.withdraw(reader.name, gone)
    for part, piece in pieces:
        rows[part] += piece.rows_read
        digests[part] = piece.digest or digests.get(part, "")
    sets: Any = ("people", "keys", "withdrawn_keys")
    sets = {name: frozenset().union(*(getattr(one, name) for one in tables)) for name in sets}
    files = enumerate(reader.files)
    inputs = [InputFile(file, digests.get(part, ""), rows[part]) for part, file in files]
    return CheckedTable(pd.DataFrame(), gone, **sets), inputs


def whole_table(
    reader: "PartReader | Exports", nothing: CheckedTable, findings: Findings
) -> tuple[CheckedTable, list[InputFile]]:
    """Return all parts as one table, and what each file was; `nothing` has no rows."""
    pieces, frames = [], []
    for piece in reader.pieces():
        checked, before = reader.checked(piece), piece.part * PART_STEP
        bare = [replace(one, frame=nothing.frame) for one in checked.tables]  # rows are in `frames`
        pieces.append((piece.part, checked._replace(tables=bare)))
        lines = checked.findings.ledger()
        lines = lines[lines["reason"] != "withdrawn"]
        findings.add_lines(lines.assign(file=reader.name, row=lines["row"] + before))
        some = [table.in_words() for table in checked.tables if len(table.frame)]
        frames += [each.assign(file=reader.name, row=each["row"] + before) for each in some]
    table, inputs = summed(reader, pieces, findings)
    whole = pd.concat(frames, ignore_index=True) if frames else nothing.frame
    return replace(table, frame=whole), inputs


def with_part_files(lines: pd.DataFrame, name: str, files: tuple[str, ...]) -> pd.DataFrame:
    """Return ledger lines with part and own row in place of folder and running row."""
    row = lines["row"].to_numpy(dtype=np.int64, na_value=-1)
    own = (lines["file"] == name).to_numpy(dtype=np.bool_) & (row >= 0)
    if not own.any():
        return lines
    texts = lines["file"].astype("category").array
    words, code = [*texts.categories, *files], texts.codes.astype(np.int64)
    part = row // PART_STEP
    code[own] = len(texts.categories) + part[own]
    inside = np.where(own, row - part * PART_STEP, row)
    plain = pd.arrays.IntegerArray(inside, lines["row"].isna().to_numpy())
    return lines.assign(file=coded(code, words), row=plain)


def part_of_problem(problem: Problem, name: str, files: tuple[str, ...]) -> Problem:
    """Return a problem with the part and its own row in place of folder and running row."""
    if problem.file != name or problem.row is None:
        return problem
    part, row = divmod(problem.row, PART_STEP)
    return replace(problem, file=files[part], row=row)


def write_ledger_part(lines: pd.DataFrame, path: Path) -> None:
    """
    Write lines of the ledger as Parquet, under another name until the file is whole.

    lines: columns `agreement.terms.EXCLUSION_COLUMNS`; texts may be categories.
    """
    from pyarrow import Table as Columns
    from pyarrow import parquet

    texts = {}
    for name in TEXTS:
        text = lines[name]
        if not isinstance(text.dtype, pd.CategoricalDtype):
            text = text.mask(text == "").astype("category")
        texts[name] = coded(text.cat.codes.to_numpy(), text.cat.categories)
    columns = Columns.from_pandas(lines[EXCLUSION_COLUMNS].assign(**texts), preserve_index=False)
    temporary = path.with_suffix(".part")
    how = {"use_dictionary": list(TEXTS), "write_statistics": False, "store_schema": False}
    parquet.write_table(columns, temporary, compression="zstd", **how)
    temporary.replace(path)


def read_ledger_part(path: Path) -> pd.DataFrame:
    """Return the lines of one part; texts that repeat are categories, a missing id is missing."""
    from pyarrow import parquet

    with parquet.ParquetFile(path, read_dictionary=list(TEXTS)) as file:
        refuse_oversize_parquet(file.metadata, path.stat().st_size)
        frame: pd.DataFrame = file.read().to_pandas(integer_object_nulls=False)
    return frame[EXCLUSION_COLUMNS].astype({"row": "Int64"})
