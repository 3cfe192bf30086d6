"""
A table given as a folder of dated exports: overlaps are recognised row by row, the newest row counts.

An export is a file whose name carries its date. A row of an older export that a newer one holds
again leaves: as `re_exported` where nothing changed, as `corrected` where something did.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.arrays import Flags
from agreement.tables.checked_tables import Athletes, CheckedTable, Leaving, drop_withdrawn
from agreement.tables.columns import PARQUET_ENDING, Table
from agreement.tables.dates import moment_column
from agreement.tables.findings import Findings, Words
from agreement.tables.ids import silent_ids
from agreement.tables.options import FileFormat
from agreement.tables.parts import CheckedPiece, Piece, is_table, table_files
from agreement.tables.readers import RawTable, read_table
from agreement.tables.text_cells import code_column, label_column
from agreement.terms import counted

# year and month, perhaps day, perhaps time of day; the last of a name is the day of the export
_STAMP: Final = re.compile(
    r"(?<!\d)((?:19|20)\d\d)([-_.]?)(0[1-9]|1[0-2])"
    r"(?:\2(0[1-9]|[12]\d|3[01])(?:[T _-]?([01]\d|2[0-3])[-.h]?([0-5]\d))?)?(?!\d)"
)
_MAY_LACK: Final = 0.2  # of all people, a newer list of them; common practice, no source
Build = Callable[[RawTable], CheckedTable]


def stamp_of(name: str) -> str:
    """
    Return the date in a file's name as digits, empty without one.

    >>> [stamp_of(n) for n in ("lab_2026-03.csv", "20260301-20260331.csv", "part-0.csv")]
    ['202603', '20260331', '']
    """
    found = _STAMP.findall(name)
    return "".join(digits for digits in (*found[-1][:1], *found[-1][2:])) if found else ""


def holds_exports(folder: Path, table: Table, form: FileFormat) -> bool:
    """
    Whether a folder holds dated exports of a table rather than its parts.

    Where a table may come in parts, it does so unless every file is dated and none is Parquet, or
    ``folder`` in `study.toml` says so.
    """
    files = [path for path in folder.iterdir() if is_table(path, table)]
    if not files or form.folder == "parts":
        return False
    dated = all(stamp_of(path.name) for path in files)
    parquet = any(path.suffix.casefold() == PARQUET_ENDING for path in files)
    return form.folder == "exports" or not table.in_parts or (dated and not parquet)


def find_exports(folder: Path, name: str, table: Table, findings: Findings) -> tuple[str, ...]:
    """
    Return the exports of a table, the oldest first; none when their order is undecided.

    Names without a date and two exports of one date are stops, and what `table_files` stops at.
    """
    before = len(findings.stops)
    files = table_files(folder, name, table, findings)
    stamps = {stamp_of(one.removeprefix(name)): one for one in files}
    for file in files:
        stamp = stamp_of(file.removeprefix(name))
        twin = next((s for s in stamps if s and stamps[s] != file and s.startswith(stamp)), None)
        if not stamp:
            findings.tell("undated_export", file)
        elif twin is not None:
            findings.tell("exports_of_one_date", file, other=stamps[twin].split("/")[-1])
    if len(findings.stops) > before:
        return ()
    return tuple(sorted(files, key=lambda one: stamp_of(one.removeprefix(name))))


class _Export(NamedTuple):
    """One export: as read, with what was found and how many rows and digest it had."""

    raw: RawTable | None
    findings: Findings
    rows: int
    digest: str


@dataclass(slots=True)
class Exports:
    """The exports of one table; `whole_table` makes them one."""

    name: str  # the folder inside the study
    files: tuple[str, ...]  # oldest first
    table: Table
    ids: dict[str, str]  # athlete ids by the id found
    zone: str | None
    build: Build = field(init=False)
    people: Athletes = field(init=False)
    read: list[_Export] = field(default_factory=list)
    again: int = 0
    corrected: int = 0
    _gone: dict[int, tuple[int, frozenset[str]]] = field(default_factory=dict)

    def read_all(self, folder: Path, form: FileFormat) -> None:
        """Read every export."""
        for file in self.files:
            findings = Findings()
            raw = read_table(folder / file, file, self.table, form, findings)
            rows, digest = (0, "") if raw is None else (len(raw.rows), raw.digest)
            self.read.append(_Export(raw, findings, rows, digest))

    def raws(self) -> list[RawTable]:
        """Return the exports that could be read, the oldest first."""
        return [one.raw for one in self.read if one.raw is not None]

    def pieces(self) -> tuple[Piece, ...]:
        """Return one piece for each file."""
        return tuple(Piece(part) for part in range(len(self.files)))

    def checked(self, piece: Piece) -> CheckedPiece:
        """Check one export; those before it in `pieces` need not have been."""
        if piece.part == 0:
            self._settle()
        raw, findings, rows, digest = self.read[piece.part]
        if raw is None:
            return CheckedPiece([], findings, rows, digest)
        table, (gone, keys) = self.build(raw), self._gone[piece.part]
        gone, keys = table.withdrawn_rows + gone, table.withdrawn_keys | keys
        table = replace(table, withdrawn_rows=gone, withdrawn_keys=keys)
        return CheckedPiece([table], findings, rows, digest)

    def _settle(self) -> None:
        """Take people who withdrew out of every export, then the rows that a newer one holds."""
        keys = []
        for part, (raw, *_) in enumerate(self.read):
            if raw is not None:
                self._gone[part] = drop_withdrawn(raw, self.ids, self.people)
                keys.append(_keys(raw, self.table, self.ids, self.zone).assign(part=part))
        if not keys:
            return
        every = pd.concat(keys, ignore_index=True)
        by = [str(name) for name in every if name not in ("part", "at")]
        newest = every.groupby(by)["part"].transform("max")  # none where the key lacks something
        every["newest"] = newest.fillna(every["part"]).astype(np.int64)
        old = every[every["part"] < every["newest"]]
        same = self._unchanged(every, by) if len(old) else np.zeros(0, bool)
        for part in old["part"].unique():
            lines = old[old["part"] == part]
            self._leave(int(part), lines, same[lines.index])

    def _unchanged(self, every: pd.DataFrame, by: list[str]) -> Flags:
        """Whether the newest export of its key holds each row as it is."""
        concerned = every.groupby(by, dropna=False)["part"].transform("nunique") > 1
        frames = []
        for part, (raw, *_) in enumerate(self.read):
            at = every.loc[concerned & (every["part"] == part), "at"].to_numpy()
            if raw is None or not at.size:
                continue
            few = raw.quiet()
            few.keep(np.isin(np.arange(len(raw.rows)), at))
            said = self.build(few).frame
            at = np.searchsorted(raw.rows, said["row"].to_numpy(np.int64))
            frames.append(said.assign(part=part, at=at))
        said = pd.concat(frames, ignore_index=True)
        content = said.drop(columns=["file", "row", "part", "at"])
        numbers = content.select_dtypes("number").columns
        content[numbers] = content[numbers].round(9)
        said["print"] = pd.util.hash_pandas_object(content, index=False).astype("str")
        every = every.merge(said[["part", "at", "print"]], on=["part", "at"], how="left")
        rows = pd.MultiIndex.from_frame(every[[*by, "print"]])  # no print: set aside, says nothing
        return np.asarray(rows.isin(rows[every["part"] == every["newest"]]))

    def _leave(self, part: int, lines: pd.DataFrame, same: Flags) -> None:
        """Set aside the rows of one export that a newer one holds again."""
        raw, findings, _, _ = self.read[part]
        if raw is None:
            return
        self.again, self.corrected = self.again + same.sum(), self.corrected + (~same).sum()
        names = silent_ids(raw, self.table.ledger_id, self.ids)
        leaving = Leaving(raw, names if names.labels else silent_ids(raw, "athlete_id", self.ids))
        newest = lines.set_index("at")["newest"]

        def newer(i: int) -> str:
            return self.files[int(newest[i])].split("/")[-1]

        again, other = (np.isin(np.arange(len(raw.rows)), lines["at"][m]) for m in (same, ~same))
        leaving.mark("re_exported", again, file=newer)
        leaving.mark("corrected", other, file=newer)
        # a row held again is the usual case: the ledger has its line, and the note its count
        findings.problems = [p for p in findings.problems if p.reason != "re_exported"]
        raw.keep(~leaving.out)

    def tell(self, findings: Findings) -> None:
        """Say how the exports were put together."""
        if not self.files:
            return
        first, last = (file.split("/")[-1] for file in (self.files[0], self.files[-1]))
        exports, again = counted(len(self.files), "export"), counted(self.again, "row")
        parts = f' For parts of one table set folder = "parts" in [files.{self.table.name}].'
        told: Words = {"first": first, "last": last, "exports": exports, "again": again}
        told |= {"corrected": self.corrected, "parts": parts if self.table.in_parts else ""}
        findings.tell("exports", self.name, **told)


def _keys(raw: RawTable, table: Table, ids: dict[str, str], zone: str | None) -> pd.DataFrame:
    """Return what makes a row of an export the same row in another one."""
    raw = raw.quiet()  # whatever is wrong is said when the rows are checked
    people = silent_ids(raw, "athlete_id", ids).series()
    columns: dict[str, Any]
    if table.key:
        own = ids if table.key == "athlete_id" else {}
        columns = {"key": silent_ids(raw, table.key, own).series()}
    elif table.name == "field_tests":
        day = pd.Series(moment_column(raw, "date", zone).date).dt.strftime("%Y-%m-%d")
        said = people + "\0" + day + "\0" + label_column(raw, "protocol").series()
        columns = {"key": silent_ids(raw, "field_test_id", {}).series().fillna(said)}
    else:
        columns = {
            "who": people,
            "when": pd.Series(moment_column(raw, "taken_at", zone).instant),
            "what": label_column(raw, "method").series(),
            "how": code_column(raw, "mode").series(),
        }
    return pd.DataFrame(columns).assign(at=np.arange(len(raw.rows)))


def people_gone(raws: list[RawTable], ids: dict[str, str], findings: Findings) -> frozenset[str]:
    """
    Return who is marked as withdrawn in any export of the athletes, or deleted from the newest.

    Each export is the whole list of its day; where the newest lacks so many that it is none, stop.
    """
    lists, marked = [], frozenset[str]()
    for raw in raws:
        people = silent_ids(raw, "athlete_id", ids)
        marked |= people.kept(code_column(raw.quiet(), "withdrawn").where({"yes"})).present()
        lists.append(people.present())
    everybody = frozenset[str]().union(*lists)
    deleted = everybody - lists[-1] - marked if lists else everybody
    if len(deleted) > max(1.0, _MAY_LACK * len(everybody)):
        findings.tell("list_shrank", raws[-1].file, gone=len(deleted), all=len(everybody))
        return marked
    if deleted:
        many = counted(len(deleted), "person", "people")
        findings.tell("deleted_people", raws[-1].file, gone=many)
    return marked | deleted
