"""
Folders for a while, private to the user, gone at the end; what a killed run left goes with the next.

Each holds a file that its run has locked; the system lets go of the lock when the run ends, however
it ends, so a folder whose file can be locked belongs to nobody.
"""

import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

PREFIX: Final = "agreement-"
_IN_USE: Final = ".in-use"


@contextmanager
def work_folder() -> Iterator[Path]:
    """Give an empty folder in the system's temporary place; it goes when the block ends."""
    clear_left_folders()
    folder = Path(tempfile.mkdtemp(prefix=PREFIX))
    lock = os.open(folder / _IN_USE, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
    _taken(lock)
    inner = folder / "work"
    inner.mkdir(mode=0o700)
    try:
        yield inner
    finally:
        shutil.rmtree(inner, ignore_errors=True)
        if sys.platform == "win32":  # an open file cannot be removed there
            os.close(lock)
            shutil.rmtree(folder, ignore_errors=True)
        else:
            shutil.rmtree(folder, ignore_errors=True)
            os.close(lock)


def clear_left_folders() -> None:
    """Remove the folders of runs that were killed."""
    place = Path(tempfile.gettempdir())
    with suppress(OSError):
        for folder in place.glob(f"{PREFIX}*"):
            with suppress(OSError):
                _clear(folder)


def _clear(folder: Path) -> None:
    """Remove one folder of ours that no run holds."""
    mark = folder / _IN_USE
    if folder.is_symlink() or mark.is_symlink() or not mark.is_file():
        return
    if hasattr(os, "getuid") and folder.stat().st_uid != os.getuid():
        return
    lock = os.open(mark, os.O_RDWR)
    try:
        if not _taken(lock):
            return
    finally:
        os.close(lock)
    shutil.rmtree(folder, ignore_errors=True)


def _taken(lock: int) -> bool:
    """Whether a file could be locked for this process alone."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(lock, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
