"""Both sets of rules applied to a study's readings: the pairs in their order, the fate of each reading."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from agreement.arrays import Flags, Ints
from agreement.pairing.cleaning import CODE, KEPT, Codes
from agreement.pairing.laboratory_units import Units
from agreement.pairing.messages import Texts
from agreement.pairing.ordering import Ordered, ordered
from agreement.pairing.pair_readings import PairedReadings, pair_readings
from agreement.tables.options import StudyOptions
from agreement.terms import RESTING

NEEDED = [
    *("source", "row", "id", "athlete_id", "instant", "date", "method", "mode", "field"),
    *("field_l_min", "sensor", "set_mass_kg", "set_hr_max_bpm", "set_age_years"),
]


@dataclass(frozen=True, slots=True)
class ReadingFates:
    """What became of each reading; all arrays have shape (readings,)."""

    # reason, text: position in `agreement.terms.REASONS` (`KEPT` behind a pair), and place of the
    # message
    reason: Codes
    text: Ints
    alone: Flags  # whether it alone gives the value of a pair


class RuledReadings(NamedTuple):
    """The readings that follow one set of rules, before they are paired."""

    tests: bool  # whether they follow ``[pairing.field_tests]``
    at: Ints | slice  # their positions among all readings
    readings: pd.DataFrame
    rows: Ordered


def readings_by_rules(
    readings: pd.DataFrame, units: Units, options: StudyOptions
) -> tuple[RuledReadings, ...]:
    """
    Return estimates and sessions, and field tests, sorted.

    A method that `study.toml` calls resting has the mode ``resting``, whatever its rows say.
    """
    resting = [name for name, method in options.methods.items() if method.resting]
    if resting:
        mode = readings["mode"].mask(readings["method"].isin(resting), RESTING)
        readings = readings.assign(mode=mode)
    tests = (readings["source"] == "field_tests").to_numpy(np.bool_)
    if not tests.any():
        return (RuledReadings(False, slice(None), readings, ordered(readings, units)),)
    parts = ((one, np.flatnonzero(tests == one)) for one in (False, True))
    mine = ((one, at, readings[NEEDED].iloc[at]) for one, at in parts)
    return tuple(RuledReadings(one, at, some, ordered(some, units)) for one, at, some in mine)


def pair_parts(
    ruled: Sequence[RuledReadings], units: Units, options: StudyOptions
) -> tuple[PairedReadings, ...]:
    """Pair estimates and sessions by ``[pairing]``, field tests by ``[pairing.field_tests]``."""
    chosen = {False: options.pairing, True: options.pairing_field_tests}
    return tuple(
        pair_readings(one.readings, one.rows, units, chosen[one.tests], one.at) for one in ruled
    )


def reading_fates(
    readings: pd.DataFrame,
    parts: Sequence[PairedReadings],
    texts: Texts,
    athletes: pd.Series | None,
) -> ReadingFates:
    """
    Put what became of the readings of all parts together.

    `athletes` are those of the athletes table; a reading of anybody else that no earlier cause has
    left out is of an ``unknown_athlete``. None: there is no such table.
    """
    reason = np.empty(len(readings), np.int8)
    text = np.empty(len(readings), np.int64)
    alone = np.zeros(len(readings), np.bool_)
    for part in parts:
        fate = part.fate
        reason[part.at] = fate.reason
        text[part.at] = texts.places_of(fate, part.rules)
        single = (part.pairs["n_estimates"] == 1).to_numpy(np.bool_)
        alone[part.at] = np.append(single, False)[part.pair]
    if athletes is not None:
        testless = np.flatnonzero(reason == CODE["athlete_without_laboratory_test"])
        unknown = ~readings["athlete_id"].iloc[testless].isin(athletes).to_numpy(np.bool_)
        reason[testless[unknown]] = CODE["unknown_athlete"]
        text[testless[unknown]] = texts.place("The athlete is not in the athletes table.")
    return ReadingFates(reason, text, alone & (reason == KEPT))


DAILY_COLUMNS = [
    *("athlete_id", "lab_test_id", "method", "mode", "date", "gap_days", "field", "lab")
]


def pairs_in_order(parts: Sequence[PairedReadings], units: Units) -> tuple[pd.DataFrame, Ints]:
    """Return all pairs in their order, and which place each has in it."""
    each = [part.pairs for part in parts]
    pairs = each[0] if len(each) == 1 else pd.concat(each, ignore_index=True)
    unit = pairs["unit"].to_numpy(np.int64)
    mode, method = (pd.factorize(pairs[name], sort=True)[0] for name in ("mode", "method"))
    order = np.lexsort((units.id_rank[unit], units.athlete[unit], mode, method))
    place = np.empty_like(order)
    place[order] = np.arange(len(order))
    return pairs.iloc[order].reset_index(drop=True), place


def days_in_order(
    parts: Sequence[PairedReadings], pairs: pd.DataFrame, place: Ints
) -> pd.DataFrame:
    """Return the days behind pairs, which stand as `pairs_in_order` gives them."""
    starts = np.cumsum([0, *(len(part.pairs) for part in parts)])
    daily = pd.concat(
        [
            part.daily.assign(pair=part.daily["pair"] + start)
            for part, start in zip(parts, starts[:-1], strict=True)
        ],
        ignore_index=True,
    )
    at, gap = place[daily["pair"].to_numpy(np.int64)], daily["gap_days"].to_numpy(np.int64)
    order = np.lexsort((-gap, at))
    days = daily[["date", "gap_days", "field"]].iloc[order].reset_index(drop=True)
    of_pair = pairs[["athlete_id", "lab_test_id", "method", "mode", "lab"]].iloc[at[order]]
    every: pd.DataFrame = pd.concat([of_pair.reset_index(drop=True), days], axis=1)
    return every[DAILY_COLUMNS]
