"""
Files that look like the athletes table and are read as none: they may say who withdrew.

A browser's second copy, a slip of the pen, an ending twice, a link that leads nowhere.
"""

import re
from difflib import SequenceMatcher
from pathlib import Path
from typing import Final

from agreement.tables.columns import TABLE_ENDINGS, UNREAD_ENDINGS
from agreement.tables.findings import Findings
from agreement.tables.headers import plain_name

NAME: Final = "athletes"
COLUMN: Final = "withdrawn"
_ENDINGS: Final = (*TABLE_ENDINGS, *UNREAD_ENDINGS)
_EXACT: Final = {NAME + ending for ending in _ENDINGS}
_ALIKE: Final = 0.86  # of SequenceMatcher: one letter missing, doubled, changed or swapped
_EXTRAS: Final = re.compile(r"\(\d+\)|\bcopy( of)?\b|\b(old|new|final|backup|bak|v?\d+)\b")


def refuse_unread_people(folder: Path, file: str | None, findings: Findings) -> None:
    """Stop at what looks like the athletes table beside, or instead of, the `file` read."""
    if any(stop.file == file for stop in findings.stops if file is not None):
        return
    for path in sorted(folder.iterdir()):
        name = path.name
        if name == file or name.startswith((".", "~$")) or not looks_like_people(name):
            continue
        lost = not path.exists()
        whole = path.is_file() and name.casefold().endswith(_ENDINGS)
        if file is None or whole or lost:
            shown = name.encode("utf-8", "replace").decode()
            _refuse(shown, file, findings, lost=lost, folder=path.is_dir())
    if file is None:
        for path in sorted(folder.glob("*/")):
            moved = [p.name for p in path.iterdir() if p.name.casefold() in _EXACT]
            if moved and not path.name.startswith("."):
                shown = f"{path.name}/{moved[0]}".encode("utf-8", "replace").decode()
                _refuse(shown, None, findings)


def _refuse(
    name: str, file: str | None, findings: Findings, *, lost: bool = False, folder: bool = False
) -> None:
    """Stop: nobody can tell whether people withdrew who are marked there only."""
    if any(stop.file == name for stop in findings.stops):
        return
    if lost:
        what = "It is a link that leads nowhere"
    elif folder:
        what = "It is a folder, and athletes are read from a file"
    else:
        what = "It looks like the athletes table and is not read"
    if file is None:
        findings.tell("unread_athletes", name, what=what)
    else:
        findings.tell("more_athletes", name, what=what, read=file)


def looks_like_people(name: str) -> bool:
    """
    Whether a file's name is likely to mean the athletes table.

    >>> [looks_like_people(n) for n in ("athletes (1).csv", "athlets.csv", "Athletes.csv.csv")]
    [True, True, True]
    >>> [looks_like_people(n) for n in ("lab_tests.csv", "athletics_results.csv", "README.txt")]
    [False, False, False]
    """
    stem = name.casefold().split(".")[0]
    plain = _EXTRAS.sub(" ", re.sub(r"[_\-]+", " ", stem)).strip().replace(" ", "")
    return SequenceMatcher(None, plain, NAME).ratio() >= _ALIKE


def refuse_unread_withdrawal(
    file: str, names: tuple[str, ...], read: bool, findings: Findings
) -> None:
    """Stop when no column is `read` as `withdrawn`, and one of `names` is called much like it."""
    for name in () if read else names:
        plain = plain_name(name).replace("_", "")
        if plain.startswith(("withdr", "dropout", "droppedout", "optout", "optedout")) or (
            SequenceMatcher(None, plain, COLUMN).ratio() >= _ALIKE
        ):
            findings.tell("unread_withdrawn", file, column=name, header=name)
