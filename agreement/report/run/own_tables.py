"""Read the tables of a report; whatever was done to them since is said in a sentence."""

import csv
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from agreement.errors import AgreementError
from agreement.report.run.own_provenance import damaged, require_plain
from agreement.tables.paths import file_digest
from agreement.terms import OUTPUT_COLUMNS, OUTPUT_NUMBERS


def read_own_table(report: Path, name: str, content: dict[str, Any]) -> pd.DataFrame:
    """
    Read one table of a report; ids and texts stay text.

    name: of the table, a key of `agreement.terms.OUTPUT_COLUMNS`.
    content: the report's provenance.
    Raises AgreementError if it is missing, was changed since, or is no such table.
    """
    return _numbers(pd.concat(read_in_pieces(report, name, content), ignore_index=True), name)


def read_in_pieces(
    report: Path, name: str, content: dict[str, Any], *, rows: int = 200_000
) -> Iterator[pd.DataFrame]:
    """Yield a table of a report as text, some rows at a time; raises as `read_own_table`."""
    file = f"{name}.csv"
    path = report / file
    require_plain(path, file)
    if content.get("outputs", {}).get(file) != file_digest(path):
        raise damaged(file, "is not as it was written, and only what we wrote is passed on")
    if not _ends_a_line(path):
        raise damaged(file, "is cut off")
    wanted = [*OUTPUT_COLUMNS[name.split("/")[0]]]
    try:
        pieces = pd.read_csv(
            path, dtype="str", keep_default_na=False, chunksize=rows, encoding="utf-8"
        )
        some = False
        with pieces:
            for piece in pieces:
                some = True
                extra = [str(c) for c in piece.columns if c not in wanted]
                if extra or len(set(piece.columns)) != len(wanted):
                    raise damaged(
                        file,
                        f"has the columns {', '.join(map(str, piece.columns))[:200]}, not ours",
                    )
                yield piece[wanted]
        if not some:
            raise damaged(file, "is empty")
    except (ValueError, csv.Error, UnicodeError, OverflowError) as error:
        if isinstance(error, AgreementError):
            raise
        raise damaged(file, "is no table") from error


def _ends_a_line(path: Path) -> bool:
    with path.open("rb") as file:
        file.seek(0, 2)
        file.seek(max(file.tell() - 1, 0))
        return file.read() == b"\n"


def _numbers(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """Return a table with its numbers as numbers, empty where there is none."""
    for column in OUTPUT_NUMBERS & set(frame.columns):
        text = frame[column]
        values = pd.to_numeric(text.where(text != "", None), errors="coerce").astype("float64")
        if (values.isna() & (text != "")).any() or np.isinf(values).any():
            raise damaged(f"{name}.csv", f"holds something in {column} that is no number")
        frame[column] = values
    return frame
