"""
How a text file is laid out, and its columns as text: encoding, separator and header are found, and reported.

Two ways to the same columns. The careful way reads record by record, knows every row's number and
stops at a ragged one. The fast way parses a plain file (UTF-8, no quotes) in one vectorised pass,
numbers included; whenever a cell or a row does not fit it gives up, and the careful way says why.
"""

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from agreement.tables.columns import MISSING, Column, is_missing
from agreement.tables.findings import Rows, Source, Words, message
from agreement.tables.headers import Header, plain_name, stated_names, wanted_names
from agreement.tables.units import looks_like_unit
from agreement.terms import counted

SEPARATORS: Final = (",", ";", "\t")
_NAMES: Final = {",": "comma", ";": "semicolon", "\t": "tab"}
_HEAD: Final = 65_536  # bytes looked at to find the layout
_HEADER_SEARCH: Final = 10  # rows in which the header may stand
# what pandas and numpy write beside the tokens of design 3c; case makes no difference to a reader
_MISSING_SPELLINGS: Final = sorted({*MISSING, "NaN", "NAN", "na", "n/a", "n/A", "NULL", "Null"})
_SHOWN: Final = 40  # characters of a cell in a message


@dataclass(frozen=True, slots=True)
class HeaderPlace:
    """Where the names stand and where the data begin; both count from 0."""

    names: int
    data: int
    units: int | None


@dataclass(frozen=True, slots=True)
class Layout:
    """How to read one text file; `place` counts records from 0."""

    encoding: str
    separator: str
    place: HeaderPlace
    header: tuple[str, ...]
    units: tuple[str, ...]  # of the unit row, empty when there is none


def find_encoding(data: bytes) -> str:
    """Return the encoding of a file: by its mark, UTF-8 if it is valid UTF-8, else Latin-1."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    if data.startswith(b"\xef\xbb\xbf"):
        return "utf-8-sig"
    if data.isascii():
        return "utf-8"
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8"


def find_layout(data: bytes, source: Source) -> Layout:
    """
    Return the layout of a text file, and note whatever is not a comma, UTF-8 and one header row.

    What the study file states is not looked for; the header is the row with most of our names.
    Raises UnicodeDecodeError or csv.Error if the encoding does not fit or the header never ends.
    """
    form = source.form
    encoding = form.encoding or find_encoding(data)
    head = data[:_HEAD].decode(encoding, errors="strict" if len(data) <= _HEAD else "replace")
    known = wanted_names(source)
    candidates = (form.separator,) if form.separator else SEPARATORS
    records = {sep: _records(head, sep) for sep in candidates}

    def fit(separator: str) -> tuple[int, int]:  # known names in a row, then number of columns
        rows = records[separator]
        found = max((_names_in(r, known) for r in rows), default=0)
        return found, max(map(len, rows), default=0)

    separator = max(candidates, key=fit)
    chosen = records[separator]
    place = find_header(chosen, source)
    if len(data) > _HEAD and place.names == len(chosen) - 1:
        raise csv.Error(f"row {place.names + 1}, the header, does not end within {_HEAD} bytes")
    found = []  # and not stated, where it differs from the plain form
    if form.separator is None and separator != ",":
        found.append(f"{_NAMES[separator]} between columns")
    if form.encoding is None and encoding not in {"utf-8", "utf-8-sig"}:
        found.append(f"text encoded as {encoding}")
    if found:
        source.tell("form_found", found=" and ".join(found))
    report_header(chosen, place, source)
    header = tuple(chosen[place.names]) if chosen else ()
    units = () if place.units is None else tuple(chosen[place.units])
    return Layout(encoding, separator, place, header, units)


def find_header(records: Sequence[Sequence[str]], source: Source) -> HeaderPlace:
    """Return where the header stands among the first records: the row with most known names."""
    known, stated = wanted_names(source), source.form.header_rows
    search = stated or _HEADER_SEARCH
    counts = [_names_in(record, known) for record in records[:search]]
    names = counts.index(max(counts)) if counts else 0
    if counts and not max(counts):  # no name is known: titles above the names are short
        widths = [sum(bool(cell.strip()) for cell in record) for record in records[:search]]
        most, first = max(widths), widths.index(max(widths))
        names = first if most > 1 and all(2 * width <= most for width in widths[:first]) else 0
    if stated is not None:
        units = names + 1 if names + 1 < min(stated, len(records)) else None
        return HeaderPlace(names, stated, units)
    header, following = [*records[names : names + 2], (), ()][:2]
    texts = [following[i].strip() for i in _measured(header, source) if i < len(following)]
    said = [text for text in texts if not is_missing(text)]
    units = bool(said) and all(map(looks_like_unit, said))  # and no number or date
    return HeaderPlace(names, names + 1 + units, names + 1 if units else None)


def _measured(header: Sequence[str], source: Source) -> list[int]:
    """Return which headers are of numbers, dates or times."""
    theirs, columns = stated_names(source.form), source.table.columns
    names = [theirs.get(plain_name(name), plain_name(name)) for name in header]
    known = [(i, columns[name].kind) for i, name in enumerate(names) if name in columns]
    return [i for i, kind in known if kind in {"number", "date", "time"}]


def _records(head: str, separator: str) -> list[list[str]]:
    """Return the first records of a text, as far as they can be read."""
    reader = csv.reader(io.StringIO(head, newline=""), delimiter=separator)
    records: list[list[str]] = []
    try:
        for record in reader:
            records.append(record)  # keep what was read before an error
            if len(records) > _HEADER_SEARCH + 2:
                break
    except csv.Error:
        pass  # the full reading will say what is wrong, and where
    return records


def _names_in(record: Sequence[str], known: set[str]) -> int:
    """Return how many cells of a record are known column names."""
    return len({plain_name(cell) for cell in record} & known)


def report_header(records: Sequence[Sequence[str]], place: HeaderPlace, source: Source) -> None:
    """Note a header that is not the first row alone; doubt one that is stated and hides data."""
    if source.form.header_rows is not None:
        _doubt_swallowed_rows(records, place, source)
    elif place != HeaderPlace(0, 1, None):
        what = f"Column names found in row {place.names + 1}"
        if place.names:
            what += "; the rows above are not read"
        if place.units is not None:
            what += f"; row {place.units + 1} holds units"
        source.tell("header_found", what=what)


def _doubt_swallowed_rows(
    records: Sequence[Sequence[str]], place: HeaderPlace, source: Source
) -> None:
    """Doubt `header_rows` where rows below the names, which it leaves unread, look like data."""
    measured = _measured(records[place.names], source) if records else []
    swallowed = []
    for number in range(place.names + 1, min(place.data, len(records))):
        cells = [records[number][i] for i in measured if i < len(records[number])]
        digits = sum(cell.strip().lstrip("+-")[:1].isdigit() for cell in cells)
        if digits >= min(2, len(measured)):
            swallowed.append(number + 1)
    if measured and swallowed:
        rows = ", ".join(map(str, swallowed))
        told: Words = {"stated": source.form.header_rows, "rows": rows, "names": place.names + 1}
        source.tell("rows_above_header", row=swallowed[0], **told)


class RaggedRowsError(ValueError):
    """Rows whose cells are not those of the header; they have been reported."""


def text_columns(
    data: bytes, layout: Layout, header: Header, source: Source
) -> tuple[pd.DataFrame, Rows]:
    """
    Read every wanted column as text, record by record; empty records are left out.

    Raises RaggedRowsError after reporting rows with too many or too few cells.
    """
    text = data.decode(layout.encoding)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=layout.separator, strict=True)
    records: list[list[str]] = []
    try:
        for record in reader:
            records.append(record)  # noqa: PERF402 - how many there are before an error
    except csv.Error as error:  # a stray quote would else swallow the rest of the file
        source.tell("open_quote", row=len(records) + 1)
        raise RaggedRowsError(source.file) from error
    return wanted_columns(records, layout.place.data, layout.header, header, source)


def wanted_columns(
    records: list[list[str]], data: int, names: Sequence[str], header: Header, source: Source
) -> tuple[pd.DataFrame, Rows]:
    """Return wanted columns of the records from `data` on that are not empty, and their rows."""
    filled = [i for i in range(data, len(records)) if any(cell.strip() for cell in records[i])]
    some, numbers = [records[i] for i in filled], np.array(filled, dtype=np.int64) + 1
    if ragged := [i for i, record in enumerate(some) if len(record) != len(names)]:

        def said(i: int) -> str:
            record = some[ragged[i]]
            what = f"The row has {counted(len(record), 'cell')}; the header has {len(names)}"
            if len(record) < len(names):
                return f"{what}: there is none for '{names[len(record)][:_SHOWN]}'."
            return f"{what}: '{record[len(names)][:_SHOWN]}' stands after the last."

        severity, reason, _, remedy = message("ragged_row")
        place = (source.file, numbers[ragged], None)
        source.findings.each(severity, reason, *place, said, remedy)
        raise RaggedRowsError(source.file)
    columns = list(zip(*some, strict=True)) if some else [()] * len(names)
    cells = {ours: pd.Series(columns[i], dtype="str") for ours, i in header.position.items()}
    return pd.DataFrame(cells), numbers


def plain_columns(
    data: bytes, layout: Layout, header: Header, columns: dict[str, Column]
) -> pd.DataFrame | None:
    """Read a plain file in one vectorised pass; None when it is not, or no parser is there."""
    try:
        from pyarrow import ArrowInvalid
    except ImportError:  # an optional dependency
        return None
    plain = layout.encoding in {"utf-8", "utf-8-sig"} and b'"' not in data
    if not header.position or not plain:  # each line one record, each cell as it stands
        return None
    kinds = [columns[ours].kind for ours in header.position]
    if len(set(header.position.values())) < len(kinds):
        return None  # one column of the file is two of ours
    try:
        parsed = _parse(data, layout, list(zip(header.position.values(), kinds, strict=True)))
    except ArrowInvalid:
        return None
    parsed.columns = pd.Index(header.position)
    needed = next((parsed[n] for n in header.position if columns[n].required), None)
    if needed is None:
        return None
    if (
        needed.isna() | (needed == "")
    ).any():  # empty rows perhaps, which the careful way leaves out
        return None
    return parsed


def _parse(data: bytes, layout: Layout, wanted: list[tuple[int, str]]) -> pd.DataFrame:
    """Parse columns of a plain file; raises ArrowInvalid when a cell or a row does not fit."""
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    labels = pa.dictionary(pa.int32(), pa.string())
    types = {"number": pa.float64(), "date": pa.string(), "time": pa.string()}
    names = [str(i) for i in range(len(layout.header))]
    parsed = arrow_csv.read_csv(
        pa.BufferReader(data),
        read_options=arrow_csv.ReadOptions(column_names=names, skip_rows=layout.place.data),
        parse_options=arrow_csv.ParseOptions(
            delimiter=layout.separator, quote_char=False, ignore_empty_lines=False
        ),
        convert_options=arrow_csv.ConvertOptions(
            column_types={str(i): types.get(kind, labels) for i, kind in wanted},
            include_columns=[str(i) for i, _ in wanted],
            null_values=_MISSING_SPELLINGS,
            strings_can_be_null=False,
        ),
    )
    frame: pd.DataFrame = parsed.to_pandas()
    return frame
