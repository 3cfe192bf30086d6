"""The tables of a study folder, from `columns.toml`: everything else in `tables` is driven by them."""

from dataclasses import dataclass
from typing import Any, Final, Literal, NamedTuple, cast

from agreement.terms import CODES, declared

ColumnKind = Literal["id", "label", "code", "rule", "number", "date", "time"]

VO2MAX_COLUMNS: Final = ("vo2max_ml_kg_min", "vo2max_l_min", "vo2max_ml_min")
MISSING: Final = ("", "NA", "N/A", "nan", "null", "-", ".")  # in number, date and code columns
MISSING_ANY_CASE: Final = frozenset(token.casefold() for token in MISSING)
TABLE_ENDINGS: Final = (".csv", ".tsv", ".txt", ".xlsx")
UNREAD_ENDINGS: Final = (  # packed, or written by another program: what looks like a table, unread
    *(".gz", ".bz2", ".xz", ".zst", ".zip", ".7z"),
    *(".xls", ".xlsm", ".xlsb", ".ods", ".parquet", ".json"),
)
PARQUET_ENDING: Final = ".parquet"


class Column(NamedTuple):
    """One column: how its text is understood, and whether a row can do without it."""

    kind: ColumnKind
    required: bool = False
    codes: tuple[str, ...] = ()
    instead: str = ""  # a column that serves where a required one is missing


@dataclass(frozen=True, slots=True)
class Table:
    """
    One table; `key` may not repeat, `ledger_id` is what a row is called when it is left out.

    A table `in_parts` may also be a folder of files.
    """

    name: str
    columns: dict[str, Column]
    ledger_id: str
    key: str | None = None
    endings: tuple[str, ...] = TABLE_ENDINGS
    in_parts: bool = False


def _column(said: str | dict[str, str]) -> Column:
    told = {"kind": said} if isinstance(said, str) else said
    name, required = told["kind"].rstrip("*"), told["kind"].endswith("*")
    codes = CODES.get(name, ())
    kind: ColumnKind = "code" if codes else cast("ColumnKind", name)
    return Column(kind, required, codes, told.get("instead", ""))


def _table(name: str, said: dict[str, Any]) -> Table:
    columns = {column: _column(one) for column, one in said.pop("columns").items()}
    return Table(name, columns, endings=tuple(said.pop("endings", TABLE_ENDINGS)), **said)


INPUTS: Final = {n: _table(n, said) for n, said in declared("columns.toml", "tables").items()}
FOLDERS: Final[dict[str, Table]] = {name: INPUTS[name] for name in ("breaths", "samples")}
TABLES: Final[dict[str, Table]] = {
    name: table for name, table in INPUTS.items() if name not in FOLDERS
}
ATHLETES, LAB_TESTS, FIELD_ESTIMATES, FIELD_TESTS, SESSIONS = TABLES.values()
BREATHS, SAMPLES = FOLDERS.values()
MOMENT: Final = {  # by table, its column of dates or times
    table.name: name
    for table in TABLES.values()
    for name, column in table.columns.items()
    if column.kind in ("date", "time")
}
FIELD_TABLES: Final = ("field_estimates", "field_tests", "sessions")


def is_missing(text: str) -> bool:
    """Whether a cell is empty or says so."""
    return text.strip().casefold() in MISSING_ANY_CASE


def not_read(what: str, endings: tuple[str, ...]) -> str:
    """Say that a file is left alone, and in which forms it would be read."""
    return f"It is not read: {what} are read from files ending in {', '.join(endings)}."
