"""Lines of study.toml: why it is no TOML, what a person has to decide, keys set in their place."""

import json
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from agreement.errors import AgreementError
from agreement.tables.findings import Findings, Words
from agreement.tables.whole_output import whole_file

_PLACE: Final = re.compile(r"\(at line (\d+), column \d+\)")
_LINE: Final = re.compile(r"(\s*[\w.\"-]+\s*=\s*)([^#]*?)(\s*#.*)?")
_WORDS: Final = {"yes": "true", "no": "false", "True": "true", "False": "false", "ja": "true"}
_DAY: Final = r"\d{1,2}[./-]\d{1,2}[./-]\d{4}"
OPEN: Final = "?"  # stands where a person has to decide; `check` stops at it
UNDECIDED: Final = "undecided"
_MARK: Final = "# decide:"
_PAIRING: Final = re.compile(r"^ *\[pairing\][^\n]*\n(.*?)(?=^ *\[|\Z)", re.MULTILINE | re.DOTALL)


def toml_fault(text: str, error: ValueError) -> tuple[str, str]:
    r"""
    Say what is wrong with a file that does not parse.

    >>> text = "[study]\ntime_zone = Europe/Oslo\n"
    >>> try:
    ...     tomllib.loads(text)
    ... except ValueError as error:
    ...     print(*toml_fault(text, error), sep="\n")
    Line 2 does not follow the TOML form: time_zone = Europe/Oslo.
    Write it as: time_zone = "Europe/Oslo"
    """
    said = str(error)
    found = _PLACE.search(said)
    lines = text.splitlines()
    if "at end of document" in said:
        number = len(lines)
    elif found is None:
        return f"The file does not follow the TOML form: {said}.", "See the commented study.toml."
    else:
        number = int(found[1])
    number = min(max(number, 1), max(len(lines), 1))
    for at in (number, number - 1):  # an open quotation mark is found out a line later
        if 1 <= at <= len(lines) and (better := _put_right(lines, at - 1)):
            what = f"Line {at} does not follow the TOML form: {lines[at - 1].strip()}."
            return what, f"Write it as: {better.strip()}"
    line = lines[number - 1].strip() if lines else ""
    reason = _PLACE.sub("", said).strip()
    if "overwrite" in said or "declare" in said or "twice" in said:
        return f"Line {number} names again what stands above: {line}.", "Keep one of them."
    what = f"Line {number} does not follow the TOML form ({reason}): {line}."
    if re.search(rf"=\s*{_DAY}", line):
        return what, "Write a day like 2026-01-10."
    return what, "Texts need quotes, tables stand in [brackets]; see the commented study.toml."


def _put_right(lines: list[str], at: int) -> str | None:
    """Return a line put right, if it is at fault."""
    if not _follows(lines[:at]) or _follows(lines[: at + 1]):
        return None
    return next((one for one in _candidates(lines[at]) if _follows([*lines[:at], one])), None)


def _follows(lines: list[str]) -> bool:
    """Whether lines follow the form."""
    try:
        tomllib.loads("\n".join(lines) + "\n")
    except ValueError:
        return False
    return True


def _candidates(line: str) -> list[str]:
    """Return what a line may have been meant to be."""
    head = line.strip()
    if head.startswith("[") and head.count("[") != head.count("]"):
        return [head.rstrip("]") + "]" * head.count("[")]
    if "=" not in line and ":" in line:
        line = line.replace(":", " =", 1)
    found = _LINE.fullmatch(line)
    if found is None:
        return []
    key, value, comment = found[1], found[2].strip(), found[3] or ""
    bare = value.strip("\"'\u201c\u201d\u201e\u2018\u2019")
    options = [_WORDS.get(value, "")] if value in _WORDS else []
    if re.fullmatch(r"\d+,\d+", value):
        options.append(value.replace(",", "."))
    if re.fullmatch(_DAY, bare):
        return []  # a day whose order nobody knows
    options += [f'"{bare}"', "'" + bare + "'"]
    return [f"{key}{one}{comment}" for one in options if one]


def stop_at_open_lines(content: dict[str, Any], path: Path, findings: Findings) -> bool:
    """Stop at every key whose value is a question mark, with the reason above it; say if one is."""
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
            told: Words = {"line": number, "key": text.split("=")[0].strip(), "table": where}
            findings.tell("open_line", path.name, why=why or "what holds", **told)
    if not findings.stops:
        findings.tell("open_key", path.name)
    return True


def _open(value: object) -> bool:
    if isinstance(value, dict):
        return any(_open(one) for key, one in value.items() if key not in ("title", "question"))
    return value == OPEN


def with_pairing(text: str, keys: Mapping[str, object]) -> str:
    r"""
    Return a study file with keys of ``[pairing]`` set; a commented key is taken into use.

    Raises AgreementError if the result would not say what was meant.

    >>> print(with_pairing("[pairing]\n# days_before = 14  # days\n[change]\n", {"days_before": 21}))
    [pairing]
    days_before = 21  # days
    [change]
    <BLANKLINE>
    """
    if not _PAIRING.search(text):
        text += "\n[pairing]\n"
    for key, value in keys.items():
        start, end = next(_PAIRING.finditer(text)).span(1)
        body, line, found = text[start:end], f"{key} = {json.dumps(value)}", 0
        for mark in ("", "# *"):  # in use already, else as a comment
            if not found:
                form = rf"(?m)^{mark}{key} *=[^#\n]*?(?= *(?:#|$))"
                body, found = re.subn(form, line, body, count=1)
        text = text[:start] + (body if found else f"{line}\n{body}") + text[end:]
    try:
        said = tomllib.loads(text)["pairing"]
        good = all(said.get(key) == value for key, value in keys.items())
    except ValueError:
        good = False
    if not good:
        raise AgreementError(
            f"study.toml was left as it is: write {', '.join(keys)} under [pairing] by hand."
        )
    return text


def write_pairing(folder: Path, keys: Mapping[str, object]) -> None:
    """Write keys of ``[pairing]`` into a study.toml; AgreementError if it cannot take them."""
    path = folder / "study.toml"
    text = with_pairing(path.read_text(encoding="utf-8-sig"), keys)
    with whole_file(path) as file:
        file.write(text.encode())
