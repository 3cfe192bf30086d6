"""Readings of one set of rules against laboratory units: plain frames in, plain frames out."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandas.api.extensions import ExtensionArray

from agreement.arrays import Floats, Ints
from agreement.pairing.cleaning import Fate, leave_out_copies, leave_out_stale
from agreement.pairing.laboratory_units import Units
from agreement.pairing.matching import NO_UNIT, Nearest, leave_out_unmatched, nearest_units
from agreement.pairing.ordering import Ordered
from agreement.pairing.summaries import Summaries, summaries
from agreement.tables.options import PairingOptions
from agreement.terms import RANGES

FROM_UNIT = [
    *("athlete_id", "lab_test_id", "lab", "training_profile", "profile_borderline"),
    *("max_confirmed", "averaging_rule", "sex", "age_years", "mass_kg", "hr_limiting_drug"),
    "hr_max_bpm",
]
FROM_READING = ["method", "mode", "source", "row"]
SET_INPUTS = ["set_mass_kg", "set_hr_max_bpm", "set_age_years"]


@dataclass(frozen=True, slots=True)
class PairedReadings:
    """The pairs of one set of rules, and what became of every reading that follows it."""

    rules: PairingOptions
    at: Ints | slice  # the positions of these readings among all
    # `agreement.terms.PAIR_COLUMNS`; unit (row of `Units.frame`); source and row of the first
    # reading used; set_mass_kg, set_hr_max_bpm, set_age_years (means of those used); hr_max_bpm
    pairs: pd.DataFrame
    daily: pd.DataFrame  # columns pair (row of `pairs`), date, gap_days, field
    fate: Fate  # what became of the readings, in the order given
    # pair, unit: shape (readings,). The pair that the reading is behind and the unit it serves; -1
    # without one.
    pair: Ints
    unit: Ints
    rows: Ordered  # the sorted readings


def pair_readings(
    readings: pd.DataFrame, rows: Ordered, units: Units, rules: PairingOptions, at: Ints | slice
) -> PairedReadings:
    """
    Pair readings, in any order, with laboratory units.

    rows: the same, sorted.
    at: their positions among all readings.
    Returns: difference is field minus laboratory [mL/kg/min]; gap_days is laboratory date minus the
        date of the nearest reading used.

    Cost: one sort of the readings and one binary search per unit; no loop over athletes. A reading
    serves the nearest unit alone, so readings of different athletes never meet: a study may be cut
    into parts by athlete and each part paired apart.
    """
    fate = Fate.all_kept(len(rows.order))
    nearest = nearest_units(rows, units, rules)
    value = _values(fate, readings, rows, nearest, units)
    leave_out_copies(fate, rows, value)
    leave_out_stale(fate, rows, value, stale_after_days=rules.stale_after_days)
    leave_out_unmatched(fate, rows, nearest, units, rules)
    found = summaries(fate, rows, nearest.unit, value, units.day, rules)
    pair = np.full(len(rows.order), NO_UNIT)
    pair[rows.order[found.rows]] = found.row_pair
    return PairedReadings(
        rules,
        at,
        pairs=_pairs(readings, rows.order[found.rows], found, units),
        daily=_daily(found),
        fate=Fate(_unsorted(fate.reason, rows.order), _unsorted(fate.detail, rows.order)),
        pair=pair,
        unit=_unsorted(nearest.unit, rows.order),
        rows=rows,
    )


def _unsorted(values: NDArray[Any], order: Ints) -> NDArray[Any]:
    """Return sorted values in the order of the frame that they came from."""
    back = np.empty_like(values)
    back[order] = values
    return back


def _values(
    fate: Fate, readings: pd.DataFrame, rows: Ordered, nearest: Nearest, units: Units
) -> Floats:
    """Return VO2max in mL/kg/min; a value in L/min takes the mass of the test that it serves."""
    value = readings["field"].to_numpy(np.float64)[rows.order]
    waiting = np.flatnonzero(np.isnan(value))
    if not waiting.size:
        return value
    litres = readings["field_l_min"].to_numpy(np.float64)[rows.order[waiting]]
    # The last place, which NONE points at, is a unit without mass.
    mass = np.append(units.frame["mass_kg"].to_numpy(np.float64), np.nan)[nearest.unit[waiting]]
    value[waiting] = converted = litres * 1000 / mass
    allowed = RANGES["vo2max_ml_kg_min"]
    outside = (converted < allowed.reject_low) | (converted > allowed.reject_high)
    fate.leave_out(waiting[outside], "out_of_range", converted[outside])
    fate.leave_out(waiting[np.isnan(mass)], "no_mass", np.nan)
    fate.leave_out(waiting[np.isnan(litres)], "missing_value", np.nan)
    return value


def _pairs(readings: pd.DataFrame, used: Ints, found: Summaries, units: Units) -> pd.DataFrame:
    """Return one row per pair; `used` are the readings behind the pairs, sorted by pair."""
    pair, n_pairs = found.row_pair, len(found.unit)
    first = used[np.flatnonzero(np.diff(pair, prepend=-1))]
    of_unit = {name: units.frame[name].array.take(found.unit) for name in FROM_UNIT}
    of_first = {name: _in_words(readings[name].array.take(first)) for name in FROM_READING}
    told = {
        name: _mean(readings[name].to_numpy(np.float64)[used], pair, n_pairs) for name in SET_INPUTS
    }
    mass = np.asarray(of_unit["mass_kg"], np.float64)
    columns = of_unit | of_first | told
    columns |= {
        "lab_date": units.frame["date"].array.take(found.unit),
        "field": found.field,
        "difference": found.field - np.asarray(of_unit["lab"], np.float64),
        "n_estimates": found.n_estimates,
        "n_days": found.n_days,
        "gap_days": found.gap,
        "sensor": _sensors(readings["sensor"].array.take(used), pair),
        "mass_mismatch_pct": 100 * (told["set_mass_kg"] - mass) / mass,
        "hr_max_mismatch_bpm": told["set_hr_max_bpm"] - np.asarray(of_unit["hr_max_bpm"]),
        "lab_mode": units.frame["mode"].array.take(found.unit),
        "unit": found.unit,
    }
    return pd.DataFrame(columns, copy=False)


def _in_words(values: ExtensionArray) -> Any:
    """Return values, categories as the texts that they stand for."""
    return values.astype("str") if isinstance(values, pd.Categorical) else values


def _mean(values: Floats, pair: Ints, n_pairs: int) -> Floats:
    """Return the mean of the known values of each pair; NaN where none is known."""
    known = ~np.isnan(values)
    count = np.bincount(pair[known], minlength=n_pairs).astype(np.float64)
    count[count == 0] = np.nan
    return np.bincount(pair[known], values[known], n_pairs) / count


def _sensors(sensor: ExtensionArray, pair: Ints) -> ExtensionArray:
    """Return the one sensor of each pair, else ``mixed``; a missing one counts as ``unknown``."""
    codes, names = sensor.fillna("unknown").factorize()
    starts = np.flatnonzero(np.diff(pair, prepend=-1))
    words = pd.array([*names, "mixed"], dtype="str")
    if not len(starts):
        return words[:0]
    low, high = np.minimum.reduceat(codes, starts), np.maximum.reduceat(codes, starts)
    return words.take(np.where(low == high, low, len(names)))


def _daily(found: Summaries) -> pd.DataFrame:
    """Return one row per day that serves a unit with a pair."""
    return pd.DataFrame(
        {
            "pair": found.day_pair,
            "date": found.day.astype("datetime64[D]").astype("datetime64[us]"),
            "gap_days": found.day_gap,
            "field": found.day_field,
        }
    )
