"""
The folders of raw files: which file belongs to which laboratory test or session.

A file is named after the one row it belongs to; a file of samples may also hold many sessions.
"""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from agreement.tables.columns import BREATHS, SAMPLES, Table
from agreement.tables.findings import Findings
from agreement.tables.options import FileFormat
from agreement.tables.paths import path_problem
from agreement.tables.sample_parts import SESSION, holds_sessions, sessions_in

_PAPERS: Final = (".pdf", ".png", ".jpg", ".jpeg", ".md", ".html", ".docx", ".odt")  # no recordings


@dataclass(frozen=True, slots=True)
class PartFolder:
    """The raw file of every id, several ids may share one; `unread`: those in a form not read."""

    folder: str
    parts: dict[str, Path]
    unread: dict[str, Path] = field(default_factory=dict)

    @property
    def owners(self) -> list[str]:
        """Id of the row that each file belongs to, as its name or its rows say."""
        return [*self.parts, *(path.stem.removesuffix(".csv") for path in self.unread.values())]

    @property
    def count(self) -> int:
        """Number of raw files' ids, read or not."""
        return len(self.parts) + len(self.unread)


def find_parts(study: Path, table: Table, form: FileFormat, findings: Findings) -> PartFolder:
    """
    Return the raw files of a folder.

    Parameters
    ----------
    study : Path
        The study folder.
    table : Table
        `breaths` or `samples`.
    form : FileFormat
        What the study file states, such as another path of the folder.
    findings : Findings
        Gets two files for one id, links that lead outside, and a folder in which only some files
        name the sessions of their rows, as stops.

    Returns
    -------
    PartFolder
        Empty when there is no such folder; a stop if the study file states it.
    """
    stated = form.path
    name = stated or table.name
    if path_problem(study, name):
        return PartFolder(name, {})  # reported with the study file
    folder = study / name
    if not folder.is_dir():
        if stated:
            findings.stop("missing_file", name, "There is no such folder.", "Correct the path.")
        return PartFolder(name, {})
    parts: dict[str, Path] = {}
    unread: dict[str, Path] = {}
    kinds: dict[bool, str] = {}  # whether files name their sessions, with the last such file
    for path in sorted(folder.iterdir()):
        ending = next((e for e in table.endings if path.name.casefold().endswith(e)), None)
        if not path.is_file() or path.name.startswith("."):
            continue
        file = f"{name}/{path.name}"
        if ending is None:
            if path.suffix.casefold() not in _PAPERS:
                unread[path.name] = path
            continue
        if file != (shown := file.encode("utf-8", "replace").decode()):
            what = "The name of the file is not text that can be read."
            findings.stop("unreadable_file", shown, what, "Give the file a plain name.")
            continue
        if problem := path_problem(study, file):
            findings.stop("path_outside", file, problem, "Put the file itself there.")
            continue
        many = SESSION in table.columns and holds_sessions(path, file, form, findings)
        if many is None:
            continue
        kinds[many] = file
        own = path.name[: -len(ending)].strip()
        for part_id in sessions_in(path, file, form, findings) if many else [own]:
            if part_id in parts:
                what = f"'{part_id}' has two files: {parts[part_id].name} and {path.name}."
                findings.stop("two_files", name, what, "Keep it in one of them.")
                continue
            parts[part_id] = path
    if len(kinds) == 2:
        what = f"The column '{SESSION}' is missing, which {kinds[True]} has."
        remedy = "Either every file of the folder names the session of each row, or none does."
        findings.stop("missing_column", kinds[False], what, remedy, column=SESSION)
    return PartFolder(name, parts, unread)


def match_parts(
    found: PartFolder,
    kept: frozenset[str],
    all_keys: frozenset[str],
    withdrawn: frozenset[str],
    row_name: str,
    findings: Findings,
) -> tuple[dict[str, Path], int]:
    """
    Return the raw files whose row is in the study; the others are set aside, one line each.

    Parameters
    ----------
    found : PartFolder
        The files.
    kept, all_keys, withdrawn : frozenset of str
        Ids of the rows that stay, of all rows of those who take part, and of those who withdrew.
    row_name : str
        What a row is called in messages.
    findings : Findings
        Collects the lines.

    Returns
    -------
    parts : dict of str to Path
    withdrawn : int
        Files of people who withdrew.
    """
    parts = {i: path for i, path in found.parts.items() if i in kept}
    gone = sum(i in withdrawn and i not in all_keys for i in found.parts)
    if gone:
        findings.withdraw(found.folder, gone)
    for reason, text, remedy, ids in (
        (
            "unknown_test",
            f"There is no {row_name} '{{}}' for this raw file.",
            f"Add the {row_name} to its table, or correct the name of the file.",
            [i for i in found.parts if i not in all_keys and i not in withdrawn],
        ),
        (
            "row_left_out",
            f"The {row_name} '{{}}' of this raw file was itself left out.",
            f"See what is said of the row of this {row_name}.",
            [i for i in found.parts if i in all_keys and i not in kept],
        ),
    ):
        files = {i: f"{found.folder}/{found.parts[i].name}" for i in ids}
        findings.leave_out_parts(reason, found.folder, files, text, remedy)
    return parts, gone + _leave_out_unread(found, all_keys, withdrawn, row_name, findings)


def _leave_out_unread(
    found: PartFolder,
    all_keys: frozenset[str],
    withdrawn: frozenset[str],
    row_name: str,
    findings: Findings,
) -> int:
    """Set aside the files in a form that is not read; return how many are of people who withdrew."""
    table = BREATHS if row_name == "laboratory test" else SAMPLES
    left = {}
    for name, path in found.unread.items():
        owner = path.stem.removesuffix(".csv")
        if owner in all_keys or owner not in withdrawn:
            left[owner if owner in all_keys else name] = path
    if gone := len(found.unread) - len(left):
        findings.withdraw(found.folder, gone)
    needed = ", ".join(n for n, one in table.columns.items() if one.required)
    text = f"The recording of '{{}}' is in a form that is not read; {', '.join(table.endings)} are."
    remedy = f"Save it as CSV with the columns {needed} and what else was recorded."
    files = {i: f"{found.folder}/{shown_name(path.name)}" for i, path in left.items()}
    some = {shown_name(i): file for i, file in files.items()}
    findings.leave_out_parts("unread_recording", found.folder, some, text, remedy)
    return gone


def shown_name(name: str) -> str:
    """Return the name of a file as text that can be written, whatever its bytes."""
    return name.encode("utf-8", "replace").decode()
