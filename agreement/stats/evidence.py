"""What the statistics are computed from: the paired study, as plain frames and the choices made."""

from dataclasses import dataclass, field
from datetime import date

import pandas as pd

from agreement.tables.options import StudyOptions


@dataclass(frozen=True, slots=True)
class EarlierReport:
    """What the report that is being replaced had judged."""

    against: str | None  # its yardstick; None: it had no margin
    look: int  # which planned look it took
    pairs: dict[
        str, int
    ]  # pairs of each ``method/mode``; 0: more than at the first report of that look


@dataclass(frozen=True, slots=True)
class Evidence:
    """One paired study, ready for statistics."""

    # columns `agreement.terms.PAIR_COLUMNS`; one row per pair, all methods and modes. VO2max in
    # mL/kg/min, difference = field - laboratory.
    pairs: pd.DataFrame
    # columns athlete_id, lab_test_id, method, mode, date, gap_days, field, lab: the mean of the
    # readings of each day that was assigned to a laboratory unit with a pair (before averaging over
    # days)
    daily: pd.DataFrame
    # columns athlete_id, lab_test_id (of the unit), mode, lab: one row per laboratory test, so a
    # unit with two rows or more is a repeat; the rows of a unit in their order in time
    repeats: pd.DataFrame
    options: StudyOptions  # the study's choices
    # for each method label, whether it rests on heart rate
    heart_rate_based: dict[str, bool] = field(default_factory=dict)
    # of the first laboratory test, for the rule on margins agreed too late
    first_lab_date: date | None = None
    # for each borderline laboratory test, the training profile on the other side of the boundary
    next_door: dict[str, str] = field(default_factory=dict)
    # `agreement.physiology.coverage.COVERAGE_COLUMNS`; None where sessions were not looked at
    coverage: pd.DataFrame | None = None
    # `agreement.physiology.stage_splits.SPLIT_COLUMNS`; None where stages were not looked at
    splits: pd.DataFrame | None = None
    # athlete_id, lab_test_id, mode, rule, vo2max, in_use: tests with breaths under every rule
    averaging: pd.DataFrame | None = None
    # `agreement.pairing.other_rules.ACROSS_MODES_COLUMNS`; None where they were not looked at
    across_modes: pd.DataFrame | None = None
    # athlete_id, lab_test_id, mode, date, lab, n_tests: one row per unit of laboratory tests; None
    # where dates were not kept
    visits: pd.DataFrame | None = None
    # pairs under every other pairing rule tried: `agreement.pairing.other_rules.OTHER_RULES_COLUMNS`
    other_rules: dict[str, pd.DataFrame] = field(default_factory=dict)
    earlier: EarlierReport | None = None  # the report that the results will replace
    # date, mode, lab: tests of the laboratory's control. [mL/kg/min]
    control: pd.DataFrame | None = None
    # `agreement.physiology.readings.ASKED_COLUMNS`; None where it was not looked at
    asked: pd.DataFrame | None = None
    # as `agreement.physiology.laboratory.LaboratoryValues.beside` gives them
    thresholds: pd.DataFrame | None = None
    zones: pd.DataFrame | None = None
    economy: pd.DataFrame | None = None
    expected: pd.DataFrame | None = None
