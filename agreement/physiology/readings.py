"""
The field's side: every reading of every method, from whatever was recorded.

Field estimates pass through as they are; field tests and training sessions are computed. A million
estimates share their columns with the table they came from.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from agreement.errors import Problem, TableError
from agreement.physiology.field_test_values import field_test_values
from agreement.physiology.field_tests import PROTOCOLS
from agreement.physiology.reading_rows import NO_MEMBERS, READING_COLUMNS, ReadingPart, join_parts
from agreement.physiology.session_estimates import session_estimates
from agreement.physiology.session_records import SessionRecords, session_records
from agreement.physiology.set_aside import as_problems, in_words_of_files, joined, set_aside_rows
from agreement.physiology.training import NO_PROFILES, TrainingProfiles, study_profiles
from agreement.physiology.unit_ratio import unit_stops
from agreement.tables.study import StudyTables
from agreement.terms import SESSIONS_METHOD

NO_SAMPLES = "no sample file, and training profiles are stated, so its zones are not needed"
NO_SAMPLES_REMEDY = 'Add its sample file, or remove use = "stated" from [profile] of study.toml.'


@dataclass(frozen=True, slots=True)
class Readings:
    """Every field reading of a study."""

    # `agreement.physiology.reading_rows.READING_COLUMNS`, RangeIndex; field in mL/kg/min
    frame: pd.DataFrame
    # reading (position in `frame`), row, id (categories): each source row behind a reading of a
    # stage protocol or a session estimate. A plain reading is its own row and is not listed.
    members: pd.DataFrame
    set_aside: pd.DataFrame  # ledger lines of rows behind no reading
    problems: tuple[Problem, ...]  # what the reader should know
    heart_rate_based: dict[str, bool]  # for each method, whether it rests on heart rate
    # lab_test_id, file, row, id: sessions behind the training profile of a laboratory test
    profile_rows: pd.DataFrame
    session_lines: pd.DataFrame  # the line behind every day's session estimate, refused ones too
    # athlete_id, mode, date, hr_bpm [bpm], vo2 [mL/kg/min]: the steady points behind these lines
    session_points: pd.DataFrame
    # the line behind every stage test, refused ones too; `method` says of which protocol
    stage_lines: pd.DataFrame = field(default_factory=pd.DataFrame)


def field_readings(
    study: StudyTables,
    laboratory: pd.DataFrame,
    *,
    sessions: SessionRecords | None = None,
    training: TrainingProfiles | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Readings:
    """
    Collect the readings of field estimates, field tests and training sessions.

    laboratory: `agreement.physiology.laboratory.LaboratoryValues.frame`, for measured HRmax.
    sessions: `LaboratoryValues.sessions`; the sample files are read again when not given.
    training: `LaboratoryValues.training`; computed again when not given.
    progress: called with the number of session files read and their total.
    Returns: field estimates in the order of the file, then field tests, then sessions.
    Raises TableError if a field test names a protocol that is not in the table, or field and
        laboratory are in different units.
    """
    tests = field_test_values(
        study.field_tests, study.athletes, laboratory, extrapolation=study.options.extrapolation
    )
    stops = [problem for problem in tests.problems if problem.severity == "stop"]
    stops += unit_stops(study.field_estimates, study.lab_tests, study.options)
    if stops:
        raise TableError(in_words_of_files(stops, study))
    parts, rows, lines = (
        [estimate_readings(study.field_estimates), tests],
        NO_PROFILES.rows,
        pd.DataFrame(),
    )
    points = pd.DataFrame()
    if len(study.sessions):
        records = sessions if sessions is not None else session_records(study, progress=progress)
        found = session_estimates(
            records, laboratory, study.athletes, extrapolation=study.options.extrapolation
        )
        if study.options.profile.use == "stated":
            training = NO_PROFILES
            bare = set_aside_rows(
                records.sessions[~records.sessions["has_samples"]],
                "missing_value",
                NO_SAMPLES,
                remedy=NO_SAMPLES_REMEDY,
            )
        else:
            if training is None:
                training, _ = study_profiles(laboratory, records, study.athletes, study.options)
            bare = training.too_few
        rows = training.rows
        parts.append(_with_profile_rows(found.part, rows, bare))
        lines, points = found.lines, found.points
    whole = join_parts(parts)
    return Readings(
        whole.readings,
        whole.members,
        whole.set_aside,
        in_words_of_files(whole.problems, study),
        heart_rate_methods(whole.readings, study),
        rows,
        lines,
        points,
        tests.lines,
    )


def _with_profile_rows(part: ReadingPart, rows: pd.DataFrame, others: pd.DataFrame) -> ReadingPart:
    """
    Settle the ledger lines of sessions.

    Sessions behind a training profile are used; `others` are lines of sessions that serve neither a
    profile nor an estimate, unless they have a line or an estimate already.
    """
    known = {*part.set_aside["id"], *part.members["id"].unique(), *rows["id"].unique()}
    left_out = joined([part.set_aside, others[~others["id"].isin(known)]])
    left_out = left_out[~left_out["id"].isin(rows["id"])].reset_index(drop=True)
    return part._replace(set_aside=left_out, problems=part.problems + as_problems(left_out))


def estimate_readings(estimates: pd.DataFrame) -> ReadingPart:
    """Return field estimates as readings, sharing every column of the table."""
    size = len(estimates)
    nothing = pd.Series(np.nan, index=estimates.index)
    frame = estimates.rename(columns={"vo2max": "field", "vo2max_l_min": "field_l_min"}).assign(
        source=_constant("field_estimates", estimates.index),
        id=estimates["athlete_id"],
        in_range=_constant(None, estimates.index),
        standard_error=nothing,
    )[READING_COLUMNS]
    frame.index = pd.RangeIndex(size)
    return ReadingPart(frame, NO_MEMBERS, joined([]))


def _constant(text: str | None, index: pd.Index) -> "pd.Series[str]":
    """Return a text column of one value, built from one value and repeated."""
    one = pd.array([text], dtype="str")
    return pd.Series(one.repeat(len(index)), index=index)


def heart_rate_methods(readings: pd.DataFrame, study: StudyTables) -> dict[str, bool]:
    """Return for each method whether it rests on heart rate; `study.toml` wins for estimates."""
    of_estimates = readings.loc[readings["source"] == "field_estimates", "method"].unique()
    based = {str(name): True for name in of_estimates}
    for name in readings.loc[readings["source"] != "field_estimates", "method"].unique():
        based[str(name)] = name == SESSIONS_METHOD or PROTOCOLS[str(name)].heart_rate_based
    for name, choice in study.options.methods.items():
        if choice.heart_rate_based is not None:
            based[name] = choice.heart_rate_based
    return based
