"""
What tells one state of a study from another: all that a run could read of its folder.

The text of the question stands aside, where nothing but that text depends on it.
"""

import hashlib
import json
import os
import re
import tomllib
from dataclasses import dataclass
from io import BytesIO, TextIOWrapper
from pathlib import Path
from typing import Final

from agreement.tables.options import STUDY_FILE
from agreement.tables.paths import KEPT_FILE, KEY_FILE, file_digest

_MOST_FILES: Final = 20_000
_QUESTION: Final = re.compile(
    r"""^([ \t]*question[ \t]*=[ \t]*)("(?:[^"\\\n]|\\.)*"|'[^'\n]*')""", re.MULTILINE
)


@dataclass(frozen=True, slots=True)
class StudyState:
    """A study folder at one moment."""

    # of every file's bytes and times: a change that was taken back is another moment
    moment: str
    rest: str  # of every file's bytes, but for the question's text
    given: str  # the same without what runs write into the folder
    question: str  # as it stands in study.toml; empty where its text may not change
    toml: str  # checksum of study.toml


def study_state(place: Path, target: Path) -> StudyState:
    """
    Return the state of a study folder; the output at `target` is no part of it.

    Raises OSError or ValueError where it cannot be told: too many files, a pipe, no TOML.
    """
    paths: list[Path] = []
    folders_in: list[Path] = []
    inside = target.resolve()
    for root, folders, files in os.walk(place, followlinks=True):
        here = Path(root)
        ours = {one for one in folders if _output(here / one, inside)}
        folders_in += [here / one for one in folders if one not in ours or here / one == inside]
        folders[:] = sorted({*folders} - ours)
        paths += [here / one for one in sorted(files) if not _output(here / one, inside)]
        if len(paths) > _MOST_FILES or not all(path.is_file() for path in paths):
            raise OSError("not to be kept")
    listed = {_named(one, place): file_digest(one) for one in paths}
    toml = (place / STUDY_FILE).read_bytes()  # read once: a question goes with its own checksum
    with TextIOWrapper(BytesIO(toml), encoding="utf-8") as lines:
        blanked, question = without_question(lines.read())
    listed[STUDY_FILE] = blanked
    inside_it = sorted(_named(one, place) for one in folders_in)
    rest, given = [inside_it, listed], [inside_it, {**listed, KEY_FILE: "", KEPT_FILE: ""}]
    times = [(about.st_mtime_ns, about.st_ctime_ns) for about in map(Path.stat, paths)]
    own = checksum(toml)
    return StudyState(_sum_of(rest, times, own), _sum_of(rest), _sum_of(given), question, own)


def checksum(content: bytes) -> str:
    """Return the SHA-256 checksum of bytes."""
    return hashlib.sha256(content).hexdigest()


def _sum_of(*told: object) -> str:
    return checksum(json.dumps(told, sort_keys=True).encode())


def _named(path: Path, place: Path) -> str:
    """Return the name of a path inside a study; of a link with where it leads: some lead out."""
    name = str(path.relative_to(place))
    return f"{name} -> {os.path.realpath(path)}" if path.is_symlink() else name


def _output(path: Path, target: Path) -> bool:
    """Whether a path is the output, or what a run writes beside it."""
    name = path.name
    if name.startswith(f".{target.name}.agreement-") and path.parent.resolve() == target.parent:
        return True
    same = name.casefold() == target.name.casefold() or path.is_symlink()
    return same and path.resolve() == target


def without_question(text: str) -> tuple[str, str]:
    """Return study.toml with an empty question, and the question where that changes nothing else."""
    read = tomllib.loads(text)
    question = read.get("study", {}).get("question")
    blanked, times = _QUESTION.subn(r'\1""', text)
    if times == 1 and isinstance(question, str) and question.isprintable():
        read["study"]["question"] = ""
        if tomllib.loads(blanked) == read:
            return blanked, question
    return text, ""
