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
    UNPACK,
    UNREAD_ENDINGS,
    Table,
    not_read,
)
from agreement.tables.export_folders import holds_exports
from agreement.tables.findings import Findings
from agreement.tables.options import FileFormat, StudyOptions
from agreement.tables.paths import path_problem
from agreement.tables.study_key import KEY_FILE
from agreement.tables.unread_people import refuse_unread_people
from agreement.tables.withdrawn import KEPT_FILE, Withdrawn

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
        stated = options.files.get(table.name, FileFormat()).path
        file = (
            _stated_file(folder, table, stated, findings)
            if stated is not None
            else _found_file(folder, table, names, findings)
        )
        if file is not None:
            files[table.name] = file
        if stated is None and _tell_unread(table, names, findings, read=file is not None):
            unread.add(table.name)
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
        remedy = f"Correct path in [files.{table.name}] of study.toml."
        findings.stop("missing_file", stated, f"The file of {table.name} is missing.", remedy)
        return None
    if not path.name.casefold().endswith(table.endings):
        what = f"A table {table.name} is read from files ending in {', '.join(table.endings)}."
        findings.stop("unreadable_file", stated, what, "Save it in one of these forms.")
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
        what = f"Two files could be the table {table.name}: {' and '.join(found)}."
        remedy = f"Keep one, or set path in [files.{table.name}] of study.toml."
        findings.stop("two_files", found[1], what, remedy)
    if not found:
        return None
    if problem := path_problem(folder, found[0]):
        findings.stop("path_outside", found[0], problem, "Put the file itself there.")
        return None
    return found[0]


def _is_folder_of(path: Path, table: Table) -> bool:
    """Whether a folder holds a table: in parts, or as dated exports."""
    return path.is_dir() and (table.in_parts or holds_exports(path, table, FileFormat()))


def _tell_unread(table: Table, names: list[str], findings: Findings, *, read: bool) -> bool:
    """Tell of files named like the table that are packed or in another form; stop if none is read."""
    named = [one for one in names if one.casefold().startswith(f"{table.name}.")]
    unread = [one for one in named if one.casefold().endswith(UNREAD_ENDINGS)]
    unread = [one for one in unread if not one.casefold().endswith(table.endings)]
    what = not_read(table.name, table.endings)
    for name in unread:
        if read:
            beside = f"{what} Another file is read as {table.name}."
            findings.note("unread_file", name, beside, "Delete it if it holds the same rows.")
        else:
            findings.stop("unreadable_file", name, what, UNPACK)
    return bool(unread)


def require_tables(tables: set[str], findings: Findings) -> None:
    """Stop when the study lacks what every study needs."""
    if _REQUIRED not in tables:
        what = "The table of laboratory tests is missing."
        remedy = "Add lab_tests.csv, or name its file in [files.lab_tests] of study.toml."
        findings.stop("missing_file", "lab_tests.csv", what, remedy)
    elif not set(FIELD_TABLES) & tables:
        what = "There is no table of field values, so the report is of the laboratory by itself."
        remedy = f"To compare, add one of {', '.join(f'{n}.csv' for n in FIELD_TABLES)}."
        findings.note("laboratory_only", "lab_tests", what, remedy)


def shared_files(
    folder: Path, paths: Mapping[str, str], options: StudyOptions, findings: Findings
) -> dict[str, str]:
    """
    Return what each table's file is called, one that serves several tables by table.

    paths: table -> file.
    options: says for each table of such a file which columns are its own.
    findings: gets a file for two tables of which one does not say it, as a stop: what is in it
        would count twice.
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
        path = paths.get(same[0], raw.get(same[0], ""))
        if all(
            one in paths and one in options.files and options.files[one].columns for one in same
        ):
            names |= {table: f"{path} ({table})" for table in same}
            continue
        what = f"It is read as {' and as '.join(same)}; each table needs a file of its own."
        remedy = (
            f"Correct path in [files.{same[-1]}] of study.toml, or delete that table; where the file "
            "holds both, say for each table by columns which are its own."
        )
        findings.stop("one_for_two", path, what, remedy)
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
    known |= {Path(one.path).parts[0].casefold() for one in options.files.values() if one.path}
    known |= {name.casefold() for name in options.no_tables}
    known |= {Path(options.study.id_map).parts[0].casefold()} if options.study.id_map else set()
    said = {problem.file.split("/")[0].casefold() for problem in findings.problems}
    for path in sorted(folder.iterdir()):
        name = path.name.encode("utf-8", "replace").decode()
        if name.casefold() in known | said or name.startswith((".", "~$")):
            continue
        words = (path.stem, *re.split(r"[\s_.]+", path.stem))
        if any(withdrew.is_like(w, listed=False) or withdrew.is_raw(w) for w in words):
            continue
        if not (path.is_file() or path.is_dir()) and path.stem.casefold() in TABLES:
            what = "It is a link that leads nowhere, or no file: its rows would be missing."
            findings.stop("unreadable_file", name, what, "Put the file there, or delete the name.")
            continue
        if path.is_dir():
            what = "No table uses this folder."
            remedy = f'If it holds recordings, set path = "{name}" in [files.samples] or [files.breaths].'
        elif name.casefold().endswith(TABLE_ENDINGS) or path.suffix.casefold() == PARQUET_ENDING:
            named = {Path(one).name.split(".")[0].casefold() for one in used}
            free = [table for table in TABLES if table not in named] or list(TABLES)
            what = "No table uses this file."
            remedy = (
                f'If it is a table, set path = "{name}" in [files.{free[0]}] of study.toml, or in that '
                "of another table; `agreement new DIR --from FILE` proposes how to read it."
            )
        else:
            what = "No table uses this file, and files of this form are not read."
            remedy = (
                "Save what it holds as CSV: a table with the columns of `agreement new`, or a "
                "recording with t_s, hr_bpm, speed_m_s or power_w in samples/."
            )
        findings.note("unused_file", name, what, remedy)


def note_empty_tables(
    names: Mapping[str, str], rows_read: Mapping[str, int], findings: Findings
) -> None:
    """Note that there is no laboratory test yet, or no field value."""
    if rows_read.get("lab_tests") == 0:
        what = "There are no rows yet, so nothing can be compared."
        findings.note("empty_table", names["lab_tests"], what, "Fill in the laboratory tests.")
    field = [name for name in FIELD_TABLES if name in names]
    if field and all(rows_read.get(name) == 0 for name in field):
        files = ", ".join(names[name] for name in field)
        what = "There are no rows yet, so there is no field value."
        findings.note("empty_table", files, what, "Fill in at least one of them.")


def note_margin(
    options: StudyOptions, tests: "pd.DataFrame", file: str, findings: Findings
) -> None:
    """Note a limit that says not what it is about, or was agreed after the first laboratory test."""
    agreed = options.margin
    if agreed.limit is not None and agreed.against is None:
        what = (
            "The limit does not say what it is about, so it is judged against one laboratory test."
        )
        remedy = 'Set against in [margin] to "laboratory test" or "true value", as it was agreed.'
        findings.note("against_not_stated", "study.toml", what, remedy)
    dates = tests.loc[tests["athlete_id"] != options.control.athlete_id, "date"].dropna()
    if agreed.agreed_on is None or dates.empty or agreed.agreed_on <= (first := dates.min().date()):
        return
    late = f"The limit was agreed on {agreed.agreed_on}, after the first laboratory test"
    remedy = "The report will show the numbers and withhold the verdict."
    findings.note("late_margin", "study.toml", f"{late} ({first}, {file}).", remedy)
