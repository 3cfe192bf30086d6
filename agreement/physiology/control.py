"""The laboratory's control: one person or calibrator tested again and again, who is no athlete."""

from dataclasses import replace

import pandas as pd

from agreement.errors import TableError
from agreement.physiology.arrays import Progress
from agreement.physiology.laboratory import LaboratoryValues, laboratory_values
from agreement.tables.columns import TABLES
from agreement.tables.findings import problem
from agreement.tables.study import StudyTables
from agreement.terms import EXCLUSION_COLUMNS

_MESSAGE = "The laboratory's own control ([control] of study.toml), no athlete of the study."
_TABLES = ("field_estimates", "field_tests", "sessions", "athletes")


def without_control(study: StudyTables) -> StudyTables:
    """Return a study without its control, but for the laboratory's tests; the ledger has each row."""
    who, lines = study.options.control.athlete_id, [study.set_aside]
    if who is None:
        return study
    kept = {}
    for name in _TABLES:
        frame = getattr(study, name)
        own = frame["athlete_id"] == who
        kept[name] = frame[~own].reset_index(drop=True)
        lines.append(_lines(frame[own], TABLES[name].ledger_id))
    return replace(study, **kept, set_aside=pd.concat(lines, ignore_index=True))


def laboratory_and_control(
    study: StudyTables, *, progress: Progress | None = None
) -> tuple[StudyTables, LaboratoryValues]:
    """
    Return a study without its control, and the laboratory's values with those of the control apart.

    Raises TableError with what stops laboratory values, or if the control has none.
    """
    who, study = study.options.control.athlete_id, without_control(study)
    laboratory = laboratory_values(study, progress=progress)
    if who is None:
        return study, laboratory
    frame, tests = laboratory.frame, study.lab_tests
    own = frame["athlete_id"] == who
    if not own.any():
        raise TableError([problem("no_control", "study.toml", who=who)])
    control = frame.loc[own, ["date", "mode", "lab"]].sort_values("date", ignore_index=True)
    aside = [laboratory.set_aside, _lines(frame[own], "lab_test_id")]
    apart = replace(
        laboratory,
        frame=frame[~own].reset_index(drop=True),
        control=control,
        set_aside=pd.concat(aside, ignore_index=True),
    )
    return replace(study, lab_tests=tests[tests["athlete_id"] != who]), apart


def _lines(rows: pd.DataFrame, ledger_id: str) -> pd.DataFrame:
    """Return ledger lines of rows of the control."""
    told = rows[["file", "row"]].assign(id=rows[ledger_id], reason="control", message=_MESSAGE)
    return told.astype({"row": "Int64", "id": "str"})[EXCLUSION_COLUMNS]
