"""Exports as they come: files, sheets, titles above the header, two header rows -> blocks of text."""

import csv
import io
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from agreement.errors import AgreementError
from agreement.tables.layout import SEPARATORS, find_encoding
from agreement.tables.proposal_words import WORDS, fits, taken_apart, unit_named
from agreement.tables.workbooks import WorkbookError, sheet_records

READ: Final = (".csv", ".tsv", ".txt", ".xlsx", ".parquet")
_SEARCH: Final = 15  # rows in which the header may stand
_ODS: Final = ".ods"


@dataclass(frozen=True, slots=True)
class Block:
    """
    One table of an export.

    Attributes
    ----------
    file : Path
    sheet : str or None
        Of a workbook with several.
    headers, units : tuple of str
        Names as they stand, those of two rows joined; what a row of units says, "" elsewhere.
    rows : tuple of (int, tuple of str)
        Row as a spreadsheet counts, and its cells.
    first : int
        Row of the first header row.
    header_rows : int
        Rows before the data.
    joined : bool
        Whether a header was made of two rows.
    separator, encoding : str or None
        Of a text file.
    above : tuple of tuple of str
        Rows above the header.
    """

    file: Path
    sheet: str | None
    headers: tuple[str, ...]
    units: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    first: int
    header_rows: int
    joined: bool = False
    separator: str | None = None
    encoding: str | None = None
    above: tuple[tuple[str, ...], ...] = ()

    @property
    def name(self) -> str:
        """Name of the file, with the sheet's."""
        return self.file.name + (f", sheet {self.sheet}" if self.sheet else "")

    def column(self, at: int) -> list[str]:
        """Return the cells of a column."""
        return [cells[at].strip() for _, cells in self.rows]


def files_of(given: Iterable[Path]) -> list[Path]:
    """Return files, those of folders in their place; hidden ones are left out."""
    found: list[Path] = []
    for path in given:
        if path.is_dir():
            found += sorted(
                p for p in path.rglob("*") if p.is_file() and not p.name.startswith(".")
            )
        elif path.is_file():
            found.append(path)
        else:
            message = f"There is no file {path}."
            raise AgreementError(message)
    if not found:
        raise AgreementError("There is no file to read.")  # noqa: EM101
    return list(dict.fromkeys(found))


def blocks_of(file: Path) -> tuple[list[Block], str]:
    """Return the tables of one file, and why there is none."""
    ending = file.suffix.casefold()
    if ending == _ODS:
        return [], "Workbooks of this form are not read; save it as XLSX or CSV."
    if ending not in READ:
        return [], f"It is not read: exports are read from files ending in {', '.join(READ)}."
    try:
        tables = _tables(file, ending)
    except (OSError, ValueError, csv.Error) as error:
        what = error.what if isinstance(error, WorkbookError) else f"It cannot be read ({error})."
        return [], what
    found = [block for block in (_block(file, *table) for table in tables) if block]
    return found, "" if found else "No header with known words was found in it."


def _tables(
    file: Path, ending: str
) -> list[tuple[str | None, list[list[str]], str | None, str | None]]:
    """Return sheet, records, separator and encoding of each table of a file."""
    data = file.read_bytes()
    if ending == ".xlsx":
        from openpyxl import load_workbook

        names = load_workbook(io.BytesIO(data), read_only=True).sheetnames
        several = len(names) > 1
        return [(n if several else None, sheet_records(data, n), None, None) for n in names]
    if ending == ".parquet":
        import pandas as pd

        frame = pd.read_parquet(file).astype("str")
        return [(None, [list(map(str, frame.columns)), *frame.to_numpy().tolist()], None, None)]
    encoding = find_encoding(data)
    text = data.decode(encoding)
    separator, records = max(
        ((s, list(csv.reader(io.StringIO(text, newline=""), delimiter=s))) for s in SEPARATORS),
        key=lambda one: _header(one[1])[0],
    )
    return [(None, records, separator, encoding)]


def _known(headers: Sequence[str]) -> float:
    """Return how much of a row reads like names of columns."""
    total, seen = 0.0, set()
    for header in headers:
        if not header.strip() or header in seen or _is_number(header):
            continue
        seen.add(header)
        named = taken_apart(header)
        total += max((fits(column, named) for column in WORDS), default=0)
    return total


def _is_number(text: str) -> bool:
    plain = text.strip().replace(",", ".")
    return plain.replace(".", "", 1).replace("-", "", 1).isdigit()


def _header(records: list[list[str]]) -> tuple[float, int, list[str], bool]:
    """Return how well a header fits, its first row, its names, and whether it has two rows."""
    best: tuple[float, int, list[str], bool] = (0.0, 0, [], False)
    for i, record in enumerate(records[:_SEARCH]):
        if sum(bool(cell.strip()) for cell in record) < 2:
            continue
        score = _known(record)
        if score > best[0]:
            best = (score, i, record, False)
        below = records[i + 1] if i + 1 < len(records) else []
        if not below or sum(map(_is_number, below)) or _units(below):
            continue
        groups, last = [], ""
        for j in range(max(len(record), len(below))):
            last = (record[j].strip() if j < len(record) else "") or last
            groups.append(last)
        pairs = zip(groups, [*below, *[""] * len(groups)], strict=False)
        joined = [_joined(top, low.strip()) for top, low in pairs]
        if (two := _known(joined)) > best[0] + 1:
            best = (two, i, joined, True)
    return best


def _joined(top: str, low: str) -> str:
    """Return the name of a column from two rows; a lower cell that is a name needs no other."""
    if not low:
        return top
    named = taken_apart(low)
    if named.words and max((fits(column, named) for column in WORDS), default=0) == 3:
        return low
    return f"{top} {low}".strip()


def _units(cells: Sequence[str]) -> bool:
    """Whether a row holds units and nothing else."""
    filled = [cell.strip().strip("()[]") for cell in cells if cell.strip().strip("-")]
    known = [unit_named(cell) for cell in filled]
    return (
        bool(filled)
        and any(known)
        and not any(map(_is_number, filled))
        and (sum(u is not None for u in known) * 2 >= len(filled))
    )


def _block(
    file: Path,
    sheet: str | None,
    records: list[list[str]],
    separator: str | None,
    encoding: str | None,
) -> Block | None:
    """Return the table among some records; None where there is no header."""
    score, first, names, joined = _header(records)
    if score < 4:
        return None
    data = first + (2 if joined else 1)
    units: list[str] = []
    if data < len(records) and _units(records[data]):
        units = [cell.strip().strip("()[]") for cell in records[data]]
        data += 1
    width = len(names)
    rows = tuple(
        (i + 1, tuple([*record, *[""] * width][:width]))
        for i, record in enumerate(records)
        if i >= data and any(cell.strip() for cell in record)
    )
    if not rows:
        return None
    return Block(
        file,
        sheet,
        tuple(name.strip().replace("\ufeff", "") for name in names),
        tuple([*units, *[""] * width][:width]),
        rows,
        first + 1,
        data,
        joined,
        separator,
        encoding,
        tuple(tuple(record) for record in records[:first]),
    )


def repeated(headers: Sequence[str]) -> set[str]:
    """Return the headers that stand over several columns."""
    return {name for name, n in Counter(headers).items() if name and n > 1}
