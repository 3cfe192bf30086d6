"""What all parts of a table say together: as one table, in sum, and line by line in the ledger."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from agreement.errors import Problem
from agreement.tables.categories import coded, without_unused
from agreement.tables.checked_tables import CheckedTable
from agreement.tables.findings import Findings, merged_problems
from agreement.tables.parts import PART_STEP, CheckedPiece, PartReader
from agreement.tables.paths import refuse_oversize_parquet
from agreement.tables.readers import InputFile
from agreement.terms import EXCLUSION_COLUMNS

if TYPE_CHECKING:
    from agreement.tables.export_folders import Exports

TEXTS: Final = ("file", "id", "reason", "message")


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
    import pyarrow as pa
    from pyarrow import parquet

    columns = {"row": pa.array(lines["row"], pa.int64())}
    for name in TEXTS:
        text = lines[name].array
        if isinstance(text, pd.Categorical):
            codes, labels = without_unused(text.codes, text.categories)
        else:
            codes, labels = pd.factorize(lines[name].mask(lines[name] == ""))
        place = pa.array(codes, pa.int32(), mask=codes < 0)
        known = pa.array(labels, pa.large_string())
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
