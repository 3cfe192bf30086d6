"""A study's pairs, and the account of every row: what `pair` gives."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from agreement.errors import Problem
from agreement.pairing.bucket import Common, PairedBucket, pair_bucket
from agreement.pairing.laboratory_units import Units, laboratory_units
from agreement.pairing.other_rules import pairs_across_modes
from agreement.pairing.study_ledger import study_ledger, table_files
from agreement.pairing.tally import WithoutPair
from agreement.physiology.laboratory import LaboratoryValues
from agreement.physiology.readings import Readings
from agreement.tables.findings import Findings
from agreement.tables.parts import with_part_files
from agreement.tables.study_tables import StudyTables
from agreement.terms import PAIR_COLUMNS


@dataclass(frozen=True, slots=True)
class Pairing:
    """Pairs of laboratory and field, and what became of every row read."""

    # `agreement.terms.PAIR_COLUMNS`, sorted by method, mode, athlete_id, lab_test_id. VO2max in
    # mL/kg/min; difference is field minus laboratory.
    pairs: pd.DataFrame
    # `agreement.terms.EXCLUSION_COLUMNS`: one line per row left out, in the order of `flow`, then
    # by row; the line for people who withdrew has neither row nor id
    exclusions: pd.DataFrame
    # `agreement.terms.FLOW_COLUMNS`: one line per input table, whose rows add up
    flow: pd.DataFrame
    # columns athlete_id, lab_test_id, method, mode, date, gap_days, field, lab: the mean of each
    # day with readings that serve a unit with a pair
    daily: pd.DataFrame
    # columns athlete_id, lab_test_id (of the unit), mode, lab: one row per laboratory test
    repeats: pd.DataFrame
    # one row per laboratory unit; see `agreement.pairing.laboratory_units.Units`
    units: pd.DataFrame
    # `agreement.pairing.other_rules.ACROSS_MODES_COLUMNS`: readings beside a laboratory test of another mode
    across_modes: pd.DataFrame
    problems: tuple[Problem, ...]  # what the reader should know
    without_pair: tuple[WithoutPair, ...] = ()  # methods that have readings and not one pair


def pair(study: StudyTables, laboratory: LaboratoryValues, readings: Readings) -> Pairing:
    """
    Pair a study's laboratory tests with its field readings.

    study: the checked tables and the study's choices.
    laboratory: one VO2max per laboratory test. [mL/kg/min]
    readings: every field reading. [mL/kg/min]
    Returns: pairs, ledger, and the frames that statistics need. No pair is no error.
    Raises RuntimeError if the rows of a file do not add up: a mistake of this program.

    Everything is done for each method and mode apart. Where the rules leave a choice:

    - The unit's body mass is the first known of its tests, its heart rate the highest measured.
    - A window holds the day of the test, also where `same_day` then refuses it: a reading of another
      mode on that day is a ``mode_mismatch``.
    - A reading in L/min that serves no test has nothing to be divided by: ``no_mass``.
    - Readings without a stated sensor count as ``unknown``; together with a stated one: ``mixed``.
    - All readings of a unit whose pair fails are ``too_few_readings``, near and far ones.
    - Sessions behind the profile of a test without pair are excluded with the test's reason.
    """
    common = common_of(study, readings)
    athletes = study.athletes["athlete_id"] if "athletes" in common.files else None
    within = study.options.reference.repeat_within_days
    units = laboratory_units(laboratory.frame, repeat_within_days=within)
    paired = pair_bucket(common, readings.frame, laboratory.frame, units, athletes)
    return closed(study, laboratory, readings, units, paired)


def common_of(study: StudyTables, readings: Readings) -> Common:
    """Return what every bucket must know of a study."""
    by_group = study.names.get("field_estimates") not in study.many
    based, only = readings.heart_rate_based, study.laboratory_only
    return Common(study.options, based, table_files(study), by_group, only)


def closed(
    study: StudyTables,
    laboratory: LaboratoryValues,
    readings: Readings,
    units: Units,
    paired: PairedBucket,
    estimates: tuple[int, int, int] = (0, 0, 0),
) -> Pairing:
    """
    Close the account of a study whose readings are paired, everybody's together.

    estimates: as of `study_ledger`.
    """
    exclusions, flow = study_ledger(study, laboratory, readings, units, paired, estimates)
    files, found = table_files(study), Findings(paired.problems)
    lab_file = files["lab_tests"]
    if not study.laboratory_only:
        paired.counts.tell(found, lab_file, files.get("athletes", lab_file))
    for name, its_files in study.many.items():
        exclusions = with_part_files(exclusions, name, its_files)
    unit = units.of_test[units.order]
    by_id = np.lexsort((units.id_rank[unit], units.athlete[unit]))  # keeps the order inside a unit
    repeats = units.frame[["athlete_id", "lab_test_id", "mode"]].iloc[unit[by_id]]
    lab = laboratory.frame["lab"].to_numpy(np.float64)[units.order[by_id]]
    return Pairing(
        pairs=paired.pairs[PAIR_COLUMNS],
        exclusions=exclusions,
        flow=flow,
        daily=paired.daily,
        repeats=repeats.assign(lab=lab).reset_index(drop=True),
        units=units.frame,
        across_modes=pairs_across_modes(readings.frame, paired.of_readings, units, study.options),
        problems=study.told(found.problems),
        without_pair=paired.counts.without_pair(),
    )
