"""Raw files that hold many sessions: told by a column of session ids, cut by it when they are read."""

import gzip
import re
import zlib
from pathlib import Path
from typing import Final

from agreement.tables.columns import PARQUET_ENDING, SAMPLES, Column, Table
from agreement.tables.findings import Findings
from agreement.tables.headers import plain_name
from agreement.tables.ids import id_column
from agreement.tables.options import FileFormat
from agreement.tables.readers import read_table
from agreement.terms import counted

SESSION: Final = "session_id"
_IDS: Final = Table(
    SAMPLES.name, {SESSION: Column("id", required=True)}, SESSION, endings=SAMPLES.endings
)
_LOOKED_AT: Final = 8192  # bytes of a text file in which its header must stand


def holds_sessions(path: Path, file: str, form: FileFormat, findings: Findings) -> bool | None:
    """
    Whether a file has a column of session ids; None, and a stop, when it cannot be opened.

    Parameters
    ----------
    path : Path
        The file.
    file : str
        Its path inside the study folder.
    form : FileFormat
        May name the column otherwise.
    findings : Findings
        Collects problems.
    """
    wanted = {SESSION, plain_name(form.columns.get(SESSION, SESSION))}
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


def sessions_in(path: Path, file: str, form: FileFormat, findings: Findings) -> list[str]:
    """
    Return the ids of the sessions that a file holds, reading no other column.

    Parameters
    ----------
    path, file, form, findings
        As `holds_sessions` takes them; a row without an id is a stop.
    """
    unheard = Findings()  # of the other columns the full reading speaks
    raw = read_table(path, file, _IDS, form, unheard)
    if raw is None or unheard.stops:
        findings.problems += unheard.stops
        return []
    found = id_column(raw, SESSION, findings)
    missing = found.series().isna().to_numpy()
    if missing.any():
        what = f"{SESSION} is missing in {counted(int(missing.sum()), 'row')}."
        row = int(raw.rows[missing.argmax()])
        findings.stop("missing_value", file, what, "Fill it.", row=row, column=SESSION)
    return sorted(found.present())
