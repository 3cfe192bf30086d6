"""Workbooks and Parquet files that are odd, damaged or meant to harm."""

import csv
import datetime as dt
import io
import random
import zipfile
from functools import cache
from math import isnan
from typing import Any

Folder = dict[str, Any]


def _records(data: bytes) -> list[list[str]]:
    text = data.decode("utf-8", "replace")
    separator = ";" if text.count(";") > text.count(",") else ","
    try:
        return list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    except csv.Error:
        return [["athlete_id"], ["007"]]


def _typed(text: str) -> Any:
    for kind in (int, float, dt.date.fromisoformat, dt.datetime.fromisoformat):
        try:
            value = kind(text)
        except (ValueError, OverflowError):
            continue
        unfit = getattr(value, "tzinfo", None) or (isinstance(value, int) and abs(value) > 1e15)
        return text if unfit else value
    return text


def _source(folder: Folder, rng: random.Random, *names: str) -> str | None:
    found = [n for n in names if isinstance(folder.get(n), bytes)]
    return rng.choice(found) if found else None


ODD_CELLS = (
    "=1+1", "#DIV/0!", True, False, dt.time(9, 30), dt.timedelta(days=3), dt.datetime(1900, 1, 1),
    dt.datetime(9999, 12, 31, 23, 59), 1e300, 10**18, -1, 0.1 + 0.2, "", " ", "'=1", None,
)  # fmt: skip


def workbook(folder: Folder, rng: random.Random) -> None:
    """Turn a table into a workbook with typed, odd and merged cells, then perhaps damage it."""
    from openpyxl import Workbook
    from openpyxl.utils.exceptions import IllegalCharacterError

    names = ("field_estimates.csv", "athletes.csv", "sessions.csv", "field_tests.csv")
    if (name := _source(folder, rng, *names)) is None:
        return
    book = Workbook()
    sheet = book.active
    for row in _records(folder[name])[:60]:
        try:
            sheet.append([_typed(cell) if cell else None for cell in row[:40]])
        except (IllegalCharacterError, ValueError):
            continue
    for _ in range(rng.choice((0, 1, 3))):
        place = (rng.randrange(1, max(sheet.max_row, 2) + 1), rng.randrange(1, 8))
        sheet.cell(*place).value = rng.choice(ODD_CELLS)
    if rng.random() < 0.3 and sheet.max_row > 4:
        sheet.merge_cells(start_row=2, end_row=4, start_column=1, end_column=rng.randrange(1, 4))
    if rng.random() < 0.2:
        book.create_sheet("more")
    if rng.random() < 0.1:
        sheet.cell(rng.choice((5000, 60000)), rng.choice((1, 300))).value = "far away"
    data = io.BytesIO()
    book.save(data)
    content = data.getvalue()
    if rng.random() < 0.4:
        content = _damaged(content, rng)
    del folder[name]
    folder[name.replace(".csv", ".xlsx")] = content


def _damaged(content: bytes, rng: random.Random) -> bytes:
    changed = bytearray(content)
    for _ in range(rng.choice((1, 5, 40))):
        changed[rng.randrange(len(changed))] = rng.randrange(256)
    return bytes(changed[: rng.choice((len(changed), rng.randrange(len(changed)))) or 1])


_SHEET = (
    '<?xml version="1.0"?>{doctype}<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/'
    '2006/main"><dimension ref="{dimension}"/><sheetData>{rows}</sheetData></worksheet>'
)
_BOMB = (
    "<!DOCTYPE x [<!ENTITY a 'aaaaaaaaaa'>"
    + "".join(
        f"<!ENTITY {b} '{f'&{a};' * 10}'>" for a, b in zip("abcdefghi", "bcdefghij", strict=True)
    )
    + "]>"
)
_OUTSIDE = "<!DOCTYPE x [<!ENTITY j SYSTEM 'file:///etc/hostname'>]>"


def workbook_of(sheet: str, padding: int = 0) -> bytes:
    """Return a workbook whose one sheet is this XML; `padding`: zeros that pack away to nothing."""
    from openpyxl import Workbook

    plain, packed = io.BytesIO(), io.BytesIO()
    Workbook().save(plain)
    with (
        zipfile.ZipFile(plain) as source,
        zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as target,
    ):
        for part in source.namelist():
            is_sheet = part == "xl/worksheets/sheet1.xml"
            target.writestr(part, sheet if is_sheet else source.read(part))
        if padding:
            target.writestr("xl/media/zeros.bin", b"\0" * padding)
    return packed.getvalue()


def _inline(place: str, text: str) -> str:
    return f'<c r="{place}" t="inlineStr"><is><t>{text}</t></is></c>'


@cache
def hostile_sheets() -> dict[str, bytes]:
    """Return workbooks made to fill the memory or to read other files, by what they try."""
    head = "".join(
        _inline(f"{c}1", n) for c, n in zip("ABCDE", ("athlete_id", "taken_at", "method", "mode",
                                                     "vo2max_ml_kg_min"), strict=True)
    )  # fmt: skip
    first = f'<row r="1">{head}</row>'
    row = f'<row r="2">{_inline("A2", "007")}</row>'
    far = f'<row r="1048576">{_inline("XFD1048576", "x")}</row>'
    entity = f'<row r="2">{_inline("A2", "&j;")}</row>'
    shown = {"doctype": "", "dimension": "A1:E2", "rows": first + row}
    return {
        "declared size": workbook_of(_SHEET.format(**shown | {"dimension": "A1:XFD1048576"})),
        "both": workbook_of(
            _SHEET.format(**shown | {"dimension": "A1:XFD1048576", "rows": first + row + far})
        ),
        "far cell": workbook_of(_SHEET.format(**shown | {"rows": first + row + far})),
        "row order": workbook_of(_SHEET.format(**shown | {"rows": far + row + first})),
        "entities": workbook_of(
            _SHEET.format(**shown | {"doctype": _BOMB, "rows": first + entity})
        ),
        "outside": workbook_of(
            _SHEET.format(**shown | {"doctype": _OUTSIDE, "rows": first + entity})
        ),
        "zeros": workbook_of(_SHEET.format(**shown), padding=405_000_000),
        "deep": workbook_of(_SHEET.format(**shown | {"rows": "<row>" * 20_000})),
    }


def parquet(folder: Folder, rng: random.Random) -> None:
    """Turn a table into a Parquet file with fitting, odd or nested types, then perhaps damage it."""
    import pyarrow as pa
    from pyarrow import parquet as pq

    if (
        name := _source(folder, rng, "field_estimates.csv", "samples/S1.csv", "breaths/T3.csv")
    ) is None:
        return
    head, *body = _records(folder[name]) or [["a"]]
    columns: dict[str, Any] = {}
    for i, column in enumerate(dict.fromkeys(head)):
        values = [row[i] if i < len(row) else "" for row in body]
        columns[column or f"c{i}"] = _arrow(values, rng, odd=rng.random() < 0.15)
    if not columns:
        return
    data = io.BytesIO()
    frame = pa.table(columns)
    pq.write_table(frame, data, compression=rng.choice(("snappy", "none", "zstd")))
    content = data.getvalue()
    if rng.random() < 0.3:
        content = _damaged(content, rng)
    del folder[name]
    folder[name.replace(".csv", ".parquet")] = content


def _arrow(values: list[str], rng: random.Random, *, odd: bool) -> Any:
    """Return a column in a type that fits, or in one that nobody expects."""
    import pyarrow as pa

    numbers = [_number(v) for v in values]
    fitting = pa.array(numbers) if any(n is not None for n in numbers) else pa.array(values)
    if not odd:
        return fitting
    whole = [None if n is None or isnan(n) else int(max(min(n, 1e6), -1e6)) for n in numbers]
    makers = (
        lambda: pa.array([[v] for v in values]),
        lambda: pa.array([{"x": v} for v in values]),
        lambda: pa.array([v.encode() for v in values]),
        lambda: pa.array(whole, pa.int64()).cast(pa.timestamp("ms"), safe=False),
        lambda: pa.array(whole, pa.int64()).cast(pa.timestamp("ns", tz="Asia/Tokyo"), safe=False),
        lambda: pa.array(whole, pa.int32()).cast(pa.date32()),
        lambda: pa.array(whole, pa.int64()).cast(pa.duration("s")),
        lambda: pa.array([bool(w) for w in whole]),
        lambda: pa.nulls(len(values)),
        lambda: pa.array(values).dictionary_encode(),
        lambda: pa.array(numbers, pa.float64()).cast(pa.float32()),
        lambda: pa.array([None if w is None else abs(w) for w in whole], pa.uint64()),
        lambda: pa.array(whole, pa.int64()).cast(pa.decimal128(30, 2)),
        lambda: pa.array(values, pa.large_string()),
        lambda: pa.array([[("k", v)] for v in values], pa.map_(pa.string(), pa.string())),
        lambda: pa.array([dt.time(1, 2)] * len(values)),
        lambda: pa.array([2**62] * len(values), pa.int64()).cast(pa.timestamp("us"), safe=False),
        lambda: pa.array([float("inf")] * len(values)),
        lambda: pa.array([2**63] * len(values), pa.uint64()),
    )
    return rng.choice(makers)()


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None
