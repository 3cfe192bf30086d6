"""Write an output folder all at once or not at all."""

import json
import shutil
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from agreement.errors import OutputError

PROVENANCE: Final = "provenance.json"
WRITTEN_BY: Final = "agreement"  # the mark, in provenance.json, of a folder that is ours to replace


def is_ours(folder: Path) -> bool:
    """Tell whether a folder was written by this package and may be replaced as a whole."""
    try:
        content = json.loads((folder / PROVENANCE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(content, dict) and content.get("written_by") == WRITTEN_BY


def refuse_foreign(folder: Path) -> None:
    """
    Stop before any work when output may not go to `folder`.

    Raises
    ------
    OutputError
        If it is a file, or a folder with something in it that we did not write.
    """
    if folder.exists() and not folder.is_dir():
        msg = f"{folder} is a file. Name a folder with --out."
        raise OutputError(msg)
    if folder.is_dir() and any(folder.iterdir()) and not is_ours(folder):
        msg = (
            f"{folder} is not empty and holds no earlier report, so it is left alone. "
            "Name another folder with --out."
        )
        raise OutputError(msg)


@contextmanager
def replaced_folder(folder: Path) -> Iterator[Path]:
    """
    Give a temporary folder beside `folder`, and put it in its place when the block succeeds.

    Parameters
    ----------
    folder : Path
        Where the output should end up: absent, empty, or an earlier report of ours.

    Yields
    ------
    Path
        The folder to write into. It is removed when the block fails or is interrupted.

    Raises
    ------
    OutputError
        If `folder` holds anything else, or its parent cannot be written.
    """
    folder = folder.absolute()
    refuse_foreign(folder)
    temporary = folder.with_name(f".{folder.name}-{uuid.uuid4().hex[:8]}")
    try:
        temporary.mkdir(parents=True)
    except OSError as error:
        msg = (
            f"{folder.parent} cannot be written ({error.strerror}). Name another folder with --out."
        )
        raise OutputError(msg) from error
    try:
        yield temporary
        _swap(temporary, folder)
    finally:
        shutil.rmtree(temporary, ignore_errors=True)


def _swap(new: Path, folder: Path) -> None:
    """Put `new` where `folder` is; what was there goes only once the new one is in place."""
    old = new.with_name(f"{new.name}-old")
    if folder.exists():
        folder.replace(old)
    try:
        new.replace(folder)
    except OSError:
        if old.exists():
            old.replace(folder)
        raise
    shutil.rmtree(old, ignore_errors=True)
