"""The same readings paired by other rules: other windows and summaries, tests of another mode."""

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from agreement.pairing.cleaning import CODE
from agreement.pairing.laboratory_units import Units, laboratory_units
from agreement.pairing.reading_fates import (
    ReadingFates,
    pair_parts,
    pairs_in_order,
    readings_by_rules,
)
from agreement.tables.options import SUMMARIES, PairingOptions, StudyOptions
from agreement.terms import ALL_MODES

_PAIR = ["athlete_id", "lab_test_id", "method", "mode"]
OTHER_RULES_COLUMNS = [*_PAIR, "lab", "field", "hr_limiting_drug"]
ACROSS_MODES_COLUMNS = [*_PAIR, "laboratory_mode", "lab", "field", "hr_limiting_drug"]


def pairs_by_other_rules(
    readings: pd.DataFrame, laboratory: pd.DataFrame, options: StudyOptions
) -> dict[str, pd.DataFrame]:
    """
    Pair the study again with half and twice the window, and with every other summary.

    options: one choice at a time is changed, in ``[pairing]`` and ``[pairing.field_tests]`` alike.
    Returns frames by the name of the choice: `OTHER_RULES_COLUMNS`, one row per pair [mL/kg/min].
    """
    units = laboratory_units(laboratory, repeat_within_days=options.reference.repeat_within_days)
    both = [
        {"half_window": _window(rules, 0.5), "double_window": _window(rules, 2.0)}
        | {f"summary_{one}": replace(rules, summary=one) for one in SUMMARIES}
        for rules in (options.pairing, options.pairing_field_tests)
    ]
    ruled, found = readings_by_rules(readings, units, options), {}
    for name, rules in both[0].items():
        changed = replace(options, pairing=rules, pairing_field_tests=both[1][name])
        pairs, _ = pairs_in_order(pair_parts(ruled, units, changed), units)
        found[name] = pairs[OTHER_RULES_COLUMNS]
    return found


def _window(rules: PairingOptions, factor: float) -> PairingOptions:
    """Return rules whose window and summary reach so many times as far."""
    names = ("days_before", "days_after", "summary_days")
    reach: dict[str, Any] = {name: round(getattr(rules, name) * factor) for name in names}
    return replace(rules, **reach)


def pairs_across_modes(
    readings: pd.DataFrame, fates: ReadingFates, units: Units, options: StudyOptions
) -> pd.DataFrame:
    """
    Pair the readings that were left out because the laboratory tested another mode.

    Returns: `ACROSS_MODES_COLUMNS`, one row per pair [mL/kg/min], sorted by method, mode,
        athlete_id, lab_test_id. They stand in no other result.
    """
    unlike = readings[fates.reason == CODE["mode_mismatch"]]
    every = (tuple(ALL_MODES),)
    estimates = replace(options.pairing, mode_match=every)
    tests = replace(options.pairing_field_tests, mode_match=every)
    any_mode = replace(options, pairing=estimates, pairing_field_tests=tests)
    parts = pair_parts(readings_by_rules(unlike, units, any_mode), units, any_mode)
    pairs, _ = pairs_in_order(parts, units)
    modes = units.frame["mode"].iloc[pairs["unit"].to_numpy(np.int64)]
    return pairs.assign(laboratory_mode=modes.to_numpy())[ACROSS_MODES_COLUMNS]
