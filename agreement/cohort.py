"""
A study, from its folder to its results: the loader, and a thin frozen face with one-line methods.

Every question is answered by a function of the stages before; here is no arithmetic.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from agreement.errors import Problem, TableError
from agreement.pairing import Pairing, pair
from agreement.pairing.other_rules import pairs_by_other_rules
from agreement.physiology.coverage import intensity_coverage
from agreement.physiology.laboratory import LaboratoryValues, laboratory_values
from agreement.physiology.readings import Readings, field_readings
from agreement.physiology.stage_splits import session_splits, stage_splits
from agreement.stats.evidence import Evidence
from agreement.tables.study import StudyTables, inspect_study
from agreement.tables.unchanged import require_unchanged

if TYPE_CHECKING:
    from agreement.stats.method_results import MethodResults
    from agreement.stats.results_table import StudyResults

SEVERITIES = ("stop", "set_aside", "note")


@dataclass(frozen=True)
class Cohort:
    """
    One study: what was read, computed and paired, and what follows from it.

    Attributes
    ----------
    study : StudyTables
        The checked tables and the study's choices.
    laboratory : LaboratoryValues
        One VO2max per laboratory test. [mL/kg/min]
    readings : Readings
        Every field reading. [mL/kg/min]
    pairing : Pairing
        Pairs, ledger and the frames behind the statistics.
    """

    study: StudyTables
    laboratory: LaboratoryValues
    readings: Readings
    pairing: Pairing

    @property
    def pairs(self) -> pd.DataFrame:
        """One row per pair; difference is field minus laboratory. [mL/kg/min]."""
        return self.pairing.pairs

    @property
    def exclusions(self) -> pd.DataFrame:
        """One row per row left out, with its reason."""
        return self.pairing.exclusions

    @property
    def flow(self) -> pd.DataFrame:
        """One row per input table: rows read, used, summarised and excluded."""
        return self.pairing.flow

    @property
    def problems(self) -> tuple[Problem, ...]:
        """Everything found on the way: what was set aside, then notes."""
        parts = (self.study, self.laboratory, self.readings, self.pairing)
        return in_order(problem for part in parts for problem in part.problems)

    @cached_property
    def evidence(self) -> Evidence:
        """What the statistics are computed from."""
        study, laboratory, pairs = self.study, self.laboratory, self.pairs
        dates = study.lab_tests["date"]
        stated = study.options.profile.use == "stated"
        carried = study.options.extrapolation
        stages = stage_splits(study.field_tests, study.athletes, pairs, extrapolation=carried)
        sessions = session_splits(laboratory.stages, pairs)
        return Evidence(
            pairs=pairs,
            daily=self.pairing.daily,
            repeats=self.pairing.repeats,
            options=study.options,
            heart_rate_based=self.readings.heart_rate_based,
            first_lab_date=None if dates.empty else dates.min().date(),
            next_door={} if stated else laboratory.next_door,
            coverage=intensity_coverage(
                self.readings.session_lines, pairs, window_days=carried.window_days
            ),
            splits=pd.concat([stages, sessions], ignore_index=True),
            averaging=laboratory.under_each_rule,
            across_modes=self.pairing.across_modes,
            other_rules=pairs_by_other_rules(self.readings.frame, laboratory.frame, study.options),
        )

    @cached_property
    def results(self) -> "StudyResults":
        """Every analysis for every method and mode; computed once."""
        from agreement.stats.results_table import analyse  # so that pairing alone stays light

        return analyse(self.evidence)

    def method(self, method: str, mode: str) -> "MethodResults":
        """Return the results of one method in one mode of exercise."""
        return next(m for m in self.results.methods if (m.method, m.mode) == (method, mode))


def in_order(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """Return stops, then what was set aside, then notes; each kind as it was found."""
    return tuple(sorted(problems, key=lambda problem: SEVERITIES.index(problem.severity)))


def read_cohort(
    folder: Path | str, *, progress: Callable[[int, int], None] | None = None
) -> Cohort:
    """
    Read a study folder and pair laboratory and field.

    Parameters
    ----------
    folder : Path or str
        The study folder.
    progress : callable, optional
        Called with the number of session files read and their total.

    Returns
    -------
    Cohort
        The statistics are computed when first asked for.

    Raises
    ------
    TableError
        With every problem that stops the study, not only the first; also when a file was changed
        while it was being read.
    """
    cohort, problems = inspect_cohort(folder, progress=progress)
    if cohort is None:
        raise TableError(problem for problem in problems if problem.severity == "stop")
    require_unchanged(cohort.study.folder, cohort.study.inputs)
    return cohort


def inspect_cohort(
    folder: Path | str, *, progress: Callable[[int, int], None] | None = None
) -> tuple[Cohort | None, tuple[Problem, ...]]:
    """
    Read a study folder and return everything found on the way to its pairs, without raising.

    Parameters
    ----------
    folder : Path or str
        The study folder.
    progress : callable, optional
        Called with the number of session files read and their total.

    Returns
    -------
    cohort : Cohort or None
        None when something stops the study.
    problems : tuple of Problem
        Stops, then what was set aside, then notes.
    """
    study, problems = inspect_study(folder)
    if study is None:
        return None, problems
    known = study.problems
    try:
        laboratory = laboratory_values(study, progress=progress)
        known += laboratory.problems
        readings = field_readings(
            study,
            laboratory.frame,
            sessions=laboratory.sessions,
            training=laboratory.training,
        )
    except TableError as error:
        return None, in_order((*error.problems, *known))
    cohort = Cohort(study, laboratory, readings, pair(study, laboratory, readings))
    return cohort, cohort.problems
