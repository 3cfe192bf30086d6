"""The same readings paired by other rules: how far the answer hangs on window and summary."""

from dataclasses import replace

import pandas as pd

from agreement.pairing.laboratory_units import laboratory_units
from agreement.pairing.pair_order import sorted_pairs
from agreement.pairing.reading_fates import pair_parts
from agreement.tables.options import SUMMARIES, PairingOptions, StudyOptions

COLUMNS = ["athlete_id", "lab_test_id", "method", "mode", "lab", "field", "hr_limiting_drug"]


def pairs_by_other_rules(
    readings: pd.DataFrame, laboratory: pd.DataFrame, options: StudyOptions
) -> dict[str, pd.DataFrame]:
    """
    Pair the study again with half and twice the window, and with every other summary.

    laboratory: one VO2max per laboratory test.
    options: one choice at a time is changed, in ``[pairing]`` and ``[pairing.field_tests]`` alike.
    Returns frames by the name of the choice: `COLUMNS`, one row per pair [mL/kg/min].
    """
    units = laboratory_units(laboratory, repeat_within_days=options.reference.repeat_within_days)
    found = {}
    for name, rules, of_tests in zip(
        _names(), _others(options.pairing), _others(options.pairing_field_tests), strict=True
    ):
        changed = replace(options, pairing=rules, pairing_field_tests=of_tests)
        pairs, _ = sorted_pairs(pair_parts(readings, units, changed), units)
        found[name] = pairs[COLUMNS]
    return found


def _names() -> list[str]:
    return ["half_window", "double_window", *(f"summary_{summary}" for summary in SUMMARIES)]


def _others(rules: PairingOptions) -> list[PairingOptions]:
    """Return rules with one choice changed each, in the order of `_names`."""
    return [
        _window(rules, 0.5),
        _window(rules, 2.0),
        *(replace(rules, summary=summary) for summary in SUMMARIES),
    ]


def _window(rules: PairingOptions, factor: float) -> PairingOptions:
    """Return rules whose window and summary reach so many times as far."""
    return replace(
        rules,
        days_before=round(rules.days_before * factor),
        days_after=round(rules.days_after * factor),
        summary_days=round(rules.summary_days * factor),
    )
