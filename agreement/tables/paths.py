"""
Files of a study: paths never lead out of its folder, and none changes while it is read.

Those that unpack to far more than any table does are refused before they fill the memory.
"""

import hashlib
import tomllib
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import TYPE_CHECKING, Any, Final

from agreement.errors import TableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agreement.tables.readers import InputFile

KEY_FILE: Final = "pseudonyms.key"  # what runs write into a study folder; so is the next
KEPT_FILE: Final = "withdrawn.keyed"


def path_problem(folder: Path, path: str) -> str | None:
    """Return in a sentence what is wrong with a path as the user wrote it, or None."""
    windows, posix = PureWindowsPath(path), PurePosixPath(path.replace("\\", "/"))
    if not path.strip() or "\0" in path:
        return "The path is empty."
    if windows.drive or windows.root or posix.is_absolute():
        return f"The path {path} is absolute."
    if ".." in posix.parts:
        return f"The path {path} leaves the study folder."
    root = folder.resolve()
    try:
        leads_to = (root / posix).resolve()
        leads_to.exists()
    except (OSError, RuntimeError):  # a loop of links, a name too long
        return f"The path {path} cannot be followed."
    if not leads_to.is_relative_to(root):
        return f"The path {path} is a link that leads out of the study folder."
    return None


def toml_inside(folder: Path, name: str) -> dict[str, Any]:
    """Return what a TOML file of a study says; ValueError, which says why, if it cannot be read."""
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
        from agreement.tables.findings import problem  # it loads pandas

        raise TableError(problem("changed_while_read", name) for name in changed)


MOST_UNPACKED: Final = 2_000_000_000  # bytes of one file
_TIMES: Final = 100  # text packs to a tenth or a thirtieth; what packs to a thousandth is no table
_ALWAYS: Final = 50_000_000
_ROWS_ALWAYS: Final = 1_000_000
_ROWS_PER_BYTE: Final = 4  # of a Parquet file; a time and a value take at least a byte or two


class OversizeError(ValueError):
    """A file that would unpack to more than any table; the message says what to what."""


def most_unpacked(packed: int) -> int:
    """Return to how many bytes a file of `packed` bytes may unpack."""
    return min(MOST_UNPACKED, _ALWAYS + _TIMES * packed)


def refuse_oversize_parquet(about: Any, packed: int) -> None:
    """Raise `OversizeError` when a file of `packed` bytes says of itself what no table can be."""
    groups = [about.row_group(i) for i in range(about.num_row_groups)]
    columns = range(about.num_columns)
    lengths = [sum(group.column(i).num_values for group in groups) for i in columns]
    rows, what = max([about.num_rows, *lengths]), ""
    size = sum(group.total_byte_size for group in groups)
    if rows > _ROWS_ALWAYS + _ROWS_PER_BYTE * packed:
        what = f"it says that it holds {rows:,} rows in {packed:,} bytes"
    elif size > most_unpacked(packed) and packed < MOST_UNPACKED:
        what = f"it says that {packed:,} bytes unpack to {size:,}"
    if what:
        raise OversizeError(what.replace(",", " "))
