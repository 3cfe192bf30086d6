"""One sheet of an XLSX workbook -> records of text, as a person sees them."""

import datetime as dt
import re
import warnings
import zipfile
from io import BytesIO
from typing import Any, Final

from agreement.tables.paths import most_unpacked

MOST_WORKBOOK_BYTES: Final = 400_000_000  # unpacked; a table of a million rows is about half of it
MOST_CELLS: Final = 30_000_000  # between the first cell and the last filled one
_ZEROS: Final = re.compile(r"0+")
_ROW: Final = re.compile(rb"<(?:\w+:)?row\b[^>]*>")
_HIDDEN: Final = re.compile(rb"\bhidden=[\"'](?:1|true)[\"']")
_ROW_NUMBER: Final = re.compile(rb"\br=[\"'](\d+)[\"']")


class UnreadableError(ValueError):
    """A file that cannot be read; the message says why, the remedy what to do."""

    def __init__(self, what: str, remedy: str) -> None:
        self.what = what
        self.remedy = remedy
        super().__init__(what)


def sheet_records(
    data: bytes, sheet: str | None, unseen: dict[int, str] | None = None
) -> list[list[str]]:
    """
    Return the rows of one sheet as text; formulas give the value that the file has stored.

    sheet: its name; None: the only one.
    unseen: takes the rows that a person does not see as data: "hidden", "struck out" (in part).
    Returns: rows of equal length, from row 1 of the sheet.
    Raises UnreadableError if it is no workbook, too large when unpacked, or the sheet is undecided.
    """
    from openpyxl import load_workbook  # slow to import, and most studies have no workbook

    _refuse_oversize(data)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # styles and extensions that do not touch the values
            book = load_workbook(BytesIO(data), read_only=True, data_only=True)
            found = book[_chosen(book.sheetnames, sheet)]
            rows = _filled_rows(found, unseen)
            if unseen is not None:  # by hand or by a filter; the fast reader does not say
                with zipfile.ZipFile(BytesIO(data)) as parts:
                    text = parts.read(found._worksheet_path.lstrip("/"))
                hidden = [_ROW_NUMBER.search(r) for r in _ROW.findall(text) if _HIDDEN.search(r)]
                unseen |= {int(number[1]): "hidden" for number in hidden if number is not None}
    except UnreadableError:
        raise
    except Exception as error:  # a damaged file can raise anything
        raise UnreadableError(
            f"The workbook cannot be read ({type(error).__name__}).",
            "Open it in a spreadsheet and save it again.",
        ) from error
    width = max(map(len, rows), default=0)
    _refuse_wide(width * len(rows))
    return [[*row, *[""] * (width - len(row))] for row in rows]


def open_document_sheets(data: bytes) -> list[tuple[str, list[list[str]]]]:
    """
    Return name and rows of each sheet of a workbook that `python_calamine` reads: ODS, older XLS.

    Raises UnreadableError if it is none, too large when unpacked, or the library is not installed.
    """
    try:
        from python_calamine import load_workbook
    except ImportError as error:
        raise UnreadableError(
            "Workbooks of this form need a library that is not installed (python-calamine).",
            "Install it, or save the workbook as XLSX.",
        ) from error
    if zipfile.is_zipfile(BytesIO(data)):
        _refuse_oversize(data)
    try:
        book = load_workbook(BytesIO(data))
        sheets = [(name, book.get_sheet_by_name(name)) for name in book.sheet_names]
        found = [(name, one.to_python(skip_empty_area=False)) for name, one in sheets]
    except Exception as error:  # a damaged file can raise anything
        raise UnreadableError(
            f"The workbook cannot be read ({type(error).__name__}).", "Save it as XLSX or CSV."
        ) from error
    return [(name, [[_cell_text(one, "") for one in row] for row in rows]) for name, rows in found]


def _filled_rows(sheet: Any, unseen: dict[int, str] | None) -> list[list[str]]:
    """Return each row up to its last filled cell, as text."""
    sheet.reset_dimensions()  # what a file says of its own size need not be true
    rows: list[list[str]] = []
    cells = 0
    strike: dict[int, bool] = {}  # by style
    for found in sheet.iter_rows():
        if not found:  # a cell far below brings a million of these
            rows.append([])
            continue
        cells += len(found)
        _refuse_wide(cells)
        row = [_cell_text(c.value, c.number_format if c.value is not None else "") for c in found]
        last = max((i for i, cell in enumerate(row, 1) if cell.strip()), default=0)
        rows.append(row[:last])
        filled = [cell for cell in found if cell.value is not None] if unseen is not None else []
        for cell in filled:
            if cell._style_id not in strike:
                strike[cell._style_id] = bool(cell._style_id and cell.font.strike)
        struck = [strike[cell._style_id] for cell in filled]
        if unseen is not None and any(struck):
            unseen[len(rows)] = "struck out" if all(struck) else "struck out in part"
    while rows and not rows[-1]:
        rows.pop()
    return rows


def _refuse_wide(cells: int) -> None:
    """Stop before empty cells fill the memory."""
    if cells > MOST_CELLS:
        raise UnreadableError(
            f"The sheet spans more than {MOST_CELLS / 1e6:.0f} million cells, most of them empty.",
            "Delete what stands far from the table, or save the table as CSV.",
        )


def _refuse_oversize(data: bytes) -> None:
    """Stop before unpacking what would fill the memory."""
    try:
        with zipfile.ZipFile(BytesIO(data)) as parts:
            size = sum(part.file_size for part in parts.infolist())
    except (zipfile.BadZipFile, NotImplementedError, ValueError, OSError) as error:
        raise UnreadableError(
            "The file is not an XLSX workbook.", "Save it as XLSX, or as CSV."
        ) from error
    most = min(MOST_WORKBOOK_BYTES, most_unpacked(len(data)))
    if size > most:
        raise UnreadableError(
            f"The workbook unpacks to {size / 1e6:.0f} MB; at most {most / 1e6:.0f} are read.",
            "Save the one sheet that is needed as CSV.",
        )


def _chosen(names: list[str], sheet: str | None) -> str:
    if sheet is None and len(names) == 1:
        return names[0]
    if sheet in names:
        return str(sheet)
    raise UnreadableError(
        f"The workbook has {len(names)} sheets: {', '.join(names)}."
        if sheet is None
        else f"The workbook has no sheet '{sheet}'; it has {', '.join(names)}.",
        "Set sheet for this file in study.toml to the name of one of them.",
    )


def _cell_text(value: object, number_format: str) -> str:
    """Return a cell as text: dates in ISO form, whole numbers without a point, zeros kept."""
    if value is None:
        return ""
    if isinstance(value, dt.datetime):
        midnight = value.time() == dt.time()
        return value.date().isoformat() if midnight else value.isoformat(timespec="microseconds")
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        value = int(value)
    if isinstance(value, int) and _ZEROS.fullmatch(number_format):
        return f"{value:0{len(number_format)}d}"  # 7 shown as 007 is 007
    return repr(value) if isinstance(value, float) else str(value)
