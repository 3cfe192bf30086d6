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

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Severity = Literal["stop", "set_aside", "note"]


@dataclass(frozen=True, slots=True)
class Problem:
    """
    One thing found in a study folder.

    Attributes
    ----------
    severity : {"stop", "set_aside", "note"}
        Whether the run ends, the row leaves, or the row stays and the reader should know.
    reason : str
        A code; for ``set_aside`` one of `agreement.terms.REASONS`.
    file : str
        Path inside the study folder.
    row : int or None
        As a spreadsheet counts: the header is row 1. None: the whole file.
    column : str or None
        The column as the file calls it. None: the whole row.
    what, remedy : str
        What is wrong, with the value; and what to do.
    """

    severity: Severity
    reason: str
    file: str
    row: int | None
    column: str | None
    what: str
    remedy: str

    def __str__(self) -> str:
        """Return file, row, column, what and remedy as one line."""
        place = self.file
        if self.row is not None:
            place += f", row {self.row}"
        if self.column is not None:
            place += f", column '{self.column}'"
        return f"{place}: {self.what} {self.remedy}".rstrip()


class AgreementError(ValueError):
    """Anything the user can put right; the command line prints it and ends with exit code 2."""


class TableError(AgreementError):
    """A study folder that cannot be used; `problems` holds every breach, not only the first."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(map(str, self.problems)))


class OutputError(AgreementError):
    """Output that cannot be written where it was asked for."""


class AgreementWarning(UserWarning):
    """Usable, but odd; also kept on the result that it concerns."""


class SmallSampleWarning(AgreementWarning):
    """Too few athletes for the number to be well determined."""
