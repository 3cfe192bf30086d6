"""Raw files that hold many tests or sessions: told by a column of ids, cut by it when they are read."""

import gzip
import re
import zlib
from pathlib import Path
from typing import Final

from agreement.tables.columns import PARQUET_ENDING, Column, Table
from agreement.tables.findings import Findings
from agreement.tables.headers import plain_name
from agreement.tables.ids import id_column
from agreement.tables.options import FileFormat
from agreement.tables.readers import read_table
from agreement.terms import counted

_LOOKED_AT: Final = 8192  # bytes of a text file in which its header must stand


def holds_many(
    path: Path, file: str, table: Table, form: FileFormat, findings: Findings
) -> bool | None:
    """
    Whether a file has a column of ids; None, and a stop, when it cannot be opened.

    file: its path inside the study folder.
    table: its `ledger_id` is that column.
    form: may name the column otherwise, or give it one value for the whole file.
    """
    own = table.ledger_id
    if own in form.values:  # no frame
        return True
    wanted = {own, *(plain_name(one) for one in form.columns.get(own, own).split(" + "))}
    try:
        return any(plain_name(name) in wanted for name in _names(path))
    except ImportError:
        return False  # whoever reads it says what to install
    except (OSError, EOFError, ValueError, zlib.error) as error:  # Arrow's own are among these
        what = f"The file cannot be read ({type(error).__name__})."
        findings.stop("unreadable_file", file, what, "Write it again.")
        return None


def _names(path: Path) -> list[str]:
    """Return the headers of a Parquet file, or every cell at the top of a text file."""
    if path.suffix.casefold() == PARQUET_ENDING:
        from pyarrow import parquet

        return list(parquet.read_schema(path).names)
    opened = gzip.open if path.suffix.casefold() == ".gz" else open
    with opened(path, "rb") as content:
        top = content.read(_LOOKED_AT).decode("utf-8-sig", "replace")
    return re.split(r"[,;\t\r\n]", top.replace('"', ""))


def ids_in(path: Path, file: str, table: Table, form: FileFormat, findings: Findings) -> list[str]:
    """
    Return the ids of the tests or sessions that a file holds, reading no other column.

    path, file, table, form, findings: as `holds_many` takes them; a row without an id is a stop.
    """
    own = table.ledger_id
    ids = Table(table.name, {own: Column("id", required=True)}, own, endings=table.endings)
    unheard = Findings()  # of the other columns the full reading speaks
    raw = read_table(path, file, ids, form, unheard)
    if raw is None or unheard.stops:
        findings.problems += unheard.stops
        return []
    raw.findings = findings
    found = id_column(raw, own)
    missing = found.codes < 0
    if missing.any():
        what = f"{own} is missing in {counted(int(missing.sum()), 'row')}."
        row = int(raw.rows[missing.argmax()])
        findings.stop("missing_value", file, what, "Fill it.", row=row, column=own)
    return sorted(found.present())
