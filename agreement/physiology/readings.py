"""
The field's side: every reading of every method, from whatever was recorded.

Field estimates pass through as they are; field tests and training sessions are computed. A million
estimates share their columns with the table they came from.
"""

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.errors import Problem, TableError
from agreement.physiology.elsewhere import SessionProgress
from agreement.physiology.equations import METABOLIC_EQUIVALENT
from agreement.physiology.field_test_values import field_test_values
from agreement.physiology.field_tests import PROTOCOLS
from agreement.physiology.laboratory import LaboratoryValues, laboratory_values
from agreement.physiology.reading_rows import NO_MEMBERS, READING_COLUMNS, ReadingPart, join_parts
from agreement.physiology.session_estimates import session_estimates
from agreement.physiology.session_records import COST_MODES
from agreement.physiology.set_aside import as_problems, in_words_of_files, joined, left_out
from agreement.physiology.training import NO_PROFILES
from agreement.tables.columns import VO2MAX_COLUMNS
from agreement.tables.findings import problem
from agreement.tables.options import StudyOptions
from agreement.tables.study import StudyTables
from agreement.terms import SESSIONS_METHOD

# The authors' choice, common practice, no source: no method reads 70 % low in everybody.
WITHIN: Final = 0.08  # of 3.5
FEWEST_TO_KNOW_A_UNIT: Final = 3
_ROWS_SEEN: Final = 20_000  # enough to know a unit; a registry has millions
ASKED_COLUMNS = ["method", "mode", "athlete_id", "served"]
ESTIMATE_COLUMNS: Final = [
    "athlete_id", "taken_at", "method", "mode", "vo2max_ml_kg_min", "vo2max_l_min", "sensor",
    "set_mass_kg", "set_hr_max_bpm", "set_age_years", "protocol", "in_range", "standard_error",
]  # fmt: skip


def unit_stops(
    estimates: pd.DataFrame, tests: pd.DataFrame, options: StudyOptions
) -> tuple[Problem, ...]:
    """
    Find methods whose values are to the laboratory's as metabolic equivalents are to mL/kg/min.

    A table whose VO2max has a stated unit is taken at its word.
    Returns: a stop per method; none where the middle ratio of the athletes is another.
    """
    forms = {name: options.form(name) for name in ("lab_tests", "field_estimates")}
    if any(set(form.units) & set(VO2MAX_COLUMNS) for form in forms.values()):
        return ()
    laboratory = tests.groupby("athlete_id")["vo2max"].median()
    found = []
    for method, own in estimates.head(_ROWS_SEEN).groupby("method", sort=True):
        ratio = (own.groupby("athlete_id")["vo2max"].median() / laboratory).dropna()
        if len(ratio) < FEWEST_TO_KNOW_A_UNIT:
            continue
        middle = float(ratio.median())
        for table, low, of in (
            ("field_estimates", own, middle * METABOLIC_EQUIVALENT),
            ("lab_tests", tests, middle / METABOLIC_EQUIVALENT),
        ):
            if abs(of - 1) <= WITHIN:
                place = (str(low["file"].iloc[0]), None, "vo2max_ml_kg_min")
                told = {"athletes": len(ratio), "ratio": middle, "table": table}
                found.append(problem("unit_of_method", *place, method=method, **told))
    return tuple(found)


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


def field_readings(study: StudyTables, laboratory: LaboratoryValues) -> Readings:
    """
    Collect the readings of field estimates, field tests and training sessions, in this order.

    Raises TableError if a field test names a protocol that is not in the table, or field and
        laboratory are in different units.
    """
    measured, rule = laboratory.frame, study.options.extrapolation
    tests = field_test_values(study.field_tests, study.athletes, measured, extrapolation=rule)
    stops = [problem for problem in tests.problems if problem.severity == "stop"]
    stops += unit_stops(study.field_estimates, study.lab_tests, study.options)
    if stops:
        raise TableError(in_words_of_files(stops, study))
    parts, rows = [estimate_readings(study.field_estimates), tests], NO_PROFILES.rows
    lines, points = pd.DataFrame(), pd.DataFrame()
    records, training = laboratory.sessions, laboratory.training
    if records is not None:
        found = session_estimates(records, measured, study.athletes, extrapolation=rule)
        bare = training.too_few
        if study.options.profile.use == "stated":
            training = NO_PROFILES
            bare = left_out(records.sessions[~records.sessions["has_samples"]], "no_samples")
        rows = training.rows
        # sessions behind a profile are used; `bare` serve neither a profile nor an estimate, unless
        # they have a line or an estimate already
        part, profiled = found.part, rows["id"].unique()
        known = {*part.set_aside["id"], *part.members["id"].unique(), *profiled}
        aside = joined([part.set_aside, bare[~bare["id"].isin(known)]])
        aside = aside[~aside["id"].isin(profiled)].reset_index(drop=True)
        problems = part.problems + as_problems(aside)
        parts.append(part._replace(set_aside=aside, problems=problems))
        lines, points = found.lines, found.points
    frame, members, set_aside, problems, _ = join_parts(parts)
    problems, based = in_words_of_files(problems, study), _on_heart_rate(frame, study)
    found_lines = (lines, points, tests.lines)
    return Readings(frame, members, set_aside, problems, based, rows, *found_lines)


def estimate_readings(estimates: pd.DataFrame) -> ReadingPart:
    """Return field estimates as readings, sharing every column of the table."""
    size, who = len(estimates), estimates["athlete_id"]
    made = {
        "id": who.array,
        "field": estimates["vo2max"].array,
        "field_l_min": estimates["vo2max_l_min"].array,
        "source": _constant("field_estimates", who),
        "in_range": _constant(None, who),
        "standard_error": np.full(size, np.nan),
    }
    columns = {n: made[n] if n in made else estimates[n].array for n in READING_COLUMNS}
    frame = pd.DataFrame(columns, index=pd.RangeIndex(size), copy=False)
    return ReadingPart(frame, NO_MEMBERS, joined([]))


def _constant(text: str | None, like: pd.Series) -> Any:
    """Return a text column of one value, built from one value; categories beside categories."""
    one = pd.array([text], dtype="str")
    if isinstance(like.dtype, pd.CategoricalDtype):
        codes = np.full(len(like), -1 if text is None else 0, np.int8)
        return pd.Categorical.from_codes(codes, pd.Index(one).dropna())
    return one.repeat(len(like))


def _on_heart_rate(readings: pd.DataFrame, study: StudyTables) -> dict[str, bool]:
    """Return for each method whether it rests on heart rate; `study.toml` wins for estimates."""
    of_estimates = readings.loc[readings["source"] == "field_estimates", "method"].unique()
    based = {str(name): True for name in of_estimates}
    for name in readings.loc[readings["source"] != "field_estimates", "method"].unique():
        based[str(name)] = name == SESSIONS_METHOD or PROTOCOLS[str(name)].heart_rate_based
    for name, choice in study.options.methods.items():
        if choice.heart_rate_based is not None:
            based[name] = choice.heart_rate_based
    return based


def asked_people(
    study: StudyTables, laboratory: pd.DataFrame, readings: pd.DataFrame
) -> pd.DataFrame:
    """
    Tell who, with a laboratory test, did what a method computes from, and who got a number.

    laboratory: frame of `laboratory_values`.
    readings: `agreement.physiology.readings.Readings.frame`.
    Returns: `ASKED_COLUMNS`, one row per method, mode and athlete with rows in ``field_tests``, or
        in ``sessions`` with a sample file in a mode with a cost equation, or in ``field_estimates``
        where some rows of the method have an empty VO2max: elsewhere nothing can be said of given
        values, for who got none has no row.
    """
    tests = study.field_tests
    tests = tests[tests["protocol"].isin(list(PROTOCOLS))]
    own = tests["protocol"].map({name: row.mode for name, row in PROTOCOLS.items()})
    sessions = study.sessions
    costed = sessions["mode"].isin(list(COST_MODES))
    recorded = costed & sessions["session_id"].isin(list(study.samples))
    given = (readings["source"] == "field_estimates").to_numpy()
    got = readings.loc[~given, ASKED_COLUMNS[:3]].drop_duplicates()
    empty = study.without_value
    with_empty = []
    if empty is not None and len(empty):
        values = readings.loc[given, ASKED_COLUMNS[:3]].astype("str").drop_duplicates()
        values = values.merge(empty[["method", "mode"]].drop_duplicates())
        with_empty = [empty, values]
        got = pd.concat([got, values])
    asked = pd.concat(
        [
            *with_empty,
            tests.assign(method=tests["protocol"], mode=tests["mode"].fillna(own)),
            sessions[recorded].assign(method=SESSIONS_METHOD),
        ]
    ).reindex(columns=ASKED_COLUMNS[:3])
    asked = asked[asked["athlete_id"].isin(laboratory["athlete_id"])].drop_duplicates()
    both = asked.astype("str").merge(got.astype("str"), how="left", indicator="served")
    served = both["served"] == "both"
    return both.assign(served=served).sort_values(ASKED_COLUMNS[:3], ignore_index=True)


def estimates_frame(study: StudyTables, *, progress: SessionProgress | None = None) -> pd.DataFrame:
    """
    Return every field value of a study as rows of ``field_estimates``.

    Returns: its columns plus protocol (of computed values), in_range (yes, no or NaN) and
        standard_error [mL/kg/min]. taken_at is the date, or the instant in UTC.
    """
    laboratory = laboratory_values(study, progress=progress)
    readings = field_readings(study, laboratory).frame
    instant = readings["instant"].dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    day = readings["date"].dt.strftime("%Y-%m-%d")
    return readings.assign(
        taken_at=instant.where(readings["instant"].notna(), day),
        vo2max_ml_kg_min=readings["field"],
        vo2max_l_min=readings["field_l_min"],
        protocol=readings["method"].where(readings["source"] != "field_estimates"),
    )[ESTIMATE_COLUMNS]
