"""
Withdrawal that lasts: who withdrew once stays out, whatever becomes of the athletes table.

The study folder keeps keyed hashes of the ids of those who withdrew, and of their tests and sessions.
Likely spellings of such an id stay out too.
"""

import hashlib
import hmac
import os
import secrets
from collections.abc import Container, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from agreement.errors import OutputError
from agreement.tables.findings import Findings
from agreement.tables.ids import Spelling, spelling_of
from agreement.tables.paths import KEPT_FILE, KEY_FILE

KEY_BYTES: Final = 32
KEYED: Final = "keyed:"  # begins a checksum that was made with the study's key
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
        if not path.exists():
            key = secrets.token_bytes(KEY_BYTES)
            write_private(path, f"{key.hex()}\n".encode("ascii"))
            return key
        with path.open("rb") as file:
            text = file.read(4 * KEY_BYTES)
    except OSError as error:
        raise OutputError(
            f"{KEY_FILE} cannot be kept in the study folder ({error.strerror}). Pseudonyms rest on it: "
            "see that you may write there."
        ) from error
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


def keyed(key: bytes, text: object) -> str:
    """Return what stands for a text, and tells it to nobody without the key."""
    return hmac.new(key, str(text).encode("utf-8", "surrogatepass"), hashlib.sha256).hexdigest()


def keyed_checksum(key: bytes, checksum: object) -> str:
    """Return a checksum as it may leave: what it was made of cannot be found by guessing."""
    return KEYED + keyed(key, checksum)


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


_HEX: Final = 32  # letters of a hash
_HEAD: Final = f"""\
# Keyed hashes of the ids of people who withdrew from this study, made by `agreement`.
# Whoever is in here stays out of every output, whatever happens to the athletes table: keep this
# file with the study. It rests on {KEY_FILE}; without that file it can be read by nobody.
# A person marked by mistake: delete this file while the athletes table is right, and run `check`.
"""


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """Who withdrew: as the athletes table says now, and as earlier runs kept."""

    ids: frozenset[str] = frozenset()  # marked in the athletes table
    # key, marks: the study's key, and the keyed hashes of earlier runs
    key: bytes = b""
    marks: frozenset[str] = frozenset()
    _forms: frozenset[tuple[str, str]] = field(default=frozenset(), repr=False)

    def __bool__(self) -> bool:
        """Whether anybody withdrew."""
        return bool(self.ids or self.marks)

    def marking(self, ids: Iterable[str]) -> "Withdrawn":
        """Return the same with the people whom the athletes table marks."""
        marked = frozenset(ids)
        forms = frozenset(form for one in marked for form in spelling_of(one).forms)
        return Withdrawn(marked, self.key, self.marks, forms)

    def is_one(self, identity: str) -> bool:
        """Whether this very id is of a person who withdrew."""
        return identity in self.ids or self._holds(("id", identity))

    def is_like(self, identity: str, *, listed: bool) -> bool:
        """Whether an id is a likely spelling of theirs; of a `listed` one less is likely."""
        own: Spelling = spelling_of(identity)
        return any(self._holds(form) for form in (own.near if listed else own.near_and_far))

    def is_raw(self, identity: str) -> bool:
        """Whether a raw file of this name belongs to one of them, as kept by an earlier run."""
        return self._holds(("raw", identity))

    def _holds(self, form: tuple[str, str]) -> bool:
        return form in self._forms or bool(self.marks and _mark(self.key, form) in self.marks)


def read_kept(folder: Path, findings: Findings) -> Withdrawn:
    """Return who withdrew by earlier runs; a file that cannot be used is a stop."""
    path = folder / KEPT_FILE
    if not (path.exists() or path.is_symlink()):
        return Withdrawn()
    try:
        if path.is_file() and not path.is_symlink() and (folder / KEY_FILE).exists():
            key, lines = study_key(folder), path.read_text(encoding="ascii").split("\n")
            marks = {line.strip() for line in lines if line.strip() and not line.startswith("#")}
            if _mark(key, ("key", "")) in marks and all(len(mark) == _HEX for mark in marks):
                return Withdrawn(key=key, marks=frozenset(marks))
    except (OutputError, OSError, ValueError):
        pass  # said below
    findings.tell("withdrawal_lost", KEPT_FILE, kept=KEPT_FILE, key=KEY_FILE)
    return Withdrawn()


def keep(folder: Path, withdrawn: Withdrawn, raw_ids: Iterable[str], findings: Findings) -> None:
    """Add who withdrew, with their tests and sessions, to what the study folder keeps."""
    if not withdrawn.ids:
        return
    try:
        key = withdrawn.key or study_key(folder)
        forms = {form for one in withdrawn.ids for form in spelling_of(one).forms}
        forms |= {("key", ""), *(("raw", one) for one in raw_ids)}
        marks = withdrawn.marks | {_mark(key, form) for form in forms}
        if marks != withdrawn.marks:
            text = _HEAD + "".join(f"{mark}\n" for mark in sorted(marks))
            write_private(folder / KEPT_FILE, text.encode("ascii"))
    except (OutputError, OSError) as error:
        said = str(error) if isinstance(error, OutputError) else str(error.strerror)
        findings.tell("withdrawal_not_kept", KEPT_FILE, why=said.rstrip("."))


def require_athletes(
    withdrawn: Withdrawn, file: str | None, columns: Container[str], findings: Findings
) -> None:
    """Stop when people withdrew by an earlier run and the table that said so is gone, or its column."""
    if not withdrawn.marks or (file is not None and "withdrawn" in columns):
        return
    if file is None:
        findings.tell("people_lost", "athletes.csv")
    else:
        findings.tell("withdrawn_column_lost", file, column="withdrawn")


def _mark(key: bytes, form: tuple[str, str]) -> str:
    return keyed(key, "\0".join(form))[:_HEX]
