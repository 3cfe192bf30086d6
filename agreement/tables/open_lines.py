"""Lines of study.toml that a person has to decide: each is a stop with its alternatives."""

from pathlib import Path
from typing import Any, Final

from agreement.tables.findings import Findings

OPEN: Final = "?"
UNDECIDED: Final = "undecided"
_MARK: Final = "# decide:"


def stop_at_open_lines(content: dict[str, Any], path: Path, findings: Findings) -> bool:
    """
    Stop at every key whose value is a question mark, with the reason that stands above it.

    content: the parsed file.
    findings: gets a stop for each.
    Returns: whether anything is open.
    """
    if not _open(content):
        return False
    where, why = "", ""
    for number, line in enumerate(path.read_text(encoding="utf-8-sig").splitlines(), 1):
        text = line.strip()
        if text.startswith("["):
            where, why = text.split("#")[0].strip(), ""
        elif text.startswith(_MARK):
            why = text.removeprefix(_MARK).strip()
        elif text.split("#")[0].rstrip().endswith(f'"{OPEN}"'):
            what = f"Line {number}, {text.split('=')[0].strip()} in {where} is to be decided."
            remedy = f'Write in place of "{OPEN}": {why or "what holds"}.'
            findings.stop(UNDECIDED, path.name, what, remedy)
    if not findings.stops:
        remedy = f'Look for "{OPEN}" and write what holds.'
        findings.stop(UNDECIDED, path.name, "A key is to be decided.", remedy)
    return True


def _open(value: object) -> bool:
    if isinstance(value, dict):
        return any(_open(one) for key, one in value.items() if key not in ("title", "question"))
    return value == OPEN
