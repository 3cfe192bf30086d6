"""Files of a study: paths never lead out of its folder, and none changes while it is read."""

import hashlib
import tomllib
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import TYPE_CHECKING, Any

from agreement.errors import Problem, TableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agreement.tables.readers import InputFile


def path_problem(folder: Path, path: str) -> str | None:
    """Return in a sentence what is wrong with a path as the user wrote it, or None."""
    windows, posix = PureWindowsPath(path), PurePosixPath(path.replace("\\", "/"))
    if not path.strip() or "\0" in path:
        return "the path is empty."
    if windows.drive or windows.root or posix.is_absolute():
        return f"the path {path} is absolute."
    if ".." in posix.parts:
        return f"the path {path} leaves the study folder."
    root = folder.resolve()
    try:
        leads_to = (root / posix).resolve()
        leads_to.exists()
    except (OSError, RuntimeError):  # a loop of links, a name too long
        return f"the path {path} cannot be followed."
    if not leads_to.is_relative_to(root):
        return f"the path {path} is a link that leads out of the study folder."
    return None


def toml_inside(folder: Path, name: str) -> dict[str, Any]:
    """
    Return what a TOML file of a study says.

    Raises ValueError if it leads out of the folder, is no plain file, or cannot be read; the
        message says which.
    """
    path = folder / name
    if problem := path_problem(folder, name):
        raise ValueError(problem)
    if not path.is_file():
        raise ValueError("there is no such file.")
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise ValueError(f"it cannot be read ({type(error).__name__}).") from error
    except RecursionError as error:
        raise ValueError("its values are nested too deeply.") from error


def file_digest(path: Path) -> str:
    """Return the SHA-256 checksum of a file, however large."""
    with path.open("rb") as content:
        return hashlib.file_digest(content, "sha256").hexdigest()


def digest_if_readable(path: Path) -> str | None:
    """Return the checksum of a file; None when it is not there or may not be read."""
    try:
        return file_digest(path)
    except OSError:
        return None


def require_unchanged(folder: Path, inputs: "Sequence[InputFile]") -> None:
    """Raise TableError with every file that is no longer what was read."""
    changed = [one.name for one in inputs if digest_if_readable(folder / one.name) != one.sha256]
    if changed:
        what = "The file was changed while the study was being read."
        remedy = "Run it again when nobody is writing to the folder."
        raise TableError(
            Problem("stop", "changed_while_read", name, None, None, what, remedy)
            for name in changed
        )
