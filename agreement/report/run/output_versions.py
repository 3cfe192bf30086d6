"""What differs between two versions of an output file, said in sentences."""

import csv
import io
import re
from collections import Counter
from collections.abc import Sequence
from math import isclose
from pathlib import Path
from typing import Any, Final

from agreement.tables.study_file import WITH_UNIT
from agreement.terms import OUTPUT_KEYS, OUTPUT_MEASURED

_ALIKE: Final = 1e-9
_DECIMAL: Final = re.compile(r"\d+\.\d+")
_MOST: Final = 5  # lines shown of each kind
Cells = dict[str, str]


def table_differences(name: str, old: Path, new: Path, *, without: Sequence[str] = ()) -> list[str]:
    """Say which lines of two tables differ, in which columns; not those in `without`."""
    try:
        before, after = _rows(old, without), _rows(new, without)
    except csv.Error:
        return [f"{name} is no table any more."]
    key = OUTPUT_KEYS.get(name.removesuffix(".csv"), ())
    if not key or set(key) & set(without):  # lines as they are, in any order
        old_rows, new_rows = (Counter(tuple(r.items()) for r in rows) for rows in (before, after))
        lost, added = (old_rows - new_rows).total(), (new_rows - old_rows).total()
        counts = f"{lost} lines are not in the new run, {added} are only there."
        return [f"{name}: {counts}"] if lost or added else []
    was, now = _by_key(before, key), _by_key(after, key)
    said = []
    for mark, row in was.items():
        if mark in now and (columns := _changed(row, now[mark])):
            cells = ", ".join(
                f"{c} was {row.get(c, 'absent')!r}, is now {now[mark].get(c, 'absent')!r}"
                for c in columns
            )
            said.append(f"{name}, line {'/'.join(mark)}: {cells}.")
    gone = [f"{name}: line {'/'.join(mark)} is not in the new run." for mark in was.keys() - now]
    more = [f"{name}: line {'/'.join(mark)} is only in the new run." for mark in now.keys() - was]
    shown = []
    for lines in (said, sorted(gone), sorted(more)):
        shown += first_lines(lines, f"{name}: ...")
    return shown


def first_lines(lines: list[str], begin: str = "...") -> list[str]:
    """
    Return the first lines of a kind, and how many more there are.

    >>> first_lines(["a", "b", "c", "d", "e", "f", "g"])[-2:]
    ['e', '... and 2 more of this kind.']
    """
    more = [f"{begin} and {len(lines) - _MOST} more of this kind."]
    return [*lines[:_MOST], *(more if len(lines) > _MOST else [])]


def _rows(path: Path, without: Sequence[str]) -> list[Cells]:
    text = path.read_text(encoding="utf-8", errors="replace")
    reader = csv.DictReader(io.StringIO(text, newline=""), restkey="beyond the header", restval="")
    return [{str(k): str(v) for k, v in row.items() if k not in without} for row in reader]


def _by_key(rows: list[Cells], key: Sequence[str]) -> dict[tuple[str, ...], Cells]:
    """Return rows by their key; a repeated one is numbered."""
    found: dict[tuple[str, ...], Cells] = {}
    for row in rows:
        mark = tuple(row.get(column, "") for column in key)
        while mark in found:
            mark = (*mark, "again")
        found[mark] = row
    return found


def _changed(old: Cells, new: Cells) -> list[str]:
    return [c for c in dict.fromkeys((*old, *new)) if not _same(c, old.get(c), new.get(c))]


def _same(column: str, old: str | None, new: str | None) -> bool:
    """Whether two cells say the same; measured numbers may differ by rounding on another machine."""
    if old == new or old is None or new is None or column not in OUTPUT_MEASURED:
        return old == new
    try:
        return isclose(float(old), float(new), rel_tol=_ALIKE, abs_tol=_ALIKE)
    except ValueError:
        return False


def same_but_for_rounding(old: str, new: str) -> bool:
    """
    Whether two texts are equal but for numbers with decimals in their last digit.

    >>> same_but_for_rounding("bias 4.25 of 30", "bias 4.26 of 30")
    True
    >>> same_but_for_rounding("bias 4.25 of 30", "bias 4.27 of 30")
    False
    >>> same_but_for_rounding("bias 4.25 of 30", "bias 4.25 of 31")
    False
    """
    if old == new:
        return True
    if _DECIMAL.sub("#", old) != _DECIMAL.sub("#", new):
        return False
    for one, other in zip(_DECIMAL.findall(old), _DECIMAL.findall(new), strict=True):
        step = 10.0 ** -min(len(text.partition(".")[2]) for text in (one, other))
        near = isclose(float(one), float(other), rel_tol=_ALIKE, abs_tol=1.01 * step)
        if one != other and not near:  # more than one step of the last digit apart
            return False
    return True


def unlike(old: dict[str, Any], new: dict[str, Any]) -> list[tuple[str, Any, Any]]:
    """Return the keys whose values differ, with both values."""
    both = ((key, old.get(key), new.get(key)) for key in dict.fromkeys((*old, *new)))
    return [each for each in both if each[1] != each[2]]


def key_of_study_file(name: str) -> str:
    """
    Return an option's dotted name as study.toml writes it.

    >>> key_of_study_file("margin.mean_limit"), key_of_study_file("pairing_field_tests.same_day")
    ('margin.mean_limit_ml_kg_min', 'pairing.field_tests.same_day')
    """
    table, _, key = name.replace("pairing_field_tests", "pairing.field_tests").rpartition(".")
    return f"{table}.{WITH_UNIT.get(key, key)}" if table else key


def option_in_words(value: Any) -> str:
    """
    Return an option's value for people.

    >>> [option_in_words(one) for one in (None, [], ["a", "b"], True, 7.0)]
    ['not stated', 'none', 'a, b', 'true', '7.0']
    """
    if isinstance(value, list):
        return ", ".join(map(option_in_words, value)) or "none"
    if isinstance(value, bool):
        return str(value).lower()
    return "not stated" if value is None else str(value)


def flat(options: dict[str, Any], above: str = "") -> dict[str, Any]:
    """Return nested options under dotted names."""
    found: dict[str, Any] = {}
    for key, value in options.items():
        name = f"{above}{key}"
        found |= flat(value, f"{name}.") if isinstance(value, dict) else {name: value}
    return found
