"""
What is to be said of a study as a whole.

One file for two tables, nothing filled in yet, a limit agreed too late.
"""

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from agreement.tables.columns import FIELD_TABLES, FOLDERS, PARQUET_ENDING, TABLE_ENDINGS, TABLES
from agreement.tables.findings import Findings
from agreement.tables.options import Margin, StudyOptions
from agreement.tables.study_key import KEY_FILE
from agreement.tables.withdrawn import KEPT_FILE, Withdrawn

if TYPE_CHECKING:
    import pandas as pd

# what a study folder holds beside its tables
_OF_A_STUDY: Final = frozenset(
    (
        "study.toml",
        "published.toml",
        "readme.txt",
        "readme.md",
        "origin.md",
        "originals",
        "truth.json",
        KEY_FILE,
        KEPT_FILE,
    )
)


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
    """
    Note each file and folder that no table uses, with the line that would use it.

    used: the files of the tables.
    withdrew: a file that carries an id of one of them is not named.
    """
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
        if path.is_dir():
            what = "No table uses this folder."
            remedy = f'If it holds recordings, set path = "{name}" in [files.samples] or [files.breaths].'
        elif name.casefold().endswith(TABLE_ENDINGS) or path.suffix.casefold() == PARQUET_ENDING:
            free = [t for t in TABLES if t not in _stated(used)] or list(TABLES)
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


def _stated(used: Sequence[str]) -> set[str]:
    """Return the tables whose files carry their own name."""
    return {Path(name).name.split(".")[0].casefold() for name in used}


def note_empty_tables(
    names: Mapping[str, str], rows_read: Mapping[str, int], findings: Findings
) -> None:
    """
    Note that there is no laboratory test yet, or no field value.

    names: table -> file.
    rows_read: table -> rows; a table in parts is not in it.
    """
    if rows_read.get("lab_tests") == 0:
        what = "There are no rows yet, so nothing can be compared."
        findings.note("empty_table", names["lab_tests"], what, "Fill in the laboratory tests.")
    field = [name for name in FIELD_TABLES if name in names]
    if field and all(rows_read.get(name) == 0 for name in field):
        files = ", ".join(names[name] for name in field)
        what = "There are no rows yet, so there is no field value."
        findings.note("empty_table", files, what, "Fill in at least one of them.")


def _note_yardstick(agreed: Margin, findings: Findings) -> None:
    """Note that a limit does not say whether it is about a laboratory test or the true value."""
    if agreed.limit is not None and agreed.against is None:
        findings.note(
            "against_not_stated",
            "study.toml",
            "The limit does not say what it is about, so it is judged against one laboratory test.",
            'Set against in [margin] to "laboratory test" or "true value", as it was agreed.',
        )


def note_margin(
    options: StudyOptions, tests: "pd.DataFrame", file: str, findings: Findings
) -> None:
    """Note a limit that says not what it is about, or was agreed after the first laboratory test."""
    _note_yardstick(options.margin, findings)
    agreed_on = options.margin.agreed_on
    lab_dates = tests.loc[tests["athlete_id"] != options.control.athlete_id, "date"]
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
