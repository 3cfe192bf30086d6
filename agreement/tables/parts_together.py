"""What all parts of a table say together: as one table, in sum, and line by line in the ledger."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.errors import Problem
from agreement.tables.categories import coded
from agreement.tables.checked_tables import CheckedTable
from agreement.tables.findings import Findings, merged_problems
from agreement.tables.parts import PART_STEP, CheckedPiece, PartReader
from agreement.tables.paths import refuse_oversize_parquet
from agreement.tables.readers import InputFile
from agreement.terms import EXCLUSION_COLUMNS, REASONS

if TYPE_CHECKING:
    from agreement.tables.export_folders import Exports

TEXTS: Final = ("file", "id", "reason", "message")


class WholeTable(NamedTuple):
    """All parts of a table together, and what each file was."""

    table: CheckedTable
    inputs: list[InputFile]


class PartsRead:
    """Adds up what the pieces of a table say, one after another."""

    def __init__(self, reader: "PartReader | Exports") -> None:
        self.reader = reader
        self.problems: list[Problem] = []
        self.withdrawn = 0
        self.people: frozenset[str] = frozenset()
        self.keys: frozenset[str] = frozenset()
        self.withdrawn_keys: frozenset[str] = frozenset()
        self._rows = [0] * len(reader.files)
        self._digests = [""] * len(reader.files)

    def add(self, part: int, piece: CheckedPiece) -> None:
        """Take in one piece, without its rows."""
        self.problems += piece.findings.problems
        for table in piece.tables:
            self.withdrawn += table.withdrawn_rows
            self.people |= table.people
            self.keys |= table.keys
            self.withdrawn_keys |= table.withdrawn_keys
        self._rows[part] += piece.rows_read
        self._digests[part] = piece.digest or self._digests[part]

    def tell(self, findings: Findings) -> None:
        """Say once what was found in all parts; withdrawn people as one line."""
        findings.problems += merged_problems(self.problems, self.reader.name)
        if self.withdrawn:
            findings.withdraw(self.reader.name, self.withdrawn)

    @property
    def rows_read(self) -> int:
        """Rows of all parts."""
        return sum(self._rows)

    @property
    def inputs(self) -> list[InputFile]:
        """Every part, for provenance."""
        known = zip(self.reader.files, self._digests, self._rows, strict=True)
        return [InputFile(file, digest, rows) for file, digest, rows in known]


def whole_table(
    reader: "PartReader | Exports", nothing: CheckedTable, findings: Findings
) -> WholeTable:
    """Return all parts as one table, for studies that fit into memory; `nothing` has no rows."""
    read, frames = PartsRead(reader), []
    for piece in reader.pieces():
        checked, before = reader.checked(piece), piece.part * PART_STEP
        read.add(piece.part, checked)
        lines = checked.findings.ledger()
        lines = lines[lines["reason"] != "withdrawn"]
        findings.add_lines(lines.assign(file=reader.name, row=lines["row"] + before))
        some = [table.in_words() for table in checked.tables if len(table.frame)]
        frames += [each.assign(file=reader.name, row=each["row"] + before) for each in some]
    read.tell(findings)
    whole = pd.concat(frames, ignore_index=True) if frames else nothing.frame
    table = CheckedTable(whole, read.withdrawn, read.people, read.keys, read.withdrawn_keys)
    return WholeTable(table, read.inputs)


def with_part_files(lines: pd.DataFrame, name: str, files: tuple[str, ...]) -> pd.DataFrame:
    """Return ledger lines with part and own row in place of folder and running row."""
    row = lines["row"].to_numpy(dtype=np.int64, na_value=-1)
    own = (lines["file"] == name).to_numpy(dtype=np.bool_) & (row >= 0)
    if not own.any():
        return lines
    words = [*lines["file"].astype("category").cat.categories, *files]
    code = lines["file"].astype("category").cat.codes.to_numpy(dtype=np.int64, copy=True)
    part, inside = np.divmod(row, PART_STEP)
    code[own] = len(words) - len(files) + part[own]
    plain = pd.Series(lines["row"].array.copy(), index=lines.index)
    plain[own] = inside[own]
    return lines.assign(file=coded(code, words), row=plain)


def part_of_problem(problem: Problem, name: str, files: tuple[str, ...]) -> Problem:
    """Return a problem with the part and its own row in place of folder and running row."""
    if problem.file != name or problem.row is None:
        return problem
    part, row = divmod(problem.row, PART_STEP)
    return replace(problem, file=files[part], row=row)


def lines_of_parts(
    left_out: pd.DataFrame, files: Sequence[str], words: Sequence[str]
) -> pd.DataFrame:
    """
    Return ledger lines of a table in parts, by row; texts are categories.

    left_out: columns row (numbered over all parts; see `agreement.tables.parts.PART_STEP`), id
        (categories), reason and text: places in `agreement.terms.REASONS` and in `words`.
    """
    if not left_out["row"].is_monotonic_increasing:  # as they were read
        left_out = left_out.sort_values("row")
    part, inside = np.divmod(left_out["row"].to_numpy(np.int64), PART_STEP)
    columns = {
        "file": coded(part, files),
        "row": inside,
        "id": coded(left_out["id"].cat.codes.to_numpy(), left_out["id"].cat.categories),
        "reason": coded(left_out["reason"].to_numpy(), list(REASONS)),
        "message": coded(left_out["text"].to_numpy(), words),
    }
    return pd.DataFrame(columns)


def write_ledger_part(lines: pd.DataFrame, path: Path) -> None:
    """
    Write lines of the ledger as Parquet, under another name until the file is whole.

    lines: columns `agreement.terms.EXCLUSION_COLUMNS`; texts may be categories, as `coded` gives
        them.
    """
    import pyarrow as pa
    from pyarrow import parquet

    columns = {"row": pa.array(lines["row"], pa.int64())}
    for name in TEXTS:
        text = lines[name].array
        if not isinstance(text, pd.Categorical):
            text = coded(*pd.factorize(lines[name].mask(lines[name] == "")))
        place = pa.array(text.codes, pa.int32(), mask=text.codes < 0)
        known = pa.array(text.categories, pa.large_string())
        columns[name] = pa.DictionaryArray.from_arrays(place, known)
    temporary = path.with_suffix(".part")
    parquet.write_table(
        pa.table({name: columns[name] for name in EXCLUSION_COLUMNS}),
        temporary,
        compression="zstd",
        use_dictionary=list(TEXTS),
        column_encoding={"row": "DELTA_BINARY_PACKED"},
        write_statistics=False,
        store_schema=False,
    )
    temporary.replace(path)


def read_ledger_part(path: Path) -> pd.DataFrame:
    """Return the lines of one part; texts that repeat are categories, a missing id is missing."""
    from pyarrow import parquet

    with parquet.ParquetFile(path, read_dictionary=list(TEXTS)) as file:
        refuse_oversize_parquet(file.metadata, path.stat().st_size)
        frame: pd.DataFrame = file.read().to_pandas(integer_object_nulls=False)
    return frame[EXCLUSION_COLUMNS].astype({"row": "Int64"})
