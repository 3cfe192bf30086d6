"""
What is to be said of a study as a whole.

One file for two tables, nothing filled in yet, a limit agreed too late.
"""

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from agreement.tables.findings import Findings

if TYPE_CHECKING:
    import pandas as pd

FIELD_TABLES = ("field_estimates", "field_tests", "sessions")


def refuse_one_for_two(folder: Path, names: Mapping[str, str], findings: Findings) -> None:
    """Stop when two tables are one file or folder: what is in it would count twice."""
    tables: dict[Path, list[str]] = {}
    for table, name in names.items():
        tables.setdefault((folder / name).resolve(), []).append(table)
    for same in tables.values():
        if len(same) > 1:
            what = f"It is read as {' and as '.join(same)}; each table needs a file of its own."
            remedy = f"Correct path in [files.{same[-1]}] of study.toml, or delete that table."
            findings.stop("one_for_two", names[same[0]], what, remedy)


def note_empty_tables(
    names: Mapping[str, str], rows_read: Mapping[str, int], findings: Findings
) -> None:
    """
    Note that there is no laboratory test yet, or no field value.

    Parameters
    ----------
    names : mapping of str to str
        Table -> file.
    rows_read : mapping of str to int
        Table -> rows; a table in parts is not in it.
    findings : Findings
    """
    if rows_read.get("lab_tests") == 0:
        what = "There are no rows yet, so nothing can be compared."
        findings.note("empty_table", names["lab_tests"], what, "Fill in the laboratory tests.")
    field = [name for name in FIELD_TABLES if name in names]
    if field and all(rows_read.get(name) == 0 for name in field):
        files = ", ".join(names[name] for name in field)
        what = "There are no rows yet, so there is no field value."
        findings.note("empty_table", files, what, "Fill in at least one of them.")


def note_late_margin(
    agreed_on: date | None, lab_dates: "pd.Series[pd.Timestamp]", file: str, findings: Findings
) -> None:
    """Note that the limit was agreed after the first laboratory test, so that no verdict is given."""
    if agreed_on is None or lab_dates.dropna().empty:
        return
    first = lab_dates.min().date()
    if agreed_on > first:
        findings.note(
            "late_margin",
            "study.toml",
            f"The limit was agreed on {agreed_on}, after the first laboratory test ({first}, {file}).",
            "The report will show the numbers and withhold the verdict.",
        )
