"""Which file of a study folder holds which table, and what is to be said of the folder as a whole."""

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from agreement.tables.columns import (
    FIELD_TABLES,
    FOLDERS,
    PARQUET_ENDING,
    TABLE_ENDINGS,
    TABLES,
    UNREAD_ENDINGS,
    Table,
    not_read,
)
from agreement.tables.export_folders import holds_exports
from agreement.tables.findings import Findings, Words
from agreement.tables.headers import refuse_unread_people
from agreement.tables.options import FileFormat, StudyOptions
from agreement.tables.paths import KEPT_FILE, KEY_FILE, path_problem
from agreement.tables.withdrawn import Withdrawn

if TYPE_CHECKING:
    import pandas as pd

_REQUIRED: Final = "lab_tests"
# what a study folder holds beside its tables
_OF_A_STUDY: Final = {
    "study.toml", "published.toml", "readme.txt", "readme.md", "origin.md", "originals",
    "truth.json", KEY_FILE, KEPT_FILE,
}  # fmt: skip


def find_tables(folder: Path, options: StudyOptions, findings: Findings) -> dict[str, str]:
    """Return the file or folder of each table; what is missing or doubled is a stop."""
    names = sorted(p.name + "/" * p.is_dir() for p in folder.iterdir() if p.is_file() or p.is_dir())
    files: dict[str, str] = {}
    unread: set[str] = set()
    for table in TABLES.values():
        stated = options.form(table.name).path
        file = (
            _stated_file(folder, table, stated, findings)
            if stated is not None
            else _found_file(folder, table, names, findings)
        )
        if file is not None:
            files[table.name] = file
        named = [one for one in names if one.casefold().startswith(f"{table.name}.")]
        others = [one for one in named if one.casefold().endswith(UNREAD_ENDINGS)]
        others = [one for one in others if not one.casefold().endswith(table.endings)]
        for name in others if stated is None else ():  # packed, or in another form
            unread.add(table.name)
            told: Words = {"what": not_read(table.name, table.endings), "table": table.name}
            findings.tell("unread_file" if file is None else "unread_beside", name, **told)
    refuse_unread_people(folder, files.get("athletes"), findings)
    # a table whose file has a problem is not missing on top of it
    stated_tables = {name for name, form in options.files.items() if form.path is not None}
    require_tables(stated_tables | unread | set(files), findings)
    return files


def _stated_file(folder: Path, table: Table, stated: str, findings: Findings) -> str | None:
    """Return the file that the study file names, if it is there."""
    if path_problem(folder, stated):
        return None  # reported with the study file
    path = Path(stated.replace("\\", "/"))
    if _is_folder_of(folder / path, table):
        return path.as_posix()
    if not (folder / path).is_file():
        findings.tell("stated_file_missing", stated, table=table.name)
        return None
    if not path.name.casefold().endswith(table.endings):
        endings = ", ".join(table.endings)
        findings.tell("another_ending", stated, table=table.name, endings=endings)
        return None
    return path.as_posix()


def _found_file(folder: Path, table: Table, names: list[str], findings: Findings) -> str | None:
    """Return the one file named like the table, or the folder of its parts."""
    known = {table.name + end for end in table.endings}
    found = [
        n.removesuffix("/")
        for n in names
        if n.casefold() in known
        or (n.casefold() == f"{table.name}/" and _is_folder_of(folder / n, table))
    ]
    if len(found) > 1:
        findings.tell("two_files", found[1], table=table.name, found=" and ".join(found))
    if not found:
        return None
    if problem := path_problem(folder, found[0]):
        findings.tell("path_outside", found[0], problem=problem)
        return None
    return found[0]


def _is_folder_of(path: Path, table: Table) -> bool:
    """Whether a folder holds a table: in parts, or as dated exports."""
    return path.is_dir() and (table.in_parts or holds_exports(path, table, FileFormat()))


def require_tables(tables: set[str], findings: Findings) -> None:
    """Stop when the study lacks what every study needs."""
    if _REQUIRED not in tables:
        findings.tell("no_lab_tests", "lab_tests.csv")
    elif not set(FIELD_TABLES) & tables:
        names = ", ".join(f"{name}.csv" for name in FIELD_TABLES)
        findings.tell("laboratory_only", "lab_tests.csv", tables=names)


def shared_files(
    folder: Path, paths: Mapping[str, str], options: StudyOptions, findings: Findings
) -> dict[str, str]:
    """
    Return what each table's file is called, one that serves several tables by table.

    A file for two tables of which one does not say its columns is a stop: it would count twice.
    """
    names = dict(paths)
    tables: dict[Path, list[str]] = {}
    stated = {name: form.path for name, form in options.files.items() if form.path}
    raw = {name: stated.get(name, name) for name in FOLDERS}
    for table, path in {**paths, **raw}.items():
        tables.setdefault((folder / path).resolve(), []).append(table)
    for same in tables.values():
        if len(same) == 1:
            continue
        path, forms = paths.get(same[0], raw.get(same[0], "")), options.files
        if all(one in paths and one in forms and forms[one].columns for one in same):
            names |= {table: f"{path} ({table})" for table in same}
        else:
            findings.tell("one_for_two", path, tables=" and as ".join(same), last=same[-1])
    return names


def note_unused(
    folder: Path,
    options: StudyOptions,
    used: Sequence[str],
    withdrew: Withdrawn,
    findings: Findings,
) -> None:
    """Note what no table uses, and the line that would; ids of who withdrew are not told."""
    known = {*_OF_A_STUDY, *(name.split("/")[0].casefold() for name in used)}
    stated = (*(one.path for one in options.files.values()), options.study.id_map)
    known |= {first.casefold() for one in stated if one for first in Path(one).parts[:1]}
    known |= {name.casefold() for name in options.no_tables}
    said = {problem.file.split("/")[0].casefold() for problem in findings.problems}
    for path in sorted(folder.iterdir()):
        name = path.name.encode("utf-8", "replace").decode()
        if name.casefold() in known | said or name.startswith((".", "~$")):
            continue
        words = (path.stem, *re.split(r"[\s_.]+", path.stem))
        if any(withdrew.is_like(w, listed=False) or withdrew.is_raw(w) for w in words):
            continue
        if not (path.is_file() or path.is_dir()) and path.stem.casefold() in TABLES:
            findings.tell("leads_nowhere", name)
        elif path.is_dir():
            findings.tell("unused_folder", name, path=name)
        elif name.casefold().endswith(TABLE_ENDINGS) or path.suffix.casefold() == PARQUET_ENDING:
            named = {Path(one).name.split(".")[0].casefold(): one for one in used}
            free = [table for table in TABLES if table not in named] or list(TABLES)
            own = path.stem.casefold()
            copied = next((t for t in TABLES if t in named and own.startswith(t)), None)
            if copied is not None and own not in TABLES:
                findings.tell("file_beside", name, read=named[copied])
                continue
            findings.tell("unused_file", name, path=name, table=own if own in TABLES else free[0])
        else:
            findings.tell("unused_form", name)


def note_empty_tables(
    names: Mapping[str, str], rows_read: Mapping[str, int], findings: Findings
) -> None:
    """Note that there is no laboratory test yet, or no field value."""
    if rows_read.get("lab_tests") == 0:
        findings.tell("no_tests_yet", names["lab_tests"])
    field = [name for name in FIELD_TABLES if name in names]
    if field and all(rows_read.get(name) == 0 for name in field):
        findings.tell("no_field_values_yet", ", ".join(names[name] for name in field))


def note_margin(
    options: StudyOptions, tests: "pd.DataFrame", file: str, findings: Findings
) -> None:
    """Note a limit that says not what it is about, was looked at too often, or was agreed too late."""
    agreed = options.margin
    if agreed.limit is not None and agreed.against is None:
        findings.tell("against_not_stated", "study.toml")
    if agreed.limit is not None and agreed.look > (planned := agreed.planned_looks):
        findings.tell("looks_used", "study.toml", look=agreed.look, planned=planned)
    if agreed.limit is not None and (agreed.mean_limit or 0.0) > agreed.limit:
        told: Words = {"one": agreed.limit, "mean": agreed.mean_limit}
        findings.tell("mean_limit_wider", "study.toml", **told)
    dates = tests.loc[tests["athlete_id"] != options.control.athlete_id, "date"].dropna()
    if agreed.agreed_on is None or dates.empty or agreed.agreed_on <= (first := dates.min().date()):
        return
    findings.tell("late_margin", "study.toml", day=agreed.agreed_on, first=first, tests=file)
