"""
The folders of raw files: which file belongs to which laboratory test or session, and what it holds.

A file is named after the one row it belongs to, whole or with the folder of its person before it;
or its rows say in a column of ids to which they belong. One such file may stand for the folder.
"""

import gzip
import re
import zlib
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.errors import Problem, TableError
from agreement.tables.checked_tables import Athletes, CheckedTable
from agreement.tables.columns import BREATHS, PARQUET_ENDING, SAMPLES, Column, Table
from agreement.tables.findings import Findings, Words
from agreement.tables.headers import JOIN, plain_name
from agreement.tables.ids import id_column
from agreement.tables.number_columns import CLOCK_COLUMN, number_columns
from agreement.tables.options import FileFormat
from agreement.tables.paths import file_digest, path_problem
from agreement.tables.readers import InputFile, read_table
from agreement.tables.text_cells import code_column
from agreement.tables.text_layout import find_encoding
from agreement.terms import counted

_LOOKED_AT: Final = 8192  # bytes of a text file in which its header must stand
ROW_NAMES: Final = {"breaths": "laboratory test", "samples": "session"}  # of their owners
_PAPERS: Final = (".pdf", ".png", ".jpg", ".jpeg", ".md", ".html", ".docx", ".odt")  # no recordings
_JOINTS: Final = ("_", "-", " ", "/", ".", "")  # between the folder of a person and a file in it
RawRows = tuple[pd.DataFrame, tuple[Problem, ...]]


def holds_many(
    path: Path, file: str, table: Table, form: FileFormat, findings: Findings
) -> bool | None:
    """Whether a file has a column of ids of its rows; None, and a stop, if it cannot be read."""
    own = table.ledger_id
    if own in form.values:  # noqa: PD011  # no frame
        return True
    every = form.columns.get(own, (own,))
    wanted = {own, *(plain_name(one) for theirs in every for one in theirs.split(JOIN))}
    try:
        return any(plain_name(name) in wanted for name in _names(path, wanted))
    except ImportError:
        return False  # whoever reads it says what to install
    except (OSError, EOFError, ValueError, zlib.error) as error:  # Arrow's own are among these
        findings.tell("unreadable_raw_file", file, error=type(error).__name__)
        return None


def _names(path: Path, wanted: set[str]) -> set[str]:
    """Return the headers of a Parquet file, or the cells at the top of a text file with such words."""
    if path.suffix.casefold() == PARQUET_ENDING:
        from pyarrow import parquet

        return set(parquet.read_schema(path).names)
    opened = gzip.open if path.suffix.casefold() == ".gz" else open
    with opened(path, "rb") as content:
        data = content.read(_LOOKED_AT)
    data = data[: data.rfind(b"\n") + 1] or data  # no letter cut in two hides the encoding
    top = data.decode(find_encoding(data), "replace")
    plain = top.replace("\ufeff", "").replace('"', "").casefold()
    if not any(all(word in plain for word in name.split("_")) for name in wanted):
        return set()  # thousands of numbers in each of many files
    return set(re.split(r"[,;\t\r\n]", plain))


def ids_in(path: Path, file: str, table: Table, form: FileFormat, findings: Findings) -> list[str]:
    """Return the ids of the tests or sessions that a file holds, reading no other column."""
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
        row, many = int(raw.rows[missing.argmax()]), counted(int(missing.sum()), "row")
        findings.tell("owner_missing", file, row=row, column=own, ours=own, rows=many)
    return sorted(found.present())


@dataclass(frozen=True, slots=True)
class PartFolder:
    """The raw file of every id, several ids may share one; `unread`: those in a form not read."""

    study: Path
    table: Table  # breaths or samples
    folder: str  # inside the study; or the one file that stands for it
    parts: dict[str, Path]
    unread: dict[str, Path] = field(default_factory=dict)

    @property
    def count(self) -> int:
        """Number of raw files' ids, read or not."""
        return len(self.parts) + len(self.unread)

    def file(self, path: Path) -> str:
        """Return the path of a raw file inside the study folder."""
        return raw_name(self.study, path)

    def persons(self, path: Path) -> tuple[str, ...]:
        """Return the folders between this one and a file: of people, where there are any."""
        place = self.study / self.folder
        return () if place in (path, path.parent) else path.relative_to(place).parts[:-1]


def find_parts(
    study: Path, table: Table, form: FileFormat, findings: Findings, keys: frozenset[str]
) -> PartFolder:
    """
    Return the raw files of a folder.

    Two files for one id, links that lead outside, and a folder in which only some files name the
    owner of their rows are stops.

    keys: ids of the rows that files may belong to: in the folder P1, pre.csv is that of P1_pre,
        P1-pre and the like where there is such a row, and else of pre.
    Returns: empty when there is no such folder; a stop if the study file states it.
    """
    name, own = form.path or table.name, table.ledger_id
    if not form.path and not (study / name).exists():  # where there is no folder, the one file
        files = (f"{name}{ending}" for ending in table.endings)
        name = next((one for one in files if (study / one).is_file()), name)
    nothing = PartFolder(study, table, name, {})
    if path_problem(study, name):
        return nothing  # reported with the study file
    place = study / name
    if not place.is_dir() and not place.is_file():
        if form.path:
            findings.tell("no_raw_files", name)
        return nothing
    parts: dict[str, Path] = {}
    unread: dict[str, Path] = {}
    kinds: dict[bool, str] = {}  # whether files name the owner of each row, with the last such file
    for path in [place] if place.is_file() else sorted(place.rglob("*")):
        inside, file = path.relative_to(place), path.relative_to(study).as_posix()
        ending = next((e for e in table.endings if path.name.casefold().endswith(e)), None)
        if not path.is_file() or any(one.startswith(".") for one in inside.parts):
            continue
        if ending is None:
            if path.suffix.casefold() not in _PAPERS:
                unread[inside.as_posix()] = path
            continue
        if file != (shown := shown_name(file)):
            findings.tell("unreadable_name", shown)
            continue
        if problem := path_problem(study, file):
            findings.tell("path_outside", file, problem=problem)
            continue
        many = holds_many(path, file, table, form, findings)
        if many is not None:  # else it cannot be opened, which was said
            kinds[many] = file
        if many:
            ids = ids_in(path, file, table, form, findings)
        else:  # the folders of its person are above it
            stem = path.name[: -len(ending)].strip()
            joined = [joint.join((*inside.parts[:-1], stem)) for joint in _JOINTS]
            ids = [next((one for one in (*joined, stem) if one in keys), joined[3])]
        for part_id in ids:
            if part_id in parts:
                two = [one.relative_to(place).as_posix() for one in (parts[part_id], path)]
                findings.tell("two_raw_files", name, one=part_id, files=" and ".join(two))
            else:
                parts[part_id] = path
    if len(kinds) == 2 or (place.is_file() and False in kinds):
        beside = f", which {kinds[True]} has" if True in kinds else ""
        told: Words = {"ours": own, "beside": beside, "table": table.name}
        findings.tell("owner_column_missing", kinds[False], column=own, **told)
    return PartFolder(study, table, name, parts, unread)


def match_parts(
    found: PartFolder, owner: CheckedTable, people: Athletes, findings: Findings
) -> tuple[dict[str, Path], int, list[InputFile]]:
    """
    Return the raw files whose row is in the study; the others are set aside, one line each.

    owner: the table whose rows they belong to; a file in the folder of another person than its
        row's is a stop.
    Returns gone: files of people who withdrew.
    Returns inputs: the files of those who take part.
    """
    table, row, rows = found.table, ROW_NAMES[found.table.name], owner.frame
    whose = dict(zip(rows[table.ledger_id], rows["athlete_id"], strict=True))
    left = owner.withdrawn_keys - owner.keys

    def is_gone(key: str, path: Path) -> bool:
        """Whether a file is of somebody who withdrew, by its row or by the folder it lies in."""
        names = [one for one in found.persons(path) if one not in (people.known or ())]
        if any(people.withdrawn.is_like(one, listed=False) for one in names):
            return True
        return key in left or (key not in owner.keys and people.withdrawn.is_raw(key))

    read = {i: path for i, path in found.parts.items() if not is_gone(i, path)}
    unread: dict[str, str] = {}
    for name, path in found.unread.items():
        key = path.stem.removesuffix(".csv")
        if not is_gone(key, path):
            own = key in owner.keys and key not in {**found.parts, **unread}  # else it has its line
            unread[shown_name(key if own else name)] = found.file(path)
    parts = {i: path for i, path in read.items() if i in whose}
    for i, path in parts.items():
        for person in owner.people.intersection(found.persons(path)) - {whose[i]}:
            told: Words = {"person": person, "owner": row, "one": i, "whose": whose[i]}
            findings.tell("strange_folder", found.file(path), **told)
    if gone := found.count - len(read) - len(unread):
        findings.withdraw(found.folder, gone)
    files = {i: found.file(path) for i, path in read.items() if i not in whose}
    for name, known in (("unknown_test", False), ("row_left_out", True)):
        some = {i: file for i, file in files.items() if (i in owner.keys) == known}
        findings.leave_out_parts(name, found.folder, some, row=row)
    needed = ", ".join(n for n, one in table.columns.items() if one.required)
    told = {"endings": ", ".join(table.endings), "columns": needed}
    findings.leave_out_parts("unread_recording", found.folder, unread, **told)
    paths = dict.fromkeys(read.values())  # one file may hold many
    inputs = [InputFile(found.file(path), file_digest(path), None) for path in paths]
    return parts, gone, inputs


def raw_name(study: Path, path: Path) -> str:
    """Return the path of a raw file inside its study folder, as text that can be written."""
    inside = path.relative_to(study) if path.is_relative_to(study) else Path(*path.parts[-2:])
    return shown_name(inside.as_posix())


def shown_name(name: str) -> str:
    """Return the name of a file as text that can be written, whatever its bytes."""
    return name.encode("utf-8", "replace").decode()


def read_raw(
    table: Table, path: Path, *, file: str | None = None, form: FileFormat | None = None
) -> RawRows:
    """
    Read the breaths of a laboratory test or the samples of training sessions.

    table: `BREATHS` or `SAMPLES`; path: CSV, packed CSV (.csv.gz) or Parquet.
    file: name for messages; default: folder and name of the file.
    form: what the study file states in ``[files.breaths]`` or ``[files.samples]``.
    Returns: every column of the table in our units (t_s in s, uptakes in mL/min STPD, ve_l_min in
        L/min BTPS), NaN where it or a cell is missing, rows as in the file; ids of rows where the
        file has them, because it holds many tests or sessions; and notes: how it was read.
    Raises TableError if the file cannot be used, with every reason.
    """
    findings = Findings()
    name = file or f"{path.parent.name}/{path.name}"
    raw = read_table(path, name, table, form or FileFormat(), findings)
    if raw is None or findings.stops:
        raise TableError(findings.stops)
    nothing = np.full(len(raw.rows), np.nan)
    numbers = number_columns(raw)
    columns: dict[str, Any] = {}
    for ours, column in table.columns.items():
        if column.kind == "number":
            columns[ours] = numbers.get(ours, nothing)
        elif column.kind == "code":
            columns[ours] = code_column(raw, ours).series()
        elif ours in raw.frame:
            columns[ours] = id_column(raw, ours).series()
    if CLOCK_COLUMN in numbers:
        columns[CLOCK_COLUMN] = numbers[CLOCK_COLUMN]
    if not len(raw.rows):
        raw.tell("no_rows")
    if findings.stops:
        raise TableError(findings.stops)
    return pd.DataFrame(columns), tuple(findings.problems)


read_breaths, read_samples = partial(read_raw, BREATHS), partial(read_raw, SAMPLES)
