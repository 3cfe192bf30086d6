"""
The laboratory's side: one VO2max per test, from breaths or as typed, with its effort criteria.

Breaths beat a typed value. The averaging rule travels with the value.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from agreement.errors import Problem
from agreement.physiology.effort import CRITERION_COLUMNS, RPE_OTHER_SCALE_TO, effort_criteria
from agreement.physiology.ledger import as_problems, joined, set_aside_rows
from agreement.physiology.people import people_at
from agreement.terms import RANGES

if TYPE_CHECKING:
    from agreement.tables.study import StudyTables

LABORATORY_COLUMNS: Final = [
    "lab_test_id",
    "athlete_id",
    "date",
    "mode",
    "lab",
    "mass_kg",
    "averaging_rule",
    "max_confirmed",
    "hr_max_bpm",
    "sex",
    "age_years",
    "hr_limiting_drug",
    "training_profile",
    "profile_borderline",
    *CRITERION_COLUMNS,
    "file",
    "row",
]
REJECT: Final = RANGES["vo2max_ml_kg_min"]


@dataclass(frozen=True, slots=True)
class LaboratoryValues:
    """
    One laboratory value per test.

    Attributes
    ----------
    frame : DataFrame
        `LABORATORY_COLUMNS`; lab in mL/kg/min, training_profile NaN when there is none.
    set_aside : DataFrame
        Ledger lines of tests without a usable value.
    problems : tuple of Problem
        What the reader should know.
    """

    frame: pd.DataFrame
    set_aside: pd.DataFrame
    problems: tuple[Problem, ...]


def laboratory_values(study: "StudyTables") -> LaboratoryValues:
    """
    Compute the laboratory's VO2max of every test, its effort criteria and training profile.

    Parameters
    ----------
    study : StudyTables
        The checked tables.

    Returns
    -------
    LaboratoryValues
        One row per usable test, in the order of the file.
    """
    tests = study.lab_tests.reset_index(drop=True)
    people = people_at(study.athletes, tests["athlete_id"], tests["date"])
    tests = tests.assign(
        id=tests["lab_test_id"],
        lab=tests["vo2max"],
        **{name: people[name] for name in ("sex", "age_years", "hr_limiting_drug")},
        training_profile=people["training_profile"],
        profile_borderline=pd.Series(np.nan, index=tests.index, dtype="str"),
    )
    tests, left_out = _usable(tests)
    frame = pd.concat([tests, effort_criteria(tests)], axis=1)[LABORATORY_COLUMNS]
    problems = as_problems(left_out) + _other_scale_notes(tests)
    return LaboratoryValues(frame, left_out, problems)


def _usable(tests: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Split off tests without a value and tests with an impossible one."""
    value = tests["lab"]
    missing = value.isna()
    beyond = ~missing & ~value.between(REJECT.reject_low, REJECT.reject_high)
    words = [
        f"VO2max {number:.1f} is outside {REJECT.reject_low:g} to {REJECT.reject_high:g} mL/kg/min"
        for number in value[beyond]
    ]
    left_out = joined(
        [
            set_aside_rows(tests[missing], "missing_value", "neither a VO2max nor usable breaths"),
            set_aside_rows(tests[beyond], "out_of_range", words),
        ]
    )
    return tests[~(missing | beyond)].reset_index(drop=True), left_out


def _other_scale_notes(tests: pd.DataFrame) -> tuple[Problem, ...]:
    """Say where a perceived exertion cannot be on 6 to 20."""
    suspect = tests[tests["rpe_max"] <= RPE_OTHER_SCALE_TO]
    remedy = "Not used as a criterion; give the value on the scale of 6 to 20."
    return tuple(
        Problem(
            "note",
            "out_of_range",
            str(file),
            int(row),
            "rpe_max",
            f"{rpe:g} at exhaustion looks like a scale of 0 to 10.",
            remedy,
        )
        for file, row, rpe in suspect[["file", "row", "rpe_max"]].itertuples(index=False)
    )
