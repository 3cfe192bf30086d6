"""
Files and folders that are written whole or not at all, whatever ends the run.

Everything is written beside its place under a hidden name and put there in one step. A hidden lock
file keeps a second run away; the system lets go of it when a run is killed, and the next run clears
away what the killed one left. Work folders, private and gone at the end, are kept in the same way.
"""

import ctypes
import errno
import os
import shutil
import sys
import tempfile
import uuid
from collections.abc import Callable, Container, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any, Final

from agreement.errors import OutputError
from agreement.signals import last_step, untorn
from agreement.terms import SYSTEM_ERRORS

# hidden names beside the output: .NAME.agreement-lock, -old, or eight letters while it is written
_MARK: Final = ".agreement-"
_AT_CWD: Final = -100  # AT_FDCWD of renameat2(2)
_EXCHANGE: Final = 2  # RENAME_EXCHANGE of renameat2(2)
_BINARY: Final = getattr(os, "O_BINARY", 0)  # no line ends are translated
_NO_LOCKS: Final = (errno.ENOSYS, errno.ENOLCK, errno.EOPNOTSUPP)
_HELD: Final = (errno.EACCES, errno.EAGAIN, errno.EDEADLK)  # what a lock says that another has
_REASONS: Final = {
    getattr(errno, name): said for name, said in SYSTEM_ERRORS.items() if hasattr(errno, name)
}


def output_error(place: Path | str, error: OSError) -> OutputError:
    """Return what the system said of a place that cannot be written, as a sentence of ours."""
    reason = _REASONS.get(error.errno or 0) or error.strerror or type(error).__name__
    return OutputError(
        f"{place} cannot be written: {reason}. What was there before is as it was. "
        "Put that right, or name another place."
    )


def system_error(error: OSError) -> str | None:
    """Return an error of the system that the user can put right as a sentence; None for others."""
    reason = _REASONS.get(error.errno or 0)
    if reason is None:
        return None
    place = error.filename or "A file needed for a while"
    return f"{place}: {reason}. Nothing was written; put that right and run it again."


@contextmanager
def whole_file(path: Path | str) -> Iterator[IO[bytes]]:
    """
    Give a file to write to, and put it at `path` when the block succeeds.

    path: replaced if it is a file; what is no file (a pipe, a device) is written to as it is.
    Yields the file, open for bytes.
    Raises OutputError if it cannot be written, or another run is writing it; what was there stays.
    """
    target = Path(path).resolve()
    try:
        if target.exists() and not target.is_file():
            with target.open("wb") as file:  # a folder says so itself
                yield file
            return
        with _alone(target):
            part = _hidden(target, uuid.uuid4().hex[:8])
            alone = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, 0o600)
            with os.fdopen(alone, "wb") as file:  # rows of people: the user's own from the start
                yield file
                _to_disk(file)
            if target.exists():
                shutil.copymode(target, part)
            last_step(path, lambda: part.replace(target))
            _folder_to_disk(target.parent)
    except OSError as error:
        if _concerns(error, target):
            raise output_error(path, error) from error
        raise


@contextmanager
def whole_folder(
    folder: Path | str,
    allowed: Callable[[Path], object],
    *,
    ours: Callable[[Path], Container[str]] | None = None,
) -> Iterator[Path]:
    """
    Give an empty folder to write into, and put it at `folder` when the block succeeds.

    folder: replaced as a whole if it exists.
    allowed: raises when the folder may not be replaced; asked before the work and before the last
        step.
    ours: returns the files of the folder, as paths inside it, that may go; whatever else it holds
        is taken over as it is. Without it everything goes.
    Yields a folder beside `folder`. It is removed when the block fails or is interrupted.
    Raises OutputError if it cannot be written, or another run is writing it; what was there stays.
    """
    target = Path(folder).resolve()
    allowed(target)
    made = [one for one in (target.parent, *target.parent.parents) if not one.exists()]
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with _alone(target):
            allowed(target)  # now that the one before is done
            part = _hidden(target, uuid.uuid4().hex[:8])
            part.mkdir(mode=0o700)  # rows of people: the user's own from the start
            yield part
            if target.exists():
                shutil.copymode(target, part)
            with ThreadPoolExecutor() as threads:  # a disk takes many at once
                list(threads.map(_path_to_disk, (*part.rglob("*"), part)))
            allowed(target)
            if ours is not None and target.exists():
                _take_over(target, part, ours(target))
            last_step(folder, lambda: _put(part, target))
            _folder_to_disk(target.parent)
    except OSError as error:
        if _concerns(error, target):
            raise output_error(folder, error) from error
        raise
    finally:
        for one in made:
            with suppress(OSError):  # what holds something stays
                one.rmdir()


def _concerns(error: OSError, target: Path) -> bool:
    """Whether an error came from writing a place, and not from something read meanwhile."""
    if error.filename is None:  # of an open file: what is read is read by its name
        return True
    named = Path(os.fsdecode(error.filename))
    named = named.parent.resolve() / named.name
    if named in target.parents:
        return True
    beside = named.relative_to(target.parent).parts if named.is_relative_to(target.parent) else ()
    return bool(beside) and (beside[0] == target.name or beside[0].startswith(f".{target.name}."))


def _hidden(target: Path, what: str) -> Path:
    return target.with_name(f".{target.name}{_MARK}{what}")


@contextmanager
@untorn
def _alone(target: Path) -> Iterator[None]:
    """Keep other runs away from a place, having cleared what killed runs left beside it."""
    path = _hidden(target, "lock")
    lock = _lock(path)
    if lock is None:
        raise OutputError(
            f"Another run is writing {target} now. Wait until it is done, or name another place."
        )
    try:
        _clear(target)
        yield
    finally:
        _clear(target)
        _let_go(lock, lambda: path.unlink(missing_ok=True))


def _let_go(lock: int, remove: Callable[[], object]) -> None:
    """Let go of a lock and remove its file, which must be closed first under Windows."""
    if sys.platform == "win32":
        os.close(lock)
        with suppress(OSError):  # the next run has it already
            remove()
    else:
        remove()
        os.close(lock)


def _clear(target: Path) -> None:
    """Remove unfinished output beside a place, and bring back what was about to be replaced."""
    old = _hidden(target, "old")
    if old.exists() and not target.exists():
        old.rename(target)
    for path in target.parent.iterdir():
        if path.name.startswith(_hidden(target, "").name) and path != _hidden(target, "lock"):
            if path.is_dir() and not path.is_symlink():  # what a link leads to is not ours
                shutil.rmtree(path, ignore_errors=True)
            else:
                path.unlink(missing_ok=True)


def _lock(path: Path) -> int | None:
    """Return the open lock file; None when another run has it."""
    while True:
        try:
            lock = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
        except PermissionError:
            if not path.exists():
                raise
            raise OutputError(
                f"A run of another user is writing there, or left {path} when it was killed. Wait, "
                "have that user run it again, or name another place."
            ) from None
        try:
            if not _taken(lock, without_locks=True):
                os.close(lock)
                return None
            if os.path.samestat(os.fstat(lock), path.stat()):
                return lock
        except FileNotFoundError:
            pass  # the run before removed it between our opening and our taking it
        except OSError:
            os.close(lock)
            raise
        os.close(lock)


def _taken(lock: int, *, without_locks: bool) -> bool:
    """
    Take a lock that the system lets go of when this process ends; False where another has it.

    without_locks: go on where the file system has none: two runs are then the user's to avoid. Else
        whatever hinders the lock counts as one that another has.
    """
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(lock, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in _HELD or not without_locks:
            return False
        if error.errno not in _NO_LOCKS:
            raise
    return True


def _take_over(old: Path, new: Path, ours: Container[str]) -> None:
    """Put into the new folder what the old one holds that is not ours, links as links."""
    for path in sorted(old.rglob("*")):
        name = path.relative_to(old)
        real_folder = path.is_dir() and not path.is_symlink()
        if name.as_posix() in ours or (real_folder and any(path.iterdir())):
            continue
        place = new / name
        if real_folder:
            place.mkdir(parents=True, exist_ok=True)
            continue
        if place.exists() or (place.parent.exists() and not place.parent.is_dir()):
            raise OutputError(
                f"{path} is not ours, and a file of that name is to be written. Move it away."
            )
        place.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(path, place, follow_symlinks=False)


def _put(part: Path, target: Path) -> None:
    """Put a folder in its place, where another may stand."""
    if not target.exists():
        part.rename(target)
    elif not _exchanged(part, target):
        target.rename(_hidden(target, "old"))  # killed from here on, the next run brings it back
        part.rename(target)


def _exchanged(one: Path, other: Path) -> bool:
    """Exchange two folders in one step; False where the system cannot."""
    exchange: Any = getattr(ctypes.CDLL(None), "renameat2", None) if os.name == "posix" else None
    if exchange is None:
        return False
    places = (_AT_CWD, os.fsencode(one), _AT_CWD, os.fsencode(other))
    return bool(exchange(*places, _EXCHANGE) == 0)


def _path_to_disk(path: Path) -> None:
    if path.is_dir():
        _folder_to_disk(path)
        return
    with path.open("rb+") as file:
        _to_disk(file)


def _to_disk(file: IO[bytes]) -> None:
    file.flush()
    os.fsync(file.fileno())


def _folder_to_disk(folder: Path) -> None:
    if os.name != "posix":
        return  # elsewhere a folder cannot be opened
    place = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(place)
    finally:
        os.close(place)


PREFIX: Final = "agreement-"
_IN_USE: Final = ".in-use"


@contextmanager
@untorn
def work_folder() -> Iterator[Path]:
    """Give an empty folder in the system's temporary place; it goes when the block ends."""
    clear_left_folders()
    folder = Path(tempfile.mkdtemp(prefix=PREFIX))
    lock = os.open(folder / _IN_USE, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
    _taken(lock, without_locks=False)
    inner = folder / "work"
    inner.mkdir(mode=0o700)
    try:
        yield inner
    finally:
        shutil.rmtree(inner, ignore_errors=True)
        _let_go(lock, lambda: shutil.rmtree(folder, ignore_errors=True))


def clear_left_folders() -> None:
    """Remove the folders of runs that were killed."""
    with suppress(OSError):
        for folder in Path(tempfile.gettempdir()).glob(f"{PREFIX}*"):
            with suppress(OSError):
                if _is_left(folder):
                    shutil.rmtree(folder, ignore_errors=True)


def _is_left(folder: Path) -> bool:
    """Whether a folder is ours and no run holds it."""
    mark = folder / _IN_USE
    if folder.is_symlink() or mark.is_symlink() or not mark.is_file():
        return False
    if hasattr(os, "getuid") and folder.stat().st_uid != os.getuid():
        return False
    lock = os.open(mark, os.O_RDWR)
    try:
        return _taken(lock, without_locks=False)
    finally:
        os.close(lock)
