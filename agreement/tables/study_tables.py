"""What reading a study folder gives: its checked tables, and what was found in them."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from agreement.errors import Problem
from agreement.tables.options import StudyOptions
from agreement.tables.parts import PartReader
from agreement.tables.parts_together import part_of_problem
from agreement.tables.readers import InputFile


@dataclass(frozen=True, slots=True)
class StudyTables:
    """
    A study, checked: what the later stages compute from.

    Attributes
    ----------
    folder : Path
        Where it was read.
    options : StudyOptions
        The choices of `study.toml`.
    athletes, lab_tests, field_estimates, field_tests, sessions : DataFrame
        Always with all their columns; rows set aside and people who withdrew are gone. VO2max in
        mL/kg/min (`vo2max_l_min` in L/min waits for the mass of the paired test). `date` is a
        calendar date in the study's zone, `instant` UTC, `row` counts as a spreadsheet does.
    breaths, samples : dict of str to Path
        Raw files by lab_test_id and session_id.
    set_aside : DataFrame
        Columns `agreement.terms.EXCLUSION_COLUMNS`: what was left out so far, and why.
    withdrawn : dict of str to int
        Rows of people who withdrew, by file.
    problems : tuple of Problem
        What was set aside or noted.
    rows_read : dict of str to int
        Rows of each table, by its name; raw files count as one each.
    names : dict of str to str
        File of each table.
    inputs : tuple of InputFile
        Every file read, for provenance.
    parts : PartReader or None
        Of field estimates given as a folder of parts. Their `row` runs over all parts (see
        `agreement.tables.parts.PART_STEP`) and their `file` is the folder.
    many : dict of str to tuple of str
        Files of each table in parts or dated exports, by its folder; rows of such a table are
        numbered like those of parts.
    given : mapping of str to DataFrame, or None
        The frames that it was made from, where there is no folder.
    laboratory_only : bool
        There is no table of field values: the study is of the laboratory itself.
    """

    folder: Path
    options: StudyOptions
    athletes: pd.DataFrame
    lab_tests: pd.DataFrame
    field_estimates: pd.DataFrame
    field_tests: pd.DataFrame
    sessions: pd.DataFrame
    breaths: dict[str, Path] = field(default_factory=dict)
    samples: dict[str, Path] = field(default_factory=dict)
    set_aside: pd.DataFrame = field(default_factory=pd.DataFrame)
    withdrawn: dict[str, int] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()
    rows_read: dict[str, int] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)
    inputs: tuple[InputFile, ...] = ()
    parts: PartReader | None = None
    given: Mapping[str, pd.DataFrame] | None = None
    laboratory_only: bool = False
    many: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def told(self, problems: Iterable[Problem]) -> tuple[Problem, ...]:
        """Return problems with the file and its own row in place of a folder and a running row."""
        found = tuple(problems)
        for name, files in self.many.items():
            found = tuple(part_of_problem(one, name, files) for one in found)
        return found
