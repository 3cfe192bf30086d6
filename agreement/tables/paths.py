"""Paths of a study: relative, and never leading out of its folder."""

import tomllib
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any


def path_problem(folder: Path, path: str) -> str | None:
    """
    Return what is wrong with a path of a study, or None.

    path: as written by the user; slashes may go either way.
    Returns: one sentence.
    """
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
