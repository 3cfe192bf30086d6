"""Write choices into a study.toml that a person keeps: its comments and its order stay."""

import json
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path

from agreement.errors import AgreementError
from agreement.tables.whole_output import whole_file


def with_keys(text: str, table: str, keys: Mapping[str, object]) -> str:
    r"""
    Return a study file with keys of one table set; a commented key is taken into use.

    table: name of the table, such as ``pairing``.
    keys: numbers, texts, truth values.
    Raises AgreementError if the result would not say what was meant.

    >>> before = chr(10).join(["[pairing]", "# days_before = 14  # days", "[change]", ""])
    >>> print(with_keys(before, "pairing", {"days_before": 21}))
    [pairing]
    days_before = 21  # days
    [change]
    <BLANKLINE>
    """
    lines = text.splitlines()
    for key, value in keys.items():
        _set(lines, table, key, json.dumps(value, ensure_ascii=False))
    changed = "\n".join(lines) + "\n"
    try:
        found: object = tomllib.loads(changed)
        for part in table.split("."):
            found = found[part] if isinstance(found, dict) else None
        good = isinstance(found, dict) and all(found.get(k) == v for k, v in keys.items())
    except (ValueError, KeyError):
        good = False
    if not good:
        raise AgreementError(
            f"study.toml was left as it is: write {', '.join(keys)} under [{table}] by hand."
        )
    return changed


def _set(lines: list[str], table: str, key: str, value: str) -> None:
    """Set one key in the lines of a file, in place."""
    head = re.compile(rf"\s*\[{re.escape(table)}\]\s*(#.*)?")
    start = next((i for i, line in enumerate(lines) if head.fullmatch(line)), None)
    if start is None:
        lines += ["", f"[{table}]", f"{key} = {value}"]
        return
    end = next(
        (i for i in range(start + 1, len(lines)) if re.match(r"\s*\[", lines[i])), len(lines)
    )
    for form in (rf"\s*{key}\s*=", rf"#\s*{key}\s*="):  # in use already, else as a comment
        for i in range(start + 1, end):
            if re.match(form, lines[i]):
                comment = re.search(r'\s{2,}#[^"]*$', lines[i])
                lines[i] = f"{key} = {value}" + (comment[0] if comment else "")
                return
    lines.insert(start + 1, f"{key} = {value}")


def write_choices(folder: Path, choices: Mapping[str, Mapping[str, object]]) -> None:
    """
    Write choices into the study.toml of a folder.

    choices: keys and values by table.
    Raises AgreementError if the file cannot take them; it stays as it was.
    """
    path = folder / "study.toml"
    text = path.read_text(encoding="utf-8-sig")
    for table, keys in choices.items():
        text = with_keys(text, table, keys)
    with whole_file(path) as file:
        file.write(text.encode())
