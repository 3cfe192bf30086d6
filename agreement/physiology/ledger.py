"""Rows that the physiology stage cannot use, in the words of the ledger."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

import pandas as pd

from agreement.errors import Problem
from agreement.terms import EXCLUSION_COLUMNS

FILES_NAMED: Final = 3  # more raw files with one and the same note share a line


NOTHING: Final = pd.DataFrame(
    {name: pd.Series(dtype="int64" if name == "row" else "str") for name in EXCLUSION_COLUMNS}
)


def set_aside_rows(rows: pd.DataFrame, reason: str, messages: Iterable[str] | str) -> pd.DataFrame:
    """Return ledger lines for `rows` (columns file, row, id); messages become sentences."""
    if rows.empty:
        return NOTHING
    lines = rows[["file", "row", "id"]].assign(reason=reason)
    each = [messages] * len(rows) if isinstance(messages, str) else messages
    lines["message"] = [text if text.endswith(".") else f"{text}." for text in each]
    return lines[EXCLUSION_COLUMNS]


def joined(lines: list[pd.DataFrame]) -> pd.DataFrame:
    """Return ledger lines as one table, also when there are none."""
    some = [part for part in lines if len(part)]
    return pd.concat(some, ignore_index=True) if some else NOTHING


def as_problems(lines: pd.DataFrame) -> tuple[Problem, ...]:
    """Return the same lines as problems, for `check`."""
    return tuple(
        Problem("set_aside", reason, file, int(row), None, message, "")
        for file, row, reason, message in zip(
            lines["file"], lines["row"], lines["reason"], lines["message"], strict=True
        )
    )


def grouped_notes(notes: Sequence[Problem], folder: str) -> tuple[Problem, ...]:
    """
    Return the notes on raw files, those that many files share in one line.

    Parameters
    ----------
    notes : sequence of Problem
        On files of one folder, in their order.
    folder : str
        Where the files lie; the place of a shared line.
    """
    kinds: dict[tuple[str, str, str | None], list[Problem]] = {}
    for note in notes:
        kinds.setdefault((note.severity, note.reason, note.column), []).append(note)
    found: list[Problem] = []
    for alike in kinds.values():
        files = list(dict.fromkeys(note.file for note in alike))
        if len(files) <= FILES_NAMED:
            found += alike
            continue
        row = "" if alike[0].row is None else f", row {alike[0].row}"
        what = f"in {len(files)} files; the first is {files[0]}{row}: {alike[0].what}"
        found.append(replace(alike[0], file=folder, row=None, what=what))
    return tuple(found)
