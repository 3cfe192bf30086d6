"""Which file of a study folder holds which table."""

from pathlib import Path
from typing import Final

from agreement.tables.columns import FIELD_TABLES, TABLES, UNPACK, UNREAD_ENDINGS, Table, not_read
from agreement.tables.export_folders import holds_exports
from agreement.tables.findings import Findings
from agreement.tables.options import FileFormat, StudyOptions
from agreement.tables.paths import path_problem
from agreement.tables.unread_people import refuse_unread_people

_REQUIRED: Final = "lab_tests"


def find_tables(folder: Path, options: StudyOptions, findings: Findings) -> dict[str, str]:
    """
    Return the file of each table that the study has; what is missing or doubled is a stop.

    options: may name files.
    Returns: paths inside the folder by table name; of a table in parts, its folder.
    """
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
        elif stated is None and _only_unread(table, names, findings):
            unread.add(table.name)
        if stated is None and file is not None:
            _note_unread(table, names, findings)
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


def _unread(table: Table, names: list[str]) -> list[str]:
    """Return the files named like the table that are packed or written in another form."""
    return [
        name
        for name in names
        if name.casefold().startswith(f"{table.name}.")
        and name.casefold().endswith(UNREAD_ENDINGS)
        and not name.casefold().endswith(table.endings)
    ]


def _only_unread(table: Table, names: list[str], findings: Findings) -> bool:
    """Stop when the only file named like the table cannot be read."""
    found = _unread(table, names)
    for name in found:
        findings.stop("unreadable_file", name, not_read(table.name, table.endings), UNPACK)
    return bool(found)


def _note_unread(table: Table, names: list[str], findings: Findings) -> None:
    """Note a file named like the table that lies beside the one that is read."""
    for name in _unread(table, names):
        what = f"{not_read(table.name, table.endings)} Another file is read as {table.name}."
        findings.note("unread_file", name, what, "Delete it if it holds the same rows.")


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
