"""The provenance in a report's folder; whatever was done to it since is said in a sentence."""

import json
import os
import stat
from pathlib import Path
from typing import Any, Final

from agreement.errors import AgreementError
from agreement.report.run.folder import PROVENANCE, is_ours, plain_bytes

_MOST: Final = 4_000_000_000  # bytes of one table
_TYPES: Final[dict[str, type | tuple[type, ...]]] = {
    "written_by": str,
    "version": str,
    "created": str,
    "python": str,
    "dependencies": dict,
    "study": str,
    "kind": (str, type(None)),
    "command": str,
    "seed": int,
    "inputs": list,
    "options": dict,
    "outputs": dict,
    "shared": bool,
    "rows_of_people": bool,
    "small_groups": list,
}
KINDS: Final = ("squad", "validation", "audit", "brief", None)
_AGAIN: Final = "Run the report again."


def damaged(name: str, why: str) -> AgreementError:
    """Return what is said of a file of a report that cannot be used."""
    return AgreementError(f"{name} of the report {why}. {_AGAIN}")


def read_provenance(report: Path) -> dict[str, Any]:
    """
    Return the provenance of a report.

    Raises AgreementError if the folder holds no report of ours, or its provenance is not as it was
        written.
    """
    if not is_ours(report):
        raise AgreementError(f"{report} holds no report: its {PROVENANCE} is missing or not ours.")
    content: dict[str, Any] = json.loads(plain_bytes(report / PROVENANCE))
    for key, kind in _TYPES.items():
        if key in content and not isinstance(content[key], kind):
            raise damaged(PROVENANCE, f"is damaged: '{key}' is not what it should be")
    texts = [*content.get("outputs", {}).values(), *content.get("dependencies", {}).values()]
    inputs = content.get("inputs", [])
    if not all(isinstance(one, str) for one in texts):
        raise damaged(PROVENANCE, "is damaged: a checksum or a version is no text")
    if not all(
        isinstance(one, dict)
        and isinstance(one.get("name"), str)
        and isinstance(one.get("sha256"), str)
        for one in inputs
    ):
        raise damaged(PROVENANCE, "is damaged: 'inputs' is no list of files")
    if not all(
        isinstance(one, list) and len(one) == 4 and all(isinstance(word, str) for word in one)
        for one in content.get("small_groups", [])
    ):
        raise damaged(PROVENANCE, "is damaged: 'small_groups' is no list of groups")
    if content.get("kind") not in KINDS:
        raise damaged(PROVENANCE, "is damaged: there is no such kind of report")
    name = content.get("study")
    if name is not None and (not name or name != Path(name).name or "\0" in name):
        raise damaged(PROVENANCE, "is damaged: 'study' is no name of a folder")
    if not _is_text(json.dumps(content, ensure_ascii=False)):
        raise damaged(PROVENANCE, "is damaged: it holds what is no text")
    return content


def _is_text(text: str) -> bool:
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def require_plain(path: Path, name: str) -> None:
    """Raise when a file of a report is missing, or no plain file."""
    try:
        found = os.stat(path)  # noqa: PTH116 - follows links, as opening would
    except (OSError, ValueError) as error:
        raise damaged(name, "is missing") from error
    if not stat.S_ISREG(found.st_mode):
        raise damaged(name, "is no plain file")
    if found.st_size > _MOST:
        raise damaged(name, "is too large")
