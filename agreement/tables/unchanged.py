"""Whether a study is still as it was read: numbers must not come from two states of a file."""

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

from agreement.errors import Problem, TableError

if TYPE_CHECKING:  # the process that only waits for a report must not load pandas
    from collections.abc import Sequence

    from agreement.tables.readers import InputFile


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
    """
    Stop when a file is no longer what was read.

    inputs: what was read.
    Raises TableError with every file that was changed or removed meanwhile.
    """
    changed = [one.name for one in inputs if digest_if_readable(folder / one.name) != one.sha256]
    if changed:
        what = "The file was changed while the study was being read."
        remedy = "Run it again when nobody is writing to the folder."
        raise TableError(
            Problem("stop", "changed_while_read", name, None, None, what, remedy)
            for name in changed
        )
