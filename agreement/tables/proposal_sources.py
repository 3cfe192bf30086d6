"""Exports as they come: files, sheets, titles above the header, two header rows -> blocks of text."""

import csv
import io
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate, zip_longest
from pathlib import Path
from typing import Any, Final, NamedTuple

from agreement.errors import AgreementError
from agreement.tables.proposal_words import HEADER_WORDS, Named, fits, taken_apart, unit_named
from agreement.tables.text_layout import SEPARATORS, find_encoding
from agreement.tables.workbooks import UnreadableError, open_document_sheets, sheet_records

READ: Final = (".csv", ".tsv", ".txt", ".xlsx", ".ods", ".xls", ".parquet")
_SEARCH: Final = 15  # rows in which the header may stand
_GATHERED: Final = ".gathered"  # of no file: the rows of several
_FEWEST_PEOPLE: Final = 3  # with a column of their own
_FEWEST: Final = 4  # rows of one width that make a table, where no name is known
NO_HEADER: Final = "No header with known words was found in it."


@dataclass(frozen=True, slots=True)
class ExportTable:
    """One table of an export."""

    file: Path
    sheet: str | None  # of a workbook with several
    headers: tuple[str, ...]  # as they stand, those of two rows joined
    rows: tuple[tuple[int, tuple[str, ...]], ...]  # row as a spreadsheet counts, and its cells
    units: tuple[str, ...] = ()  # what a row of units says
    header_rows: int = 1  # rows before the data
    joined: bool = False  # whether a header was made of two rows
    separator: str | None = None  # of a text file
    above: tuple[tuple[str, ...], ...] = ()  # rows above the header
    wide: bool = False  # whether each athlete had a column, and each day a row

    @property
    def name(self) -> str:
        """Name of the file, with the sheet's."""
        return self.file.name + (f", sheet {self.sheet}" if self.sheet else "")

    def column(self, at: int) -> list[str]:
        """Return the cells of a column."""
        return [cells[at].strip() for _, cells in self.rows]


def file_of(block: ExportTable) -> str:
    """Return the file of a study that holds a block by itself: its own, or one written from it."""
    if block.sheet is None and block.file.suffix.casefold() in (".csv", ".xlsx"):
        return block.file.name
    return f"{block.file.stem}{f' {block.sheet}' if block.sheet else ''}.csv"


def files_of(given: Sequence[Path]) -> list[Path]:
    """Return files, those of folders in their place; hidden ones are left out."""
    found: list[Path] = []
    for path in given:
        if path.is_dir():
            inside = (p for p in path.rglob("*") if p.is_file() and not p.name.startswith("."))
            found += sorted(inside)
        elif path.is_file():
            found.append(path)
        else:
            raise AgreementError(f"There is no file {path}.")
    if not found:
        raise AgreementError(
            f"There is no file to read in {', '.join(map(str, given))}. Name exports, or their folder."
        )
    return list(dict.fromkeys(found))


def blocks_of(file: Path) -> tuple[list[ExportTable], str]:
    """Return the tables of one file, and why there is none."""
    ending = file.suffix.casefold()
    if ending not in READ:
        return [], f"It is not read: exports are read from files ending in {', '.join(READ)}."
    try:
        tables = _tables(file, ending, lambda records: _header(records)[0])
    except UnreadableError as error:
        return [], f"{error.what} {error.remedy}"
    except (OSError, ValueError, csv.Error) as error:
        return [], f"It cannot be read ({error})."
    parts = [(one, start, part) for one in tables for start, part in _stacked(one.records)]
    found = [block for one, start, part in parts if (block := _block(file, one, part, start))]
    return found, "" if found else NO_HEADER


def unknown_block(file: Path) -> ExportTable | None:
    """Return the table of a file whose header says nothing; None where it holds no single table."""
    tables = _tables(file, file.suffix.casefold(), _alike)  # no known word chooses the separator
    count, width = _alike(tables[0].records)
    if len(tables) != 1 or count < _FEWEST:
        return None
    records = tables[0].records
    first = next(i for i, record in enumerate(records) if len(record) == width)
    rows = tuple((i + 1, tuple(r)) for i, r in enumerate(records) if i > first and len(r) == width)
    names = tuple(name.strip() for name in records[first])
    separator = tables[0].separator
    return ExportTable(
        file, tables[0].sheet, names, rows, header_rows=first + 1, separator=separator
    )


def gathered_unknown(blocks: list[ExportTable]) -> list[ExportTable]:
    """Return tables that nothing decides, those of one header as one, with the file of each row."""
    alike: dict[tuple[str, ...], list[ExportTable]] = {}
    for block in blocks:
        alike.setdefault(block.headers, []).append(block)
    found = []
    for headers, same in alike.items():
        first = same[0]
        if len(same) > 1:
            rows = tuple((i, (one.file.stem, *cells)) for one in same for i, cells in one.rows)
            file = Path(f"{first.file.stem} and {len(same) - 1} more{_GATHERED}")
            first = ExportTable(file, None, ("from_file", *headers), rows)
        found.append(first)
    return found


def unfolded(block: ExportTable, people: set[str]) -> ExportTable | None:
    """Return a table of a column for each athlete, and a row for each day, as one row per value."""
    own = [i for i, name in enumerate(block.headers) if name in people]
    rest = [i for i in range(len(block.headers)) if i not in own]
    if len(own) < _FEWEST_PEOPLE or len(rest) != 1:
        return None
    rows = tuple(
        (at, (cells[rest[0]], block.headers[i], cells[i].strip()))
        for at, cells in block.rows
        for i in own
        if cells[i].strip()
    )
    headers = (block.headers[rest[0]], "athlete_id", "vo2max")
    return replace(block, headers=headers, units=(), rows=rows, wide=True)


def _alike(records: list[list[str]]) -> tuple[int, int]:
    """Return how many rows have the commonest width above 1, and that width."""
    widths = Counter(len(record) for record in records if len(record) > 1 and any(record))
    width, rows = widths.most_common(1)[0] if widths else (0, 0)
    return rows, width


class _FileTable(NamedTuple):
    """One table of a file: its sheet of several, its records, and the separator of its text."""

    sheet: str | None
    records: list[list[str]]
    separator: str | None = None


def _tables(file: Path, ending: str, score: Callable[[list[list[str]]], Any]) -> list[_FileTable]:
    """Return every table of a file; of a text as the separator of the best `score` cuts it."""
    data = file.read_bytes()
    if ending == ".xlsx":
        from openpyxl import load_workbook

        names = load_workbook(io.BytesIO(data), read_only=True).sheetnames
        several = len(names) > 1
        return [_FileTable(n if several else None, sheet_records(data, n)) for n in names]
    if ending in (".ods", ".xls"):
        sheets = open_document_sheets(data)
        return [_FileTable(name if len(sheets) > 1 else None, rows) for name, rows in sheets]
    if ending == ".parquet":
        import pandas as pd

        frame = pd.read_parquet(file).astype("str")
        return [_FileTable(None, [list(map(str, frame.columns)), *frame.to_numpy().tolist()])]
    text = data.decode(find_encoding(data))
    cut = [
        _FileTable(None, list(csv.reader(io.StringIO(text, newline=""), delimiter=one)), one)
        for one in SEPARATORS
    ]
    return [max(cut, key=lambda one: score(one.records))]


def _known(headers: Sequence[str]) -> int:
    """Return how much of a row reads like names of columns."""
    return sum(_fit(taken_apart(one)) for one in {*headers} if one.strip() and not _is_number(one))


def _fit(named: Named) -> int:
    """Return how well a header fits the column of ours that it fits best."""
    return max(fits(column, named) for column in HEADER_WORDS)


def _stacked(records: list[list[str]]) -> list[tuple[int, list[list[str]]]]:
    """Return the tables that stand below one another under the same header, each with its titles."""
    score, first, _, _ = _header(records)
    heads = [i for i, record in enumerate(records) if score >= 4 and record == records[first]]
    if len(heads) < 2:
        return [(0, records)]
    starts = [0]
    for head in heads[1:]:
        at = head  # titles have few cells, and stand right above
        while at - 1 > starts[-1] and 2 * sum(map(bool, records[at - 1])) <= len(records[head]):
            at -= 1
        starts.append(at)
    return [(a, records[a:b]) for a, b in zip(starts, [*starts[1:], len(records)], strict=True)]


def _is_number(text: str) -> bool:
    plain = text.strip().replace(",", ".")
    return plain.replace(".", "", 1).replace("-", "", 1).isdigit()


def _header(records: list[list[str]]) -> tuple[int, int, list[str], bool]:
    """Return how well a header fits, its first row, its names, and whether it has two rows."""
    best: tuple[int, int, list[str], bool] = (0, 0, [], False)
    for i, record in enumerate(records[:_SEARCH]):
        if sum(bool(cell.strip()) for cell in record) < 2:
            continue
        score = _known(record)
        if score > best[0]:
            best = (score, i, record, False)
        below = records[i + 1] if i + 1 < len(records) else []
        if not below or sum(map(_is_number, below)) or _units(below):
            continue
        cells = list(zip_longest(map(str.strip, record), map(str.strip, below), fillvalue=""))
        groups: Iterator[str] = accumulate((top for top, _ in cells), lambda last, top: top or last)
        joined = [_joined(top, low) for top, (_, low) in zip(groups, cells, strict=True)]
        if (two := _known(joined)) > best[0] + 1:
            best = (two, i, joined, True)
    return best


def _joined(top: str, low: str) -> str:
    """Return the name of a column from two rows; a lower cell that is a name needs no other."""
    if not low:
        return top
    named = taken_apart(low)
    if named.words and _fit(named) == 3:
        return low
    return f"{top} {low}".strip()


def _units(cells: Sequence[str]) -> bool:
    """Whether a row holds units and nothing else."""
    filled = [cell.strip().strip("()[]") for cell in cells if cell.strip().strip("-")]
    known = [unit_named(cell) for cell in filled]
    most = 2 * sum(unit is not None for unit in known) >= len(filled)
    return any(known) and most and not any(map(_is_number, filled))


def _block(file: Path, one: _FileTable, records: list[list[str]], start: int) -> ExportTable | None:
    """Return the table among some records, which begin at a row of the file; None without header."""
    score, first, names, joined = _header(records)
    if score < 4:
        return None
    data, width = first + (2 if joined else 1), len(names)
    units: list[str] = []
    if data < len(records) and _units(records[data]):
        units = [cell.strip().strip("()[]") for cell in records[data]][:width]
        data += 1
    rows = tuple(
        (start + i, tuple([*record, *[""] * width][:width]))
        for i, record in enumerate(records[data:], data + 1)
        if any(cell.strip() for cell in record)
    )
    if not rows:
        return None
    headers = tuple(name.strip().replace("\ufeff", "") for name in names)
    above, place = tuple(map(tuple, records[:first])), (start + data, joined, one.separator)
    return ExportTable(file, one.sheet, headers, rows, tuple(units), *place, above)
