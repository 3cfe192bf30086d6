"""
What can be wrong, and how it is said.

The tree, so that a caller can catch as much or as little as they mean to::

    ValueError
    └── AgreementError        anything the user can put right
        ├── TableError        the study folder: every problem at once, each with file, row, column
        └── OutputError       the place where output should go
    UserWarning
    └── AgreementWarning      usable, but odd
        └── SmallSampleWarning
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal, get_args

Severity = Literal["stop", "set_aside", "note"]

# What a terminal obeys or hides: C0 and C1 controls and DEL, marks of writing direction, breaks of
# lines, characters without width, language tags, halves of characters (Unicode 15, categories Cc,
# Cf, Zl, Zp, Cs).
_UNSEEN: Final = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\xad\u061c\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f"
    "\ufeff\ufff9-\ufffb\ud800-\udfff\U000e0000-\U000e007f]"
)
_BREAKS: Final = re.compile("[\n\t]")


def visible(text: str) -> str:
    r"""
    Return a text of ours as a terminal may show it: what it would obey or hide becomes an escape.

    >>> visible("a\x1b[31mb\u202ec")
    'a\\x1b[31mb\\u202ec'
    """
    return _UNSEEN.sub(_escape, text)


def as_argument(path: object) -> str:
    """
    Return a path as a command line takes it, whichever shell reads that.

    >>> as_argument("crew-2026"), as_argument("the crew")
    ('crew-2026', '"the crew"')
    """
    text = str(path)
    return text if re.fullmatch(r"[\w./\\:~-]+", text) else f'"{text}"'


def in_one_line(text: str) -> str:
    r"""
    Return a text that came from outside, line ends and tabs escaped too: it cannot pose as a line.

    >>> in_one_line("a\nStopped")
    'a\\nStopped'
    """
    return _BREAKS.sub(_escape, visible(text))


def _escape(found: re.Match[str]) -> str:
    """Return one character as Python writes it."""
    return found[0].encode("unicode_escape", "surrogatepass").decode("ascii")


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing found in a study folder."""

    # {"stop", "set_aside", "note"}. Whether the run ends, the row leaves, or the row stays and the
    # reader should know.
    severity: Severity
    reason: str  # a code; for ``set_aside`` one of `agreement.terms.REASONS`
    file: str  # path inside the study folder
    row: int | None  # as a spreadsheet counts: the header is row 1. None: the whole file.
    column: str | None  # the column as the file calls it. None: the whole row.
    # what, remedy: what is wrong, with the value; and what to do
    what: str
    remedy: str

    def __str__(self) -> str:
        """Return file, row, column, what and remedy as one line."""
        place = self.file
        if self.row is not None:
            place += f", row {self.row}"
        if self.column is not None:
            place += f", column '{self.column}'"
        return in_one_line(f"{place}: {self.what} {self.remedy}".rstrip())


def in_order(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """Return stops, then what was set aside, then notes; each kind as it was found."""
    kinds = get_args(Severity)
    return tuple(sorted(problems, key=lambda problem: kinds.index(problem.severity)))


class AgreementError(ValueError):
    """Anything the user can put right; the command line prints it and ends with exit code 2."""


class TableError(AgreementError):
    """A study folder that cannot be used; `problems` holds every breach, not only the first."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(map(str, self.problems)))

    def _render_traceback_(self) -> list[str]:
        """Return what notebooks show in place of tracebacks: the stops as a table, then the rest."""
        stops = [p for p in self.problems if p.severity == "stop"] or list(self.problems)
        place = [(p.file, str(p.row or ""), p.column or "") for p in stops]
        head = ("file", "row", "column")
        wide = [max(map(len, cells)) for cells in zip(head, *place, strict=True)]
        lines = [f"This study cannot be used; what stops it ({len(stops)}):", ""]
        for cells, p in zip([head, *place], [None, *stops], strict=True):
            start = "  ".join(
                c.ljust(w) for c, w in zip(map(in_one_line, cells), wide, strict=True)
            )
            lines.append(f"{start}  {in_one_line(p.what) if p else 'what, and what to do'}")
            lines += [" " * (len(start) + 2) + in_one_line(p.remedy)] if p else []
        rest = len(self.problems) - len(stops)
        return [*lines, "", f"{rest} more are in `problems` of this error."] if rest else lines


class StoppedReadings(TableError):
    """Field readings that cannot be made; `found` holds what was set aside or noted too."""

    def __init__(self, stops: Iterable[Problem], found: Iterable[Problem]) -> None:
        super().__init__(stops)
        self.found = tuple(found)


class OutputError(AgreementError):
    """Output that cannot be written where it was asked for."""


class TooManyPairsError(AgreementError):
    """A report of everybody would not fit into memory; what to do is its sentence."""


class AgreementWarning(UserWarning):
    """Usable, but odd; also kept on the result that it concerns."""


class SmallSampleWarning(AgreementWarning):
    """Too few athletes for the number to be well determined."""
