"""An empty study folder: every file with its columns, every key with its meaning."""

from importlib.resources import files
from pathlib import Path
from typing import Final

from agreement.errors import OutputError
from agreement.tables.averaging_rule import GRAMMAR
from agreement.tables.columns import FOLDERS, TABLES, VO2MAX_COLUMNS
from agreement.tables.whole_output import whole_folder

STUDY_FILE_TEXT: Final = (files("agreement.tables") / "new_study.toml").read_text("utf-8")
GUIDE: Final = (files("agreement.tables") / "new_study.txt").read_text("utf-8")
MEANINGS: Final = {
    "athletes": "one row per person; withdrawn = yes removes a person from every output",
    "lab_tests": "one row per laboratory test (required)",
    "field_estimates": "one row per value that a device or a service gave",
    "field_tests": "one row per field test, or per stage of it",
    "sessions": "one row per training session, if sessions are to give an estimate or a profile",
}


def new_study(folder: Path) -> None:
    """Write a commented study folder, new or empty, that passes `check` once it is filled."""
    with whole_folder(folder, refuse_used) as place:
        tables = {f"{name}.csv": ",".join(one.columns) + "\n" for name, one in TABLES.items()}
        texts = {"study.toml": STUDY_FILE_TEXT, "README.txt": _guide(), **tables}
        for name, text in texts.items():
            (place / name).write_text(text, encoding="utf-8", newline="\n")


def worked_example(folder: Path) -> None:
    """Write a filled study, as `new_study` does: a printed table of 31 men, and its figures."""
    with whole_folder(folder, refuse_used) as place:
        for source in (files("agreement.tables") / "worked_example").iterdir():
            (place / source.name).write_bytes(source.read_bytes())


def refuse_used(folder: Path) -> None:
    """Stop when a new study would come into a folder that holds something."""
    if folder.is_file():
        raise OutputError(f"{folder} is a file; name a new folder.")
    if folder.is_dir() and any(folder.iterdir()):
        raise OutputError(f"{folder} is not empty; name a new folder.")


def _guide() -> str:
    tables, folders = [], []
    for name, table in TABLES.items():
        tables += ["", f"{name}.csv: {MEANINGS[name]}"]
        for column, one in table.columns.items():
            codes = f": {', '.join(one.codes)}" if one.codes else ""
            tables.append(f"  {'*' if one.required else ' '} {column}{codes}")
        if set(VO2MAX_COLUMNS) <= set(table.columns):
            tables.append(f"    (one of {', '.join(VO2MAX_COLUMNS)} is enough)")
    for name, table in FOLDERS.items():
        columns = ", ".join(f"{c}{'*' if one.required else ''}" for c, one in table.columns.items())
        folders.append(f"  {name}/<{table.ledger_id}>.csv with {columns}")
    return GUIDE.format(tables="\n".join(tables), rules=GRAMMAR, folders="\n".join(folders))
