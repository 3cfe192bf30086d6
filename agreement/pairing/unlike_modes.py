"""Readings beside a laboratory test of another mode: never pooled, but set beside it, to be told."""

from dataclasses import replace

import numpy as np
import pandas as pd

from agreement.pairing.cleaning import CODE
from agreement.pairing.laboratory_units import ALL_MODES, Units
from agreement.pairing.pair_order import sorted_pairs
from agreement.pairing.reading_fates import ReadingFates, pair_parts
from agreement.tables.options import PairingOptions, StudyOptions

COLUMNS = [
    *("athlete_id", "lab_test_id", "method", "mode", "laboratory_mode", "lab", "field"),
    "hr_limiting_drug",
]


def pairs_across_modes(
    readings: pd.DataFrame, fates: ReadingFates, units: Units, options: StudyOptions
) -> pd.DataFrame:
    """
    Pair the readings that were left out because the laboratory tested another mode.

    fates: what became of them; only ``mode_mismatch`` is looked at.
    options: windows and summaries are those of the study.
    Returns: `COLUMNS`, one row per pair [mL/kg/min], sorted by method, mode, athlete_id,
        lab_test_id. They stand in no other result.
    """
    unlike = readings[fates.reason == CODE["mode_mismatch"]]
    parts = pair_parts(
        unlike,
        units,
        replace(
            options,
            pairing=_any_mode(options.pairing),
            pairing_field_tests=_any_mode(options.pairing_field_tests),
        ),
    )
    pairs, _ = sorted_pairs(parts, units)
    modes = units.frame["mode"].iloc[pairs["unit"].to_numpy(np.int64)]
    return pairs.assign(laboratory_mode=modes.to_numpy())[COLUMNS]


def _any_mode(rules: PairingOptions) -> PairingOptions:
    return replace(rules, mode_match=(tuple(ALL_MODES),))
