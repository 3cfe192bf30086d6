"""Write an output folder all at once or not at all."""

import json
import stat
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, Final

from agreement.errors import OutputError
from agreement.tables.columns import FOLDERS, TABLES
from agreement.tables.whole_output import whole_folder

STUDY_FILE: Final = "study.toml"
PROVENANCE: Final = "provenance.json"
_MOST_BYTES: Final = 64_000_000
WRITTEN_BY: Final = "agreement"  # the mark, in provenance.json, of a folder that is ours to replace


def is_ours(folder: Path) -> bool:
    """Tell whether a folder was written by this package and may be replaced as a whole."""
    try:
        content = json.loads(plain_bytes(folder / PROVENANCE))
    except (OSError, ValueError, RecursionError):
        return False
    return isinstance(content, dict) and content.get("written_by") == WRITTEN_BY


def our_files(folder: Path) -> frozenset[str]:
    """Return the files that a report's own provenance lists, itself included."""
    content = json.loads(plain_bytes(folder / PROVENANCE))
    outputs = content.get("outputs")
    return frozenset((*(outputs if isinstance(outputs, dict) else {}), PROVENANCE))


def plain_bytes(path: Path) -> bytes:
    """
    Return the content of a small plain file, without waiting for what is none.

    Raises OSError if it is not there, no plain file (a pipe would wait for ever), or larger than 64
        MB.
    """
    found = path.stat()
    if not stat.S_ISREG(found.st_mode) or found.st_size > _MOST_BYTES:
        raise OSError(f"{path} is no plain file, or too large.")
    return path.read_bytes()


def provenance_bytes(content: dict[str, Any]) -> bytes:
    """Return a provenance as its file holds it."""
    return (json.dumps(content, indent=2, ensure_ascii=False) + "\n").encode()


def refuse_foreign(folder: Path) -> None:
    """
    Stop before any work when output may not go to `folder`.

    Raises OutputError if it is a file, or a folder with something in it that we did not write.
    """
    place = folder.resolve()
    for study in place.parents:
        kept = place.relative_to(study).parts[0].casefold()
        if kept.split(".")[0] in (*TABLES, *FOLDERS) and (study / STUDY_FILE).exists():
            raise OutputError(
                f"A study keeps its {kept.split('.')[0]} in {study / kept}. Name another folder."
            )
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder} is a file. Name a folder with --out.")
    if folder.is_dir() and any(folder.iterdir()) and not is_ours(folder):
        raise OutputError(
            f"{folder} is not empty and holds no earlier report, so it is left alone. "
            "Name another folder with --out."
        )


def replaced_folder(folder: Path) -> AbstractContextManager[Path]:
    """
    Give a temporary folder beside `folder`, and put it in its place when the block succeeds.

    folder: where the output should end up: absent, empty, or an earlier report of ours, in which
        files that are not ours stay.
    Returns as `agreement.tables.whole_output.whole_folder`; raises OutputError if `folder` holds
        anything else, cannot be written, or is being written by another run.
    """
    return whole_folder(
        folder, refuse_foreign, ours=lambda old: our_files(old) if is_ours(old) else ()
    )
