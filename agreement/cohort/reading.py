"""The loaders: a study folder, or two tables, to a cohort or its pairs."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from agreement.cohort.cohort import Cohort
from agreement.errors import Problem, StoppedReadings, TableError, in_order
from agreement.physiology.elsewhere import SessionProgress
from agreement.tables.paths import require_unchanged
from agreement.tables.study import inspect_study


def read_cohort(folder: Path | str, *, progress: SessionProgress | None = None) -> Cohort:
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

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from agreement.tables.new_study import worked_example
    >>> with TemporaryDirectory() as folder:
    ...     worked_example(f"{folder}/runners")
    ...     cohort = read_cohort(f"{folder}/runners")
    >>> cohort.methods[0]
    ('line_on_run_time', 'run')
    """
    cohort, problems = inspect_cohort(folder, progress=progress)
    if cohort is None:
        raise TableError(problem for problem in problems if problem.severity == "stop")
    require_unchanged(cohort.study.folder, cohort.study.inputs)
    return cohort


def inspect_cohort(
    folder: Path | str, *, progress: SessionProgress | None = None
) -> tuple[Cohort | None, tuple[Problem, ...]]:
    """
    Read a study folder and return everything found on the way to its pairs, without raising.

    progress: called with the number of session files read and their total.
    Returns cohort: None when something stops the study.
    Returns problems: stops, then what was set aside, then notes.
    """
    study, problems = inspect_study(folder)
    if study is None:
        return None, problems
    try:
        cohort = Cohort.of(study, progress=progress)
    except TableError as error:  # raw files of the laboratory, or readings
        found = error.found if isinstance(error, StoppedReadings) else error.problems
        return None, in_order(study.told((*found, *study.problems)))
    stopped = any(doubt.severity == "stop" for doubt in cohort.doubts)
    return (None if stopped else cohort), cohort.problems


def pair(
    lab_tests: Any, field_estimates: Any, *, options: Mapping[str, Any] | None = None
) -> pd.DataFrame:
    """
    Pair laboratory tests with the fair summary of the field estimates around them.

    Parameters
    ----------
    lab_tests, field_estimates : table
        As for `Cohort.from_frames`, which also gives the account of what was left out.
    options : mapping, optional
        As for `Cohort.from_frames`.

    Returns
    -------
    DataFrame
        One row per pair; columns `agreement.terms.PAIR_COLUMNS` first. Difference is field minus
        laboratory. [mL/kg/min]

    Raises
    ------
    TableError
        With every problem of the tables.

    Examples
    --------
    >>> tests = {"lab_test_id": ["T1"], "athlete_id": ["A"], "date": ["2026-03-20"],
    ...          "mode": ["run"], "vo2max_ml_kg_min": [50.0]}
    >>> readings = {"athlete_id": ["A", "A"], "taken_at": ["2026-03-17", "2026-03-19"],
    ...             "method": ["wrist"] * 2, "mode": ["run"] * 2, "vo2max_ml_kg_min": [51.0, 54.0]}
    >>> pair(tests, readings)[["field", "lab", "difference"]].to_numpy().tolist()
    [[52.5, 50.0, 2.5]]
    """
    return Cohort.from_frames(
        lab_tests=lab_tests, field_estimates=field_estimates, options=options
    ).pairs
