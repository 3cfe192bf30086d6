"""What the statistics are computed from: the paired study, as plain frames and the choices made."""

from dataclasses import dataclass, field
from datetime import date

import pandas as pd

from agreement.tables.options import StudyOptions


@dataclass(frozen=True, slots=True)
class EarlierReport:
    """
    What the report that is being replaced had judged.

    Attributes
    ----------
    against : str or None
        Its yardstick; None: it had no margin.
    look : int
        Which planned look it took.
    pairs : dict of str to int
        Pairs of each ``method/mode`` at the first report of that look.
    """

    against: str | None
    look: int
    pairs: dict[str, int]

    def grew_unseen(self, method: str, mode: str, n_pairs: int, look: int) -> bool:
        """Whether pairs were added and judged again without counting a look."""
        before = self.pairs.get(f"{method}/{mode}", n_pairs)
        return self.against is not None and look == self.look and n_pairs > before


@dataclass(frozen=True, slots=True)
class Evidence:
    """
    One paired study, ready for statistics.

    Attributes
    ----------
    pairs : DataFrame
        Columns `agreement.terms.PAIR_COLUMNS`; one row per pair, all methods and modes. VO2max in
        mL/kg/min, difference = field - laboratory.
    daily : DataFrame
        Columns athlete_id, lab_test_id, method, mode, date, gap_days, field, lab: the mean of the
        readings of each day that was assigned to a laboratory unit with a pair (before averaging
        over days).
    repeats : DataFrame
        Columns athlete_id, lab_test_id (of the unit), mode, lab: one row per laboratory test, so a
        unit with two rows or more is a repeat; the rows of a unit in their order in time.
    options : StudyOptions
        The study's choices.
    heart_rate_based : dict of str to bool
        For each method label, whether it rests on heart rate.
    first_lab_date : date or None
        Of the first laboratory test, for the rule on margins agreed too late.
    next_door : dict of str to str
        For each borderline laboratory test, the training profile on the other side of the boundary.
    coverage : DataFrame or None
        `agreement.physiology.coverage.COVERAGE_COLUMNS`; None where sessions were not looked at.
    splits : DataFrame or None
        `agreement.physiology.stage_splits.SPLIT_COLUMNS`; None where stages were not looked at.
    averaging : DataFrame or None
        athlete_id, lab_test_id, mode, rule, vo2max, in_use: tests with breaths under every rule.
    across_modes : DataFrame or None
        `agreement.pairing.unlike_modes.COLUMNS`; None where they were not looked at.
    visits : DataFrame or None
        athlete_id, lab_test_id, mode, date, lab, n_tests: one row per unit of laboratory tests; None
        where dates were not kept.
    other_rules : dict of str to DataFrame
        `agreement.pairing.other_rules.COLUMNS`: the pairs under every other pairing rule tried.
    earlier : EarlierReport or None
        The report that the results will replace.
    control : DataFrame or None
        date, mode, lab: tests of the laboratory's control. [mL/kg/min]
    asked : DataFrame or None
        `agreement.physiology.asked.ASKED_COLUMNS`; None where it was not looked at.
    """

    pairs: pd.DataFrame
    daily: pd.DataFrame
    repeats: pd.DataFrame
    options: StudyOptions
    heart_rate_based: dict[str, bool] = field(default_factory=dict)
    first_lab_date: date | None = None
    next_door: dict[str, str] = field(default_factory=dict)
    coverage: pd.DataFrame | None = None
    splits: pd.DataFrame | None = None
    averaging: pd.DataFrame | None = None
    across_modes: pd.DataFrame | None = None
    visits: pd.DataFrame | None = None
    other_rules: dict[str, pd.DataFrame] = field(default_factory=dict)
    earlier: EarlierReport | None = None
    control: pd.DataFrame | None = None
    asked: pd.DataFrame | None = None
