"""An empty study folder: every file with its columns, every key with its meaning."""

from importlib.resources import files
from pathlib import Path
from typing import Final

from agreement.errors import OutputError
from agreement.tables.averaging_rule import GRAMMAR
from agreement.tables.columns import FOLDERS, TABLES, VO2MAX_COLUMNS
from agreement.tables.whole_output import whole_folder

STUDY_FILE_TEXT: Final = (files("agreement.tables") / "new_study.toml").read_text("utf-8")
MEANINGS: Final = {
    "athletes": "one row per person; withdrawn = yes removes a person from every output",
    "lab_tests": "one row per laboratory test (required)",
    "field_estimates": "one row per value that a device or a service gave",
    "field_tests": "one row per field test, or per stage of it",
    "sessions": "one row per training session, if sessions are to give an estimate or a profile",
}


def new_study(folder: Path) -> None:
    """
    Write a commented study folder that passes `check` once it is filled.

    folder: made if needed; must be empty.
    Raises OutputError if the folder holds something already, or cannot be made.
    """
    with whole_folder(folder, refuse_used) as place:
        for name, text in _files().items():
            (place / name).write_text(text, encoding="utf-8", newline="\n")


def worked_example(folder: Path) -> None:
    """Write a filled study, as `new_study` does: a printed table of 31 men, and its figures."""
    with whole_folder(folder, refuse_used) as place:
        for source in (files("agreement.tables") / "worked_example").iterdir():
            (place / source.name).write_bytes(source.read_bytes())


def refuse_used(folder: Path) -> None:
    """Stop when a new study would come into a folder that holds something."""
    if folder.is_file() or (folder.is_dir() and any(folder.iterdir())):
        raise OutputError(f"{folder} is not empty; name a new folder.")


def _files() -> dict[str, str]:
    """Return the text of every file of an empty study."""
    tables = {f"{name}.csv": ",".join(table.columns) + "\n" for name, table in TABLES.items()}
    return {"study.toml": STUDY_FILE_TEXT, "README.txt": _guide(), **tables}


def _guide() -> str:
    """Return the explanation of the folder."""
    lines = [
        "A study folder: laboratory VO2max beside field values of it.",
        "",
        "1. Fill lab_tests.csv and at least one of field_estimates.csv, field_tests.csv and",
        "   sessions.csv. Delete the tables that you do not use. Workbooks (.xlsx) work too.",
        "2. Use codes as ids, never names. 007 stays 007.",
        "3. Set in study.toml what applies; every key is explained there.",
        "4. Run `agreement check` on this folder until nothing stops it, then `agreement report`.",
        "",
        "pseudonyms.key and withdrawn.keyed, once they are here, belong to the study: copy them with",
        "it and give them to nobody. The first turns pseudonyms back; the second keeps out whoever",
        "withdrew, whatever becomes of athletes.csv. A person marked by mistake: correct",
        "athletes.csv, delete withdrawn.keyed, run `agreement check`.",
        "",
        "Dates are written 2026-03-02, times 2026-03-02T09:30:00+01:00. Leave unknown cells empty.",
        "Columns with a * are required; delete the others if you have nothing for them.",
    ]
    for name, table in TABLES.items():
        lines += ["", f"{name}.csv: {MEANINGS[name]}"]
        for column, one in table.columns.items():
            star = "*" if one.required else " "
            codes = f": {', '.join(one.codes)}" if one.codes else ""
            lines.append(f"  {star} {column}{codes}")
        if set(VO2MAX_COLUMNS) <= set(table.columns):
            lines.append(f"    (one of {', '.join(VO2MAX_COLUMNS)} is enough)")
    lines += ["", f"averaging_rule: {GRAMMAR}."]
    lines += ["", "Raw files, if there are any, one per laboratory test or session:"]
    for name, table in FOLDERS.items():
        columns = ", ".join(f"{c}{'*' if one.required else ''}" for c, one in table.columns.items())
        lines.append(f"  {name}/<{table.ledger_id}>.csv with {columns}")
    lines += [
        "  session_id and lab_test_id are for files that hold many sessions or tests each, under any",
        "  name; a file of one does without it. Either every file has the column or none. Files may",
        "  lie in a folder for each person: P1/pre.csv is that of P1_pre, or else of pre.",
    ]
    return "\n".join(lines) + "\n"
