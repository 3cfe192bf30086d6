"""The key of a study: 32 random bytes in its folder, under which pseudonyms and withdrawals stand."""

import os
import secrets
from pathlib import Path
from typing import Final

from agreement.errors import OutputError

KEY_FILE: Final = "pseudonyms.key"
KEY_BYTES: Final = 32
_FEWEST_DISTINCT: Final = 8  # values among random bytes; fewer: typed, not drawn


def study_key(study: Path) -> bytes:
    """
    Return the key of a study, made at the first call and kept in its folder.

    Raises OutputError if there is none and the folder cannot be written, or what is there is no key
        of ours.
    """
    path = study / KEY_FILE
    if path.is_symlink() or (path.exists() and not path.is_file()):
        raise OutputError(
            f"{KEY_FILE} in the study folder is a link or no file; put the key itself there."
        )
    try:
        if path.exists():
            return _read_key(path)
        key = secrets.token_bytes(KEY_BYTES)
        write_private(path, f"{key.hex()}\n".encode("ascii"))
        return key
    except OSError as error:
        raise OutputError(
            f"{KEY_FILE} cannot be kept in the study folder ({error.strerror})."
        ) from error


def _read_key(path: Path) -> bytes:
    """Return the key in a file; whoever can guess a key can turn pseudonyms back into ids."""
    with path.open("rb") as file:
        text = file.read(4 * KEY_BYTES)
    try:
        key = bytes.fromhex(text.decode("ascii").strip())
    except ValueError:  # neither ASCII nor hexadecimal
        key = b""
    if len(key) != KEY_BYTES or len(set(key)) < _FEWEST_DISTINCT:
        raise OutputError(
            f"{KEY_FILE} holds no key of {KEY_BYTES} random bytes, so pseudonyms made with it could "
            "be turned back into ids. Put the file back from a copy, or delete it: the next audit "
            "makes a new key and new pseudonyms."
        )
    return key


def write_private(path: Path, content: bytes) -> None:
    """Write a small file, whole or not at all, for its owner's eyes from the first byte."""
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        with open(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:  # noqa: PTH123 - private from its first byte
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
