"""A study file that is no TOML: the line, its text, and the line put right where that is plain."""

import re
import tomllib
from typing import Final

_PLACE: Final = re.compile(r"\(at line (\d+), column \d+\)")
_LINE: Final = re.compile(r"(\s*[\w.\"-]+\s*=\s*)([^#]*?)(\s*#.*)?")
_WORDS: Final = {"yes": "true", "no": "false", "True": "true", "False": "false", "ja": "true"}


def toml_fault(text: str, error: ValueError) -> tuple[str, str]:
    r"""
    Say what is wrong with a file that does not parse.

    error: what the parser said.

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
    return what, "Texts need quotes, tables stand in [brackets]; see the commented study.toml."


def _put_right(lines: list[str], at: int) -> str | None:
    """Return a line put right, if it is at fault and everything up to it can then be read."""
    try:
        tomllib.loads("\n".join(lines[: at + 1]) + "\n")
    except ValueError:
        pass
    else:
        return None
    for better in _candidates(lines[at]):
        try:
            tomllib.loads("\n".join([*lines[:at], better]) + "\n")
        except ValueError:
            continue
        return better
    return None


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
    if re.fullmatch(r"\d{1,2}[./]\d{1,2}[./]\d{4}", bare):
        return []  # a day whose order nobody knows
    options += [f'"{bare}"', "'" + bare + "'"]
    return [f"{key}{one}{comment}" for one in options if one]
