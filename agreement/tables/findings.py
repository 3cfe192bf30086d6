"""Collects what a study folder's reading finds: problems for people, ledger lines for the account."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, partial
from typing import Any, NamedTuple, get_args

import numpy as np
import pandas as pd

from agreement.arrays import Ints
from agreement.errors import Problem, Severity
from agreement.tables.columns import Table
from agreement.tables.options import FileFormat
from agreement.terms import EXCLUSION_COLUMNS, counted, declared

SHOWN = 20  # of one kind in one file and column; the rest is counted
_OF_WHOLE_COLUMN = ("date_order", "code")  # though the stop names the first row concerned
_UNKNOWN_WITHOUT = {  # what is unknown as long as a table lacks the column of its ids
    "unknown_athlete": {"athlete_id"},
    "unknown_test": {"lab_test_id", "session_id"},
    "row_left_out": {"lab_test_id", "session_id"},
}
_MORE = "the same problem."  # ends the count of the rest
Rows = Ints
Words = dict[str, Any]  # words that a message is filled in with
_Likeness = tuple[str, str, str, *tuple[str | None, ...]]  # severity, reason, table, column, what


class Message(NamedTuple):
    """What is said of one kind of problem, as `messages.toml` has it: sentences to be filled in."""

    severity: Severity
    reason: str
    what: str
    remedy: str


_messages = cache(partial(declared, "messages.toml"))  # read when first needed


def message(name: str) -> Message:
    """Return the message of a name."""
    said = _messages()[name]
    severity: Severity = next(kind for kind in get_args(Severity) if kind in said)
    return Message(severity, said[severity], said["what"], said["remedy"])


def messages_of(reason: str) -> list[Message]:
    """Return all that is said under a code."""
    return [one for name in _messages() if (one := message(name)).reason == reason]


def problem(
    name: str, file: str, row: int | None = None, column: str | None = None, /, **values: Any
) -> Problem:
    """Return the problem that `messages.toml` calls so, filled in with `values`."""
    severity, reason, what, remedy = message(name)
    said = (what.format_map(values), remedy.format_map(values))
    return Problem(severity, reason, file, row, column, *said)


def of_row(values: dict[str, Any], i: int) -> dict[str, Any]:
    """Return what is said of one row: of arrays its cell, what functions return for it, all else."""
    return {
        name: one[i] if isinstance(one, np.ndarray) else one(i) if callable(one) else one
        for name, one in values.items()
    }


@dataclass(slots=True)
class Findings:
    """Every problem found so far, and every row left out; filled by the readers."""

    problems: list[Problem] = field(default_factory=list)
    undecided: set[tuple[str, str]] = field(
        default_factory=set
    )  # file, column without a unit or mark
    _ledger: list[pd.DataFrame] = field(default_factory=list)

    @property
    def stops(self) -> tuple[Problem, ...]:
        """The problems that end the run."""
        return tuple(p for p in self.problems if p.severity == "stop")

    def tell(
        self,
        name: str,
        file: str,
        /,
        *,
        row: int | None = None,
        column: str | None = None,
        **values: Any,
    ) -> None:
        """Record the problem that `messages.toml` calls so, filled in with `values`."""
        self.problems.append(problem(name, file, row, column, **values))

    def each(
        self,
        severity: Severity,
        reason: str,
        file: str,
        rows: Rows,
        column: str | None,
        what: Callable[[int], str],
        remedy: str,
        *,
        shown: int = SHOWN,
    ) -> None:
        """
        Record one problem per row: the first `shown` in full, the rest as a count.

        `what` is called with the position in `rows`, so that text is made only for what is shown.
        Of a column whose unit is undecided nothing is said row by row: the unit decides all of it.
        """
        if severity != "stop" and column is not None and (file, column) in self.undecided:
            return
        self.problems += [
            Problem(severity, reason, file, int(row), column, what(i), remedy)
            for i, row in enumerate(rows[:shown])
        ]
        if (more := len(rows) - shown) > 0:
            self.problems.append(
                Problem(severity, reason, file, None, column, more_rows(more), remedy)
            )

    def leave_out(
        self,
        reason: str,
        file: str,
        rows: Rows,
        ids: Sequence[object] | pd.Series,
        messages: Sequence[str],
        *,
        column: str | None = None,
        remedy: str,
    ) -> None:
        """Record rows set aside: a ledger line for each, a problem for the first `SHOWN`."""
        self._add(reason, file, messages, rows, ids)
        self.each("set_aside", reason, file, rows, column, lambda i: messages[i], remedy)

    def add_lines(self, lines: pd.DataFrame) -> None:
        """Take over ledger lines made elsewhere; columns `agreement.terms.EXCLUSION_COLUMNS`."""
        if len(lines):
            self._ledger.append(lines[EXCLUSION_COLUMNS])

    def leave_out_parts(
        self, name: str, folder: str, files: dict[str, str], /, **values: Any
    ) -> None:
        """Record raw files, by id, that are set aside: a line is of a file, so it has no row."""
        if not files:
            return
        _, reason, what, remedy = message(name)
        messages = [what.format_map({"id": identity} | values) for identity in files]
        remedy = remedy.format_map(values)
        self._add(reason, folder, messages, [pd.NA] * len(files), list(files))
        self.problems += [
            Problem("set_aside", reason, file, None, None, said, remedy)
            for file, said in zip(files.values(), messages, strict=True)
        ]

    def withdraw(self, file: str, count: int) -> None:
        """Record that rows were removed at participants' request: one line, a count, no id."""
        found = problem("withdrawn", file, rows=counted(count, "row"))
        self._add("withdrawn", file, [found.what], [pd.NA], [None])
        self.problems.append(found)

    def ledger(self) -> pd.DataFrame:
        """Return every line of rows left out; columns `agreement.terms.EXCLUSION_COLUMNS`."""
        if not self._ledger:
            self._add("", "", [], [], [])
        return pd.concat(self._ledger, ignore_index=True)

    def _add(
        self, reason: str, file: str, messages: Sequence[str], rows: Any, ids: Iterable[object]
    ) -> None:
        """Add a line to the ledger for each message."""
        text: dict[str, Any] = {"file": file, "reason": reason, "message": messages, "id": ids}
        places = range(len(messages))
        lines = {name: pd.Series(cells, places, "str") for name, cells in text.items()}
        lines["row"] = pd.Series(rows, places, "Int64")
        self._ledger.append(pd.DataFrame(lines)[EXCLUSION_COLUMNS])


@dataclass(slots=True)
class Source:
    """One file read as one table: what it should be, what is stated of it, where problems go."""

    table: Table
    file: str  # path inside the study folder
    form: FileFormat
    findings: Findings
    theirs: dict[str, str] = field(default_factory=dict, kw_only=True)  # headers by our names

    @property
    def section(self) -> str:
        """Return the table of `study.toml` that says how the file is read."""
        return f"[files.{self.table.name}]"

    def header(self, column: str) -> str:
        """Return our column as the file calls it."""
        return self.theirs.get(column, column)

    def tell(
        self, name: str, /, column: str | None = None, row: int | None = None, **values: Any
    ) -> None:
        """Record a problem of this file as `Findings.tell` does; `column` is ours, or a header."""
        header, values = column and self.header(column), {"section": self.section} | values
        self.findings.tell(name, self.file, row=row, column=header, **values)


def merged_problems(found: Iterable[Problem], folder: str) -> list[Problem]:
    """
    Return the problems of the many parts of one table, in the `folder`, as if it were one file.

    Of one kind as many stand in full as one part shows, `SHOWN` at most, and the rest is counted;
    what is said of whole parts is said once. Lines about people who withdrew are left to the
    caller, who knows the sum.
    """
    kinds: dict[_Likeness, list[Problem]] = {}
    more: dict[_Likeness, int] = {}
    shown: dict[_Likeness, int] = {}
    for problem in found:
        table = folder if problem.file.startswith(f"{folder}/") else problem.file
        key: _Likeness = (problem.severity, problem.reason, table, problem.column)
        if problem.row is not None:
            kinds.setdefault(key, []).append(problem)
        elif problem.what.endswith(_MORE):
            shown.setdefault(key, min(SHOWN, len(kinds.get(key, []))))
            more[key] = more.get(key, 0) + int(problem.what.split()[0])
        elif problem.reason != "withdrawn":
            kinds.setdefault((*key, problem.what), []).append(problem)
    merged = []
    for key, same in kinds.items():
        if same[0].row is None:
            merged.append(same[0] if len(same) == 1 else replace(same[0], file=key[2]))
            continue
        few = shown.get(key, SHOWN)
        merged += same[:few]
        if rest := len(same[few:]) + more.get(key, 0):
            merged.append(replace(same[0], file=key[2], row=None, what=more_rows(rest)))
    return merged


def more_rows(rows: int) -> str:
    """Return the count of the rows that are not shown."""
    return f"{counted(rows, 'more row')} {'has' if rows == 1 else 'have'} {_MORE}"


def without_consequences(problems: Sequence[Problem]) -> tuple[Problem, ...]:
    """Return stops, set aside, notes; what a stop explains is not set aside on top of it."""
    stops = [p for p in problems if p.severity == "stop"]
    rows = {(p.file, p.row) for p in stops if p.row is not None}
    columns = {
        (p.file, p.column)
        for p in stops
        if p.column is not None and (p.row is None or p.reason in _OF_WHOLE_COLUMN)
    }
    lacking = {p.file for p in stops if p.reason == "missing_column"}
    unknown = {
        reason
        for reason, keys in _UNKNOWN_WITHOUT.items()
        if keys & {p.column for p in stops if p.reason == "missing_column"}
    }
    aside = [
        p
        for p in problems
        if p.severity == "set_aside"
        and (p.file, p.row) not in rows
        and (p.file, p.column) not in columns
        and p.file not in lacking
        and p.reason not in unknown
    ]
    return (*stops, *aside, *(p for p in problems if p.severity == "note"))
