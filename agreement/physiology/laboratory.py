"""
The laboratory's side: one VO2max per test, from breaths or as typed, with its effort criteria.

Breaths beat a typed value. The averaging rule travels with the value. The laboratory's control, one
person or calibrator tested again and again, is no athlete.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from agreement.errors import Problem, TableError
from agreement.physiology.breath_notes import LOW_PRESSURE_MMHG
from agreement.physiology.breath_tests import STAGE_COLUMNS, breath_tests
from agreement.physiology.effort import CRITERION_COLUMNS, RPE_OTHER_SCALE_TO, effort_criteria
from agreement.physiology.elsewhere import SessionProgress
from agreement.physiology.heart_rate import heart_rate_maximum
from agreement.physiology.session_people import HR_MAX_ODD_BPM, people_at
from agreement.physiology.session_records import SessionRecords, session_records
from agreement.physiology.set_aside import (
    as_problems,
    in_words_of_files,
    joined,
    lines_of,
    row_notes,
)
from agreement.physiology.stage_splits import ANOTHER_DAY, SAME_DAY, economy, expected_errors
from agreement.physiology.thresholds import heart_rates, rated_thresholds, without_impossible
from agreement.physiology.training import (
    BOTH_COLUMNS,
    NO_PROFILES,
    TrainingProfiles,
    overlap_notes,
    profile_notes,
    study_profiles,
)
from agreement.tables.columns import TABLES
from agreement.tables.findings import problem
from agreement.tables.part_folders import raw_name
from agreement.tables.study import StudyTables
from agreement.terms import BELIEVED, EXCLUSION_COLUMNS, LAB_VALUE_COLUMNS, RANGES

LABORATORY_COLUMNS: Final = [
    "lab_test_id", "athlete_id", "date", "mode", "lab", "mass_kg", "averaging_rule",
    "max_confirmed", "hr_max_bpm", "sex", "age_years", "hr_limiting_drug", "training_profile",
    "profile_borderline", *CRITERION_COLUMNS, "rer_max", "plateau", "file", "row",
]  # fmt: skip
NO_ZONES: Final = pd.DataFrame(columns=BOTH_COLUMNS)
LITRES: Final = RANGES["vo2max_l_min"]


@dataclass(frozen=True, slots=True)
class LaboratoryValues:
    """One laboratory value per test."""

    # `LABORATORY_COLUMNS`; lab in mL/kg/min, training_profile NaN when there is none
    frame: pd.DataFrame
    set_aside: pd.DataFrame  # ledger lines of tests without a usable value
    problems: tuple[Problem, ...]  # what the reader should know
    # lab_test_id, rule, vo2max, vo2max_unedited, vo2max_edited: tests with breath files under every
    # compared rule. [mL/kg/min]
    averaging: pd.DataFrame
    # `agreement.physiology.breath_tests.STAGE_COLUMNS`: of each long stage of a breath file the uptake
    # that its work rate costs by the equation, and that measured in its last minute [mL/kg/min]
    stages: pd.DataFrame
    # the training profile of each test and the sessions behind it; empty without sessions
    training: TrainingProfiles
    # the reduced sessions, so that `field_readings` need not read them again
    sessions: SessionRecords | None
    # `agreement.physiology.thresholds.THRESHOLD_COLUMNS`, computed and by raters
    thresholds: pd.DataFrame
    zones: pd.DataFrame  # `agreement.physiology.training.BOTH_COLUMNS`
    # date, mode, lab: tests of the laboratory's control, in no other frame. [mL/kg/min]
    control: pd.DataFrame | None = None

    @property
    def profiles(self) -> pd.DataFrame:
        """`agreement.physiology.training.PROFILE_COLUMNS`, one row per test; empty without sessions."""
        return self.training.frame

    @property
    def under_each_rule(self) -> pd.DataFrame:
        """`averaging` with athlete_id, mode, and in_use: the rule behind the test's value."""
        columns = {"averaging_rule": "in_use"}
        names = self.frame[["athlete_id", "lab_test_id", "mode", "averaging_rule"]]
        averaging = self.averaging.astype({"lab_test_id": "str"})
        return names.astype({"lab_test_id": "str"}).rename(columns=columns).merge(averaging)

    def economy(self, measured: pd.DataFrame) -> pd.DataFrame:
        """
        Return `agreement.physiology.stage_splits.ECONOMY_COLUMNS` of the tests with steady stages.

        measured: stages of field tests. Those of another day count before those of the test's breaths,
            which share its errors; those of the same day after.
        """
        days = self.frame.set_index(self.frame["lab_test_id"].astype("str"))["date"]
        more = measured[measured["lab_test_id"].notna()]
        tested = days.reindex(more["lab_test_id"]).dt.normalize().to_numpy()
        same = more["date"].dt.normalize() == tested
        parts = (more[~same], ANOTHER_DAY), (self.stages, SAME_DAY), (more[same], SAME_DAY)
        found = [
            economy(part[STAGE_COLUMNS], self.frame, stages_of=day)
            for part, day in parts
            if len(part)
        ]
        names, nothing = ["lab_test_id", "mode"], economy(self.stages.iloc[:0], self.frame)
        return joined(found, nothing).drop_duplicates(names).sort_values(names, ignore_index=True)

    def beside(self, pairs: pd.DataFrame, measured: pd.DataFrame) -> dict[str, pd.DataFrame]:
        """
        Return `thresholds`, `zones`, `economy`, and the errors of pairs that economy lets expect.

        With athlete_id and mode; thresholds also with the maxima of the test: lab, hr_max_bpm; they
        and zones with hr_limiting_drug.
        """
        named = self.frame[["lab_test_id", "athlete_id", "mode"]].astype({"lab_test_id": "str"})
        maxima, drug = self.frame[["lab", "hr_max_bpm"]], self.frame[["hr_limiting_drug"]]
        costs = self.economy(measured)
        return {
            "thresholds": named.join(maxima).join(drug).merge(self.thresholds),
            "zones": named.join(drug).merge(self.zones),
            "economy": named.merge(costs),
            "expected": expected_errors(costs, pairs),
        }

    @property
    def next_door(self) -> dict[str, str]:
        """For each borderline test, the training profile on the other side of the boundary."""
        found = self.profiles
        near = found[(found["borderline"] == "yes") & found["other_profile"].notna()]
        return dict(zip(near["lab_test_id"], near["other_profile"], strict=True))


def laboratory_values(
    study: StudyTables, *, progress: SessionProgress | None = None
) -> LaboratoryValues:
    """
    Compute the laboratory's VO2max of every usable test, its effort criteria and training profile.

    Raises TableError if breath or sample files cannot be used, with every reason of every file.
    """
    tests = study.lab_tests.reset_index(drop=True)
    people = people_at(study.athletes, tests["athlete_id"], tests["date"])
    tests = tests.assign(
        id=tests["lab_test_id"],
        lab=tests["vo2max"],
        sex=people["sex"],
        age_years=people["age_years"],
        hr_limiting_drug=people["hr_limiting_drug"],
        training_profile=people["training_profile"],
        profile_borderline=pd.Series(np.nan, index=tests.index, dtype="str"),
    )
    stops: list[Problem] = []  # what is wrong with breaths and with samples is told at once
    try:
        breaths = breath_tests(tests, study)
    except TableError as error:
        stops += error.problems
    try:
        records = session_records(study, progress=progress) if len(study.sessions) else None
    except TableError as error:
        stops += error.problems
    if stops:
        raise TableError(stops)
    tests, left_out = _usable(_with_breaths(tests, breaths.tests), study)
    tests = pd.concat([tests, effort_criteria(tests)], axis=1)
    rated, turned = rated_thresholds(tests)
    thresholds = joined([breaths.thresholds, rated], rated).astype({"lab_test_id": "str"})
    thresholds = without_impossible(thresholds, tests)
    training, zones = NO_PROFILES, NO_ZONES
    if records is not None:
        known = (tests, records, study.athletes, study.options, heart_rates(thresholds))
        training, zones = study_profiles(*known)
        if study.options.profile.use != "stated":
            found = training.frame
            tests = tests.assign(
                training_profile=found["profile"], profile_borderline=found["borderline"]
            )
    problems = breaths.problems + as_problems(left_out) + _notes(tests) + turned
    if len(training.frame):
        problems += profile_notes(training.frame, tests)
    if records is not None:
        problems += overlap_notes(records.sessions, study.options.study.time_zone)
    frame, problems = tests[LABORATORY_COLUMNS], in_words_of_files(problems, study)
    of_breaths = (breaths.rules, breaths.stages)
    return LaboratoryValues(
        frame, left_out, problems, *of_breaths, training, records, thresholds, zones
    )


def _with_breaths(tests: pd.DataFrame, values: pd.DataFrame) -> pd.DataFrame:
    """Let values from breaths replace typed ones, and fill criteria that nobody typed."""
    if values.empty:
        return tests
    found = values.set_index("lab_test_id").reindex(tests["lab_test_id"]).set_axis(tests.index)
    return tests.assign(
        lab=found["lab"].fillna(tests["lab"]),
        averaging_rule=found["averaging_rule"].astype("str").fillna(tests["averaging_rule"]),
        rer_max=tests["rer_max"].fillna(found["rer_max"]),
        hr_max_bpm=tests["hr_max_bpm"].fillna(found["hr_max_bpm"]),
        plateau=found["plateau"].astype("str").fillna(tests["plateau"]),
    )


def _usable(tests: pd.DataFrame, study: StudyTables) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Split off tests without a value and tests with an impossible one: all from breath files."""
    source = {name: raw_name(study.folder, path) for name, path in study.breaths.items()}
    value = tests["lab"]
    massless = value.isna() & tests["mass_kg"].isna() & tests["lab_test_id"].isin(source)
    missing = value.isna() & ~massless
    beyond = value.notna() & ~value.between(BELIEVED.reject_low, BELIEVED.reject_high)
    far = tests.loc[beyond, ["lab", "mass_kg", "lab_test_id"]]
    of = [
        f", from {source[name]}{_unit_hint(value * mass)}" if name in source else ""
        for value, mass, name in far.itertuples(index=False)
    ]
    told = {"value": far["lab"], "of": of, "usual": BELIEVED}
    named = tests.loc[missing, "lab_test_id"]
    where = [f" in {source[name]}" if name in source else "" for name in named]
    left_out = lines_of(
        tests,
        (massless.to_numpy(), "breaths_without_mass", "mass_kg", {}),
        (missing.to_numpy(), "no_usable_breaths", None, {"where": where}),
        (beyond.to_numpy(), "lab_value_beyond", None, told),
    )
    return tests[~(massless | missing | beyond)].reset_index(drop=True), left_out


def _unit_hint(breath: float) -> str:
    """Say which unit breaths of this size may be in. [as in the file]."""
    if LITRES.reject_low <= breath <= LITRES.reject_high:
        return '; if the breaths are in L/min, state units = { vo2_ml_min = "L/min" } in [files.breaths]'
    if BELIEVED.reject_low <= breath <= BELIEVED.reject_high:
        return "; if the breaths are in mL/kg/min, give vo2_ml_min in mL/min"
    return ""


def _notes(tests: pd.DataFrame) -> tuple[Problem, ...]:
    """Say where a recorded number of a test cannot be what its column says."""
    above = tests["hr_max_bpm"] - heart_rate_maximum(tests["age_years"])
    low = tests["barometric_pressure_mmhg"] < LOW_PRESSURE_MMHG
    notes: tuple[Problem, ...] = ()
    for where, column, name in (
        (tests["rpe_max"] <= RPE_OTHER_SCALE_TO, "rpe_max", "another_scale"),
        (low, "barometric_pressure_mmhg", "low_pressure"),
        (above > HR_MAX_ODD_BPM, "hr_max_bpm", "hr_max_far_above"),  # far below: said when read
    ):
        notes += row_notes(tests[where], name, column, value=tests.loc[where, column])
    return notes


def lab_values(laboratory: LaboratoryValues, *, edit_breaths: bool = False) -> pd.DataFrame:
    """
    Return the laboratory's values as lab_values.csv has them.

    edit_breaths: whether the values in use are those of edited breaths.
    Returns: `agreement.terms.LAB_VALUE_COLUMNS`; vo2max_ml_kg_min in mL/kg/min. Of a test with
        breaths one row for each rule without editing and one with it; of a typed value one row,
        under the rule that it carries, edited or not unknown. One row of each test is in use.
    """
    tests = laboratory.frame.rename(columns={"lab": "vo2max_ml_kg_min"})
    tests = tests.astype({"lab_test_id": "str"})
    under = laboratory.averaging.astype({"lab_test_id": "str"})
    typed = tests[~tests["lab_test_id"].isin(under["lab_test_id"])]
    parts = [typed.assign(rule=typed["averaging_rule"], in_use="yes", edited="unknown")]
    own = tests.drop(columns="vo2max_ml_kg_min")
    for edited, column in (("no", "vo2max_unedited"), ("yes", "vo2max_edited")):
        if column in under and len(under):
            values = under[["lab_test_id", "rule", column]]
            found = own.merge(values.rename(columns={column: "vo2max_ml_kg_min"}))
            used = (found["rule"] == found["averaging_rule"]) & (edit_breaths == (edited == "yes"))
            parts.append(found.assign(edited=edited, in_use=np.where(used, "yes", "no")))
    every = joined(parts, parts[0])
    keys = ["lab_test_id", "edited", "rule"]  # whatever order the files came in
    return every.sort_values(keys, kind="stable", ignore_index=True)[LAB_VALUE_COLUMNS]


_MESSAGE = "The laboratory's own control ([control] of study.toml), no athlete of the study."
_TABLES = ("field_estimates", "field_tests", "sessions", "athletes")


def laboratory_and_control(
    study: StudyTables, *, progress: SessionProgress | None = None
) -> tuple[StudyTables, LaboratoryValues]:
    """
    Return a study without its control, and the laboratory's values with those of the control apart.

    Raises TableError with what stops laboratory values, or if the control has none.
    """
    who = study.options.control.athlete_id
    if who is None:
        return study, laboratory_values(study, progress=progress)
    kept, lines = {}, [study.set_aside]
    for name in _TABLES:
        rows = getattr(study, name)
        lines.append(control_lines(rows[rows["athlete_id"] == who], TABLES[name].ledger_id))
        kept[name] = rows[rows["athlete_id"] != who].reset_index(drop=True)
    study = replace(study, **kept, set_aside=pd.concat(lines, ignore_index=True))
    laboratory = laboratory_values(study, progress=progress)
    frame, tests = laboratory.frame, study.lab_tests
    own = frame["athlete_id"] == who
    if not own.any():
        raise TableError([problem("no_control", "study.toml", who=who)])
    control = frame.loc[own, ["date", "mode", "lab"]].sort_values("date", ignore_index=True)
    aside = [laboratory.set_aside, control_lines(frame[own], "lab_test_id")]
    apart = replace(
        laboratory,
        frame=frame[~own].reset_index(drop=True),
        control=control,
        set_aside=pd.concat(aside, ignore_index=True),
    )
    return replace(study, lab_tests=tests[tests["athlete_id"] != who]), apart


def control_lines(rows: pd.DataFrame, ledger_id: str) -> pd.DataFrame:
    """Return ledger lines of rows of the control; `ledger_id` is the column of their ids."""
    told = rows[["file", "row"]].assign(id=rows[ledger_id], reason="control", message=_MESSAGE)
    return told.astype({"file": "str", "row": "Int64", "id": "str"})[EXCLUSION_COLUMNS]
