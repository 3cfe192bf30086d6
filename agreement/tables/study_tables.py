"""What reading a study folder gives: its checked tables, and what was found in them."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from agreement.errors import Problem
from agreement.tables.options import StudyOptions
from agreement.tables.parts import PartReader, part_of_problem
from agreement.tables.readers import InputFile


@dataclass(frozen=True, slots=True)
class StudyTables:
    """A study, checked: what the later stages compute from."""

    folder: Path  # where it was read
    options: StudyOptions  # the choices of `study.toml`
    # athletes, lab_tests, field_estimates, field_tests, sessions: always with all their columns;
    # rows set aside and people who withdrew are gone. VO2max in mL/kg/min (`vo2max_l_min` in L/min
    # waits for the mass of the paired test). `date` is a calendar date in the study's zone,
    # `instant` UTC, `row` counts as a spreadsheet does.
    athletes: pd.DataFrame
    lab_tests: pd.DataFrame
    field_estimates: pd.DataFrame
    field_tests: pd.DataFrame
    sessions: pd.DataFrame
    # breaths, samples: raw files by lab_test_id and session_id
    breaths: dict[str, Path] = field(default_factory=dict)
    samples: dict[str, Path] = field(default_factory=dict)
    # columns `agreement.terms.EXCLUSION_COLUMNS`: what was left out so far, and why
    set_aside: pd.DataFrame = field(default_factory=pd.DataFrame)
    withdrawn: dict[str, int] = field(default_factory=dict)  # rows of people who withdrew, by file
    problems: tuple[Problem, ...] = ()  # what was set aside or noted
    # rows of each table, by its name; raw files count as one each
    rows_read: dict[str, int] = field(default_factory=dict)
    # rows of the list of people, also of those who withdrew; of dated exports of the newest list
    people_listed: int = 0
    names: dict[str, str] = field(default_factory=dict)  # file of each table
    inputs: tuple[InputFile, ...] = ()  # every file read, for provenance
    # of field estimates given as a folder of parts. Their `row` runs over all parts (see
    # `agreement.tables.parts.PART_STEP`) and their `file` is the folder.
    parts: PartReader | None = None
    # the frames that it was made from, where there is no folder
    given: Mapping[str, pd.DataFrame] | None = None
    # there is no table of field values: the study is of the laboratory itself
    laboratory_only: bool = False
    # athlete_id, method, mode of field estimates whose VO2max is empty; None in parts
    without_value: pd.DataFrame | None = None
    # files of each table in parts or dated exports, by its folder; rows of such a table are
    # numbered like those of parts
    many: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def told(self, problems: Iterable[Problem]) -> tuple[Problem, ...]:
        """Return problems with the file and its own row in place of a folder and a running row."""
        found = tuple(problems)
        for name, files in self.many.items():
            found = tuple(part_of_problem(one, name, files) for one in found)
        return found
