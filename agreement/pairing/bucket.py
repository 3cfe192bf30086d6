"""The pairs of some athletes, and what became of each of their readings: everybody, or one bucket."""

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from agreement.pairing.laboratory_units import Units, laboratory_units
from agreement.pairing.messages import Texts
from agreement.pairing.notes import input_notes, reading_notes
from agreement.pairing.pair_order import sorted_pairs
from agreement.pairing.reading_fates import Part, ReadingFates, pair_parts, reading_fates
from agreement.pairing.tally import Tally, tally
from agreement.pairing.unit_fates import UnitFates, all_kept, unit_fates
from agreement.tables.findings import Findings
from agreement.tables.options import StudyOptions


@dataclass(frozen=True, slots=True)
class PairedBucket:
    """What pairing made of some athletes; those of other buckets never meet them."""

    # units, of_units: UnitFates. Their laboratory units, and what became of these.
    units: Units
    of_units: UnitFates
    parts: tuple[Part, ...]  # what was paired by each set of rules
    of_readings: ReadingFates
    texts: Texts  # the messages of both fates
    # pairs, daily: as `agreement.pairing.pair_order.sorted_pairs`
    pairs: pd.DataFrame
    daily: pd.DataFrame
    found: Findings  # notes on rows
    counts: Tally  # what is to be said of the study as a whole


def pair_bucket(
    readings: pd.DataFrame,
    laboratory: pd.DataFrame,
    options: StudyOptions,
    heart_rate_based: Mapping[str, bool],
    files: Mapping[str, str],
    athletes: pd.Series | None,
    *,
    by_group: bool,
    laboratory_only: bool = False,
) -> PairedBucket:
    """
    Pair all readings of some athletes with their laboratory tests.

    readings, laboratory: as the physiology gives them; texts may be categories.
    heart_rate_based: for each method, whether it rests on heart rate.
    files: table to file.
    athletes: ids of the athletes table; None: there is no such table.
    by_group: whether copies and stale runs are one note for each group; False where a row's number
        runs over many files.
    laboratory_only: whether the study has no field table.
    """
    units = laboratory_units(laboratory, repeat_within_days=options.reference.repeat_within_days)
    texts = Texts()
    parts = pair_parts(readings, units, options)
    of_readings = reading_fates(readings, parts, texts, athletes)
    of_units = all_kept(units) if laboratory_only else unit_fates(units, parts, texts)
    pairs, daily = sorted_pairs(parts, units)
    found = Findings()
    noted = parts if by_group else ()
    reading_notes(found, readings, of_readings, texts, files, options, noted)
    input_notes(found, pairs[pairs["source"] == "field_estimates"], files, options)
    methods = readings["method"].unique()
    counts = tally(laboratory, units, of_units, parts, pairs, methods, heart_rate_based)
    return PairedBucket(units, of_units, parts, of_readings, texts, pairs, daily, found, counts)
