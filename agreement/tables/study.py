"""A study folder -> checked tables, with every problem found in it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Final

import pandas as pd

from agreement.errors import Problem, TableError
from agreement.tables.checked_tables import (
    Athletes,
    CheckedTable,
    athletes_table,
    field_estimates_table,
    field_tests_table,
    sessions_table,
)
from agreement.tables.columns import FOLDERS, TABLES, Table
from agreement.tables.doubts import doubt_tables
from agreement.tables.export_folders import Exports, find_exports, holds_exports, people_gone
from agreement.tables.findings import Findings, without_consequences
from agreement.tables.ids import keys_of, note_likely_matches, read_id_map
from agreement.tables.lab_table import lab_table, require_one_rule
from agreement.tables.options import STUDY_FILE, StudyOptions
from agreement.tables.part_folders import PartFolder, find_parts, match_parts, shown_name
from agreement.tables.parts import PartReader, find_table_parts, whole_table
from agreement.tables.paths import digest_if_readable, path_problem
from agreement.tables.readers import (
    InputFile,
    RawTable,
    frame_table,
    read_table,
    require_vo2max,
    unread,
)
from agreement.tables.study_file import PUBLISHED_FILE, read_study_file
from agreement.tables.study_lines import UNDECIDED
from agreement.tables.study_tables import StudyTables
from agreement.tables.table_files import (
    find_tables,
    note_empty_tables,
    note_margin,
    note_unused,
    require_tables,
    shared_files,
)
from agreement.tables.withdrawn import keep, read_kept, require_athletes

__all__ = ["StudyTables", "inspect_study", "read_study"]

OWNERS: Final = {"breaths": "lab_tests", "samples": "sessions"}  # whose rows raw files belong to
_FIELD_BUILDERS: Final = {
    "field_estimates": field_estimates_table,
    "field_tests": field_tests_table,
    "sessions": sessions_table,
}


def read_study(
    folder: Path | str,
    *,
    given: Mapping[str, pd.DataFrame] | None = None,
    options: StudyOptions | None = None,
) -> StudyTables:
    """
    Read a study folder.

    folder: with `study.toml`, `lab_tests` and one of the field tables.
    given: tables by name, read instead of files.
    options: the study's choices, instead of those of `study.toml`.
    Raises TableError with every problem that stops the study, not only the first.
    """
    study, problems = inspect_study(folder, given=given, options=options)
    if study is None:
        raise TableError(p for p in problems if p.severity == "stop")
    return study


def inspect_study(
    folder: Path | str,
    *,
    without_parts: bool = False,
    given: Mapping[str, pd.DataFrame] | None = None,
    options: StudyOptions | None = None,
) -> tuple[StudyTables | None, tuple[Problem, ...]]:
    """
    Read a study folder and return everything that was found, without raising.

    without_parts: leave field estimates in parts unread, for whoever reads them piece by piece.
    given, options: as for `read_study`.
    Returns study: None when something stops it.
    Returns problems: stops first, then what was set aside, then notes.
    """
    folder, findings = Path(folder), Findings()
    if given is not None:
        options = options or StudyOptions()
    elif not folder.is_dir():
        findings.tell("not_a_folder" if folder.exists() else "no_study_folder", str(folder))
        return None, findings.stops
    elif (name := folder.resolve().name) != (shown := shown_name(name)):
        findings.tell("unreadable_name", shown)
        return None, findings.stops
    elif not (folder / STUDY_FILE).is_file():  # all else would only follow from it
        read_study_file(folder, findings)
        return None, findings.stops
    options = read_study_file(folder, findings) if options is None else options
    reading = _Reading(folder, findings, options, given, without_parts)
    if first := tuple(p for p in findings.stops if _all_else_follows(p)):
        return None, first
    study = reading.study()
    problems = study.told(without_consequences(findings.problems))
    if findings.stops:
        return None, problems
    return study, problems


def _all_else_follows(problem: Problem) -> bool:
    """Tell whether tables would be read by other rules than the study's: they are open, or no TOML."""
    unread = problem.file == STUDY_FILE and problem.reason == "unreadable_file"
    return unread or problem.reason == UNDECIDED


@dataclass
class _Reading:
    """One pass over a study folder."""

    folder: Path
    findings: Findings
    options: StudyOptions
    given: Mapping[str, pd.DataFrame] | None
    without_parts: bool
    parts: PartReader | None = None

    def __post_init__(self) -> None:
        """Find the tables, and read those that are folders of dated exports."""
        folder, options, findings = self.folder, self.options, self.findings
        self.inputs = [
            InputFile(name, digest, None)
            for name in (STUDY_FILE, PUBLISHED_FILE)
            if self.given is None
            and not path_problem(folder, name)
            and (folder / name).is_file()
            and (digest := digest_if_readable(folder / name))
        ]
        self.zone = options.study.time_zone
        if self.given is None:
            self.paths = find_tables(folder, options, findings)
        else:
            self.paths = {name: name for name in TABLES if name in self.given}
            require_tables(set(self.given), findings)
        self.names = shared_files(folder, self.paths, options, findings)
        self.ids, source = read_id_map(folder, options.study.id_map, findings)
        self.inputs += [] if source is None else [source]
        self.rows_read: dict[str, int] = {}
        self.exports = self.read_exports()

    def study(self) -> StudyTables:
        """Return all tables, checked as far as they can be."""
        raw = {name: self.raw(table) for name, table in TABLES.items()}
        found = {name: self.found(name, table, raw) for name, table in FOLDERS.items()}
        with_value = (
            ["field_estimates"] if found["breaths"].parts else ["lab_tests", "field_estimates"]
        )
        for one in (one for name in with_value for one in self.raws(name, raw)):
            require_vo2max(one)
        people = self.people(raw)
        checked = self.checked(raw, people, frozenset(found["breaths"].parts))
        counts = {"athletes": people.withdrawn_rows}
        counts |= {name: table.withdrawn_rows for name, table in checked.items()}
        parts: dict[str, Any] = {}
        for name, owner in OWNERS.items():
            known = (found[name], checked[owner], people, self.findings)
            parts[name], gone, inputs = match_parts(*known)
            if found[name].count:
                self.names[name], self.rows_read[name] = found[name].folder, found[name].count
                self.inputs += inputs
                counts[name] = gone
        raw_ids = checked["lab_tests"].withdrawn_keys | checked["sessions"].withdrawn_keys
        keep(self.folder, people.withdrawn, raw_ids, self.findings)
        self.note(people, checked)
        frames: dict[str, Any] = {name: table.in_words() for name, table in checked.items()}
        in_parts = "" if self.parts is None else self.parts.table.name  # asked one by one
        held = {name: one for name, one in frames.items() if name != in_parts}
        doubt_tables(self.options, held, self.names, self.findings)
        said = without_consequences(self.findings.problems)
        many = {} if self.parts is None else {self.parts.name: self.parts.files}
        return StudyTables(
            folder=self.folder,
            options=self.options,
            athletes=people.frame,
            **frames,
            **parts,
            set_aside=self.findings.ledger(),
            withdrawn={self.names[name]: rows for name, rows in counts.items() if rows},
            problems=tuple(one for one in said if one.severity != "stop"),
            rows_read=self.rows_read,
            people_listed=self.people_listed(),
            names=self.names,
            inputs=tuple(self.inputs),
            parts=self.parts,
            given=self.given,
            without_value=checked["field_estimates"].without_value,
            laboratory_only=not set(_FIELD_BUILDERS) & set(self.names),
            many=many | {one.name: one.files for one in self.exports.values()},
        )

    def found(self, name: str, table: Table, raw: dict[str, RawTable]) -> PartFolder:
        """Return a folder with a file for each row of a table; of a study without files, empty."""
        if self.given is not None:
            return PartFolder(self.folder, table, name, {})
        keys = frozenset[str]().union(*map(keys_of, self.raws(OWNERS[name], raw)))
        return find_parts(self.folder, table, self.options.form(name), self.findings, keys)

    def people(self, raw: dict[str, RawTable]) -> Athletes:
        """Return the athletes, of exports those still listed, and who withdrew now or before."""
        before, file = read_kept(self.folder, self.findings), self.names.get("athletes")
        if file is None or "athletes" in self.rows_read:
            require_athletes(before, file, raw["athletes"].theirs, self.findings)
        gone = people_gone(self.raws("athletes", raw), self.ids, self.findings)
        people = Athletes(withdrawn=before.marking(gone))
        build = partial(athletes_table, id_map=self.ids, withdrawn=people.withdrawn)
        table = self.together("athletes", raw, people, build)
        if self.rows_read.get("athletes"):  # an empty table is no list of who takes part
            # who the laboratory watches itself by is no athlete of the study, listed or not
            control = self.options.control.athlete_id
            people = replace(people, known=table.people | ({control} if control else set()))
        return replace(people, frame=table.frame, withdrawn_rows=table.withdrawn_rows)

    def people_listed(self) -> int:
        """Return the rows of the list of people, of dated exports those of the newest."""
        if "athletes" in self.exports:
            return sum(one.rows for one in self.exports["athletes"].read[-1:])
        return self.rows_read.get("athletes", 0)

    def checked(
        self, raw: dict[str, RawTable], people: Athletes, breath_ids: frozenset[str]
    ) -> dict[str, CheckedTable]:
        """Return the tables of tests and of field values, checked."""
        known: dict[str, Any] = {"athletes": people, "id_map": self.ids}
        tests = partial(lab_table, **known, options=self.options, breath_ids=breath_ids)
        checked = {"lab_tests": self.together("lab_tests", raw, people, tests)}
        require_one_rule(raw["lab_tests"], checked["lab_tests"].frame, breath_ids, self.options)
        for name, build in _FIELD_BUILDERS.items():
            rows = partial(build, **known, zone=self.zone)
            checked[name] = self.together(name, raw, people, rows)
            if not self.is_folder(name) or name in self.exports:
                continue
            table, folder = TABLES[name], self.names[name]
            files = find_table_parts(self.folder, folder, table, self.findings)
            if files:
                read = (self.folder, folder, files, table, self.options.form(name))
                self.parts = PartReader(*read, people, self.ids, self.zone, build)
                if not self.without_parts:
                    checked[name] = self.all_parts(self.parts, checked[name])
        return checked

    def raw(self, table: Table) -> RawTable:
        """Return one table as read; without rows when the study does not have it."""
        form, file = self.options.form(table.name), self.names.get(table.name)
        if file is None or self.is_folder(table.name):
            return unread(table, form, self.findings)
        path = self.paths[table.name]
        if self.given is None:
            read = read_table(self.folder / path, file, table, form, self.findings)
        else:
            read = frame_table(self.given[table.name], table, form, self.findings)
        if read is None:
            return unread(table, form, self.findings)
        self.rows_read[table.name] = len(read.rows)
        if self.given is None and path not in {one.name for one in self.inputs}:
            self.inputs.append(InputFile(path, read.digest, len(read.rows)))
        return read

    def raws(self, name: str, raw: Mapping[str, RawTable]) -> list[RawTable]:
        """Return a table as read, or each export of it."""
        return self.exports[name].raws() if name in self.exports else [raw[name]]

    def is_folder(self, name: str) -> bool:
        """Whether a table is a folder: of parts, or of dated exports."""
        read = self.given is None and name in self.names
        return read and (self.folder / self.names[name]).is_dir()

    def read_exports(self) -> dict[str, Exports]:
        """Return each table that is a folder of dated exports, read."""
        found = {}
        for name, table in TABLES.items():
            folder, form = self.folder / self.names.get(name, ""), self.options.form(name)
            if self.is_folder(name) and holds_exports(folder, table, form):
                files = find_exports(self.folder, self.names[name], table, self.findings)
                found[name] = Exports(self.names[name], files, table, self.ids, self.zone)
                found[name].read_all(self.folder, form)
        return found

    def together(
        self,
        name: str,
        raw: dict[str, RawTable],
        people: Athletes,
        build: Callable[[RawTable], CheckedTable],
    ) -> CheckedTable:
        """Return one table, checked; of its exports the newest row each."""
        if (exports := self.exports.get(name)) is None:
            return build(raw[name])
        exports.people, exports.build = people, build
        nothing = build(unread(TABLES[name], self.options.form(name), Findings()))
        whole = self.all_parts(exports, nothing)
        exports.tell(self.findings)
        return whole

    def all_parts(self, reader: PartReader | Exports, nothing: CheckedTable) -> CheckedTable:
        """Return a table in parts as one; `nothing` is the table without rows."""
        whole, inputs = whole_table(reader, nothing, self.findings)
        self.rows_read[reader.table.name] = sum(part.rows or 0 for part in inputs)
        self.inputs += inputs
        return whole

    def note(self, people: Athletes, checked: dict[str, CheckedTable]) -> None:
        """Note likely ids, of the athletes table's or else the laboratory's, and what is not used."""
        known_name = "athletes" if people.known is not None else "lab_tests"
        known = checked["lab_tests"].people if people.known is None else people.known
        known_file, lab_file = self.names.get(known_name, ""), self.names.get("lab_tests", "")
        for name, table in checked.items():
            if name != known_name and name in self.names:
                unknown = table.people - known
                note_likely_matches(self.names[name], unknown, known, known_file, self.findings)
        if self.given is None:
            used = [*self.paths.values(), *self.names.values()]
            note_unused(self.folder, self.options, used, people.withdrawn, self.findings)
        note_empty_tables(self.names, self.rows_read, self.findings)
        note_margin(self.options, checked["lab_tests"].frame, lab_file, self.findings)
