"""All doubts about one study, each a stop until `[confirm]` says why it is right."""

from collections.abc import Iterator
from datetime import timedelta
from typing import Final

import numpy as np
import pandas as pd

from agreement.errors import Problem
from agreement.pairing import Pairing
from agreement.physiology.effort import CRITERION_COLUMNS, MET, NOT_KNOWN
from agreement.physiology.laboratory import LaboratoryValues
from agreement.physiology.readings import Readings
from agreement.stats.doubts.methods import odd_columns, odd_methods, same_methods, swapped_columns
from agreement.stats.doubts.scales import mixed_masses, mixed_uptakes
from agreement.stats.doubts.twins import copied_series, twins, two_bodies
from agreement.stats.who_counts import FEWEST_JUDGED
from agreement.tables.doubts import doubt
from agreement.tables.study import StudyTables
from agreement.tables.study_file import STUDY_FILE
from agreement.terms import counted

WIDEST: Final = 1 / 3  # of the laboratory's mean VO2max; common practice, no source
FEWEST_TESTS: Final = 5  # tests from which a mean and a rule about all of them say something
NEARLY_ALL: Final = 0.9  # of the judged tests
OLDEST_DAYS: Final = 3653  # between agreeing and the first test
SHOWN: Final = 5
REMEDIES: Final[dict[str, str]] = {
    "twins": "Give one person one id, or withdraw the copy.",
    "two_bodies": "Look who was tested: correct the id, the value or the date.",
    "field_is_laboratory": "Use readings that nobody adjusted to the test.",
    "constant_device": "See whether the column holds the method's own values.",
    "same_methods": "Take one of them out, or correct the export.",
    "filled_down": "Give what was measured, or leave the cells empty.",
    "copied_repeats": "Give each test once.",
    "no_relation": "See whether rows and ids of the two files belong together.",
    "columns_swapped": "Look at the columns in both files.",
    "bias_beyond": "Check units, body mass and columns.",
    "other_mode": "Take the group out of mode_match, or test in the mode of the readings.",
}


def study_doubts(
    study: StudyTables, laboratory: LaboratoryValues, readings: Readings, pairing: Pairing
) -> tuple[Problem, ...]:
    """
    Look at a study as a careful colleague would.

    study, laboratory, readings, pairing: what was read, computed and paired.
    Returns: a stop for each doubt that ``[confirm]`` of study.toml does not name, else a note.
    """
    estimates = readings.frame[readings.frame["source"] == "field_estimates"]
    return (
        *laboratory_doubts(study, laboratory),
        *_twins(study, laboratory, pairing),
        *_series(study, estimates, pairing),
        *_columns(study, laboratory, pairing),
        *_units(study, laboratory, estimates),
        *_methods(study, laboratory, estimates, pairing),
    )


def laboratory_doubts(study: StudyTables, laboratory: LaboratoryValues) -> tuple[Problem, ...]:
    """Look at the laboratory's side and the margin alone, for a study whose estimates stream."""
    return (*_bodies(study, laboratory), *_margin(study, laboratory), *_effort(study, laboratory))


def _columns(
    study: StudyTables, laboratory: LaboratoryValues, pairing: Pairing
) -> Iterator[Problem]:
    file = study.names.get("lab_tests", "")
    for code, what in odd_columns(laboratory.frame, pairing.repeats):
        yield doubt(study.options, code, file, what, REMEDIES[code])


def _twins(study: StudyTables, laboratory: LaboratoryValues, pairing: Pairing) -> Iterator[Problem]:
    alike = twins(laboratory.frame, pairing.pairs, pairing.daily)
    if not alike:
        return
    shown = "; ".join(
        f"'{one.first}' and '{one.second}' ({one.lab[0]:g} and {one.lab[1]:g} mL/kg/min)"
        for one in alike[:SHOWN]
    )
    more = f"; and {len(alike) - SHOWN} more" if len(alike) > SHOWN else ""
    what = (
        f"Laboratory values, masses and field values of two ids are closer than chance allows: "
        f"{shown}{more}."
    )
    file = study.names.get("lab_tests", "")
    yield doubt(study.options, "twins", file, what, REMEDIES["twins"], column="athlete_id")


def _series(study: StudyTables, estimates: pd.DataFrame, pairing: Pairing) -> Iterator[Problem]:
    daily = pairing.daily[pairing.daily["method"].isin(estimates["method"].unique())]
    alike = copied_series(daily)
    if not alike:
        return
    shown = "; ".join(f"'{a}' and '{b}' ('{method}')" for a, b, method in alike[:SHOWN])
    more = f"; and {len(alike) - SHOWN} more" if len(alike) > SHOWN else ""
    what = f"Day by day two ids have the same field values: {shown}{more}."
    file = study.names.get("field_estimates", "")
    yield doubt(study.options, "twins", file, what, REMEDIES["twins"], column="athlete_id")


def _bodies(study: StudyTables, laboratory: LaboratoryValues) -> Iterator[Problem]:
    for one in two_bodies(laboratory.frame)[:20]:
        remedy = REMEDIES["two_bodies"]
        column = study.options.header("lab_tests", one.column)
        yield doubt(
            study.options, "two_bodies", one.file, one.what, remedy, row=one.row, column=column
        )


def _units(
    study: StudyTables, laboratory: LaboratoryValues, estimates: pd.DataFrame
) -> Iterator[Problem]:
    mixed = [
        *mixed_uptakes(estimates, laboratory.frame),
        *mixed_masses(study.athletes, laboratory.frame, estimates),
    ]
    for one in mixed:
        remedy = "Bring the column to one unit, and state it in units of [files] if it is another."
        file = study.names.get(one.table, "")
        column = study.options.header(one.table, one.column)
        yield doubt(study.options, "units_mixed", file, one.what, remedy, column=column)


def _methods(
    study: StudyTables, laboratory: LaboratoryValues, estimates: pd.DataFrame, pairing: Pairing
) -> Iterator[Problem]:
    source = "field_estimates" if len(estimates) else "field_tests"
    file = study.names.get(source, study.names.get("sessions", ""))
    odd = [*odd_methods(pairing.pairs), *same_methods(pairing.daily)]
    odd += swapped_columns(laboratory.frame, estimates, pairing.repeats, pairing.daily)
    for code, what in odd:
        yield doubt(study.options, code, file, what, REMEDIES[code])


def _margin(study: StudyTables, laboratory: LaboratoryValues) -> Iterator[Problem]:
    margin, tests = study.options.margin, laboratory.frame
    if margin.limit is None:
        return
    mean = float(tests["lab"].mean()) if len(tests) else np.nan
    widest = max(margin.limit, margin.mean_limit or 0.0)
    if tests["athlete_id"].nunique() >= FEWEST_JUDGED and widest > WIDEST * mean:
        what = (
            f"The limit of {widest:g} mL/kg/min is more than a third of the laboratory's mean "
            f"({mean:.1f}): hardly any method could fail it."
        )
        remedy = "Set limits to what would matter for one athlete, and for the mean."
        yield doubt(study.options, "wide_margin", STUDY_FILE, what, remedy)
    dates = tests["date"].dropna()
    if margin.agreed_on is None or dates.empty:
        return
    first = dates.min().date()
    if first - margin.agreed_on > timedelta(days=OLDEST_DAYS):
        what = (
            f"The limit was agreed on {margin.agreed_on}, {(first - margin.agreed_on).days // 365} "
            f"years before the first laboratory test ({first})."
        )
        yield doubt(study.options, "old_margin", STUDY_FILE, what, "Correct agreed_on.")


def _effort(study: StudyTables, laboratory: LaboratoryValues) -> Iterator[Problem]:
    criteria = laboratory.frame[list(CRITERION_COLUMNS)]
    judged = criteria[(criteria != NOT_KNOWN).any(axis=1)]
    count, without = len(judged), int((judged != MET).all(axis=1).sum())
    if count < max(FEWEST_TESTS, len(criteria) / 2) or without < NEARLY_ALL * count:
        return
    some = "None" if without == count else f"Only {count - without}"
    what = (
        f"{some} of the {counted(count, 'laboratory test')} of which a criterion of a maximal test is "
        "known meets one: these are no VO2max."
    )
    remedy = "Look at rer_max, hr_max_bpm, rpe_max, lactate_mmol_l and plateau, or test again."
    file = study.names.get("lab_tests", "")
    yield doubt(study.options, "no_maximum", file, what, remedy)
