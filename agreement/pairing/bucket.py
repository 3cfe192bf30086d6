"""The pairs of some athletes, and what became of each of their readings: everybody, or one bucket."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from agreement.arrays import Ints
from agreement.errors import Problem
from agreement.pairing.laboratory_units import Units
from agreement.pairing.messages import Texts
from agreement.pairing.notes import FOUND_WHILE_PAIRING, input_notes, reading_notes
from agreement.pairing.reading_fates import (
    ReadingFates,
    days_in_order,
    pair_parts,
    pairs_in_order,
    reading_fates,
    readings_by_rules,
)
from agreement.pairing.tally import Tally, tally
from agreement.pairing.unit_fates import UnitFates, all_kept, unit_fates
from agreement.tables.findings import Findings, merged_problems
from agreement.tables.options import StudyOptions


class Common(NamedTuple):
    """What every bucket must know of the whole study."""

    options: StudyOptions
    heart_rate_based: Mapping[str, bool]  # for each method, whether it rests on heart rate
    files: Mapping[str, str]  # table to file
    # whether copies and stale runs are one note for each group; False where a row's number runs
    # over many files
    by_group: bool
    laboratory_only: bool  # whether the study has no field table


@dataclass(frozen=True, slots=True)
class PairedBucket:
    """What pairing made of some athletes; those of other buckets never meet them."""

    # of_units, of_readings: what became of the laboratory units and of the readings
    of_units: UnitFates
    of_readings: ReadingFates
    texts: Texts  # the messages of both fates
    # pairs, daily: as `agreement.pairing.reading_fates.pairs_in_order`, `days_in_order`
    pairs: pd.DataFrame
    daily: pd.DataFrame
    problems: list[Problem]  # notes on rows
    counts: Tally  # what is to be said of the study as a whole


def pair_bucket(
    common: Common,
    readings: pd.DataFrame,
    laboratory: pd.DataFrame,
    units: Units,
    athletes: pd.Series | None,
) -> PairedBucket:
    """Pair all readings of some athletes with their tests; `athletes` None: no table of them."""
    options, files, texts, found = common.options, common.files, Texts(), Findings()
    parts = pair_parts(readings_by_rules(readings, units, options), units, options)
    of_readings = reading_fates(readings, parts, texts, athletes)
    of_units = all_kept(units) if common.laboratory_only else unit_fates(units, parts, texts)
    pairs, place = pairs_in_order(parts, units)
    daily = days_in_order(parts, pairs, place)
    noted = parts if common.by_group else ()
    reading_notes(found, readings, of_readings, texts, files, options, noted)
    input_notes(found, pairs, files, options)
    own = (readings, of_readings, parts, pairs)
    counts = tally(laboratory, units, of_units, *own, common.heart_rate_based)
    return PairedBucket(of_units, of_readings, texts, pairs, daily, found.problems, counts)


def together(buckets: Sequence[PairedBucket], place: Ints) -> PairedBucket:
    """
    Return what buckets gave as one; they hold neighbours in the order of the ids.

    place: of each reading of all buckets, one after another, among those of the study.
    """
    texts = Texts()
    of_units, of_readings = [], []
    for one in buckets:
        new = np.array([texts.place(text) for text in one.texts.known()] or [0])
        units, readings = one.of_units, one.of_readings
        of_units.append((units.reason, new[units.text], units.lost_to_mode))
        of_readings.append((readings.reason, new[readings.text], readings.alone))
    back = np.argsort(place)
    # sorted by row; what has none comes last
    problems = [p for one in buckets for p in one.problems]
    problems.sort(key=lambda p: np.inf if p.row is None else p.row)
    kinds = [one.reason for one in FOUND_WHILE_PAIRING]
    return PairedBucket(
        UnitFates(*map(np.concatenate, zip(*of_units, strict=True))),
        ReadingFates(*(np.concatenate(each)[back] for each in zip(*of_readings, strict=True))),
        texts,
        _in_order([one.pairs for one in buckets]),
        _in_order([one.daily for one in buckets]),
        sorted(
            merged_problems(problems, ""),
            key=lambda one: kinds.index(one.reason) if one.reason in kinds else len(kinds),
        ),
        sum((one.counts for one in buckets), Tally()),
    )


def _in_order(buckets: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Return rows of all buckets by method and mode; athletes stay in their order."""
    some = [rows for rows in buckets if len(rows)] or list(buckets[:1])
    whole = pd.concat(some, ignore_index=True)
    return whole.sort_values(["method", "mode"], kind="stable", ignore_index=True)
