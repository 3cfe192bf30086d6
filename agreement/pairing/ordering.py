"""Readings as sorted arrays: by method and mode, athlete, day, moment and row."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from agreement.pairing.laboratory_units import ALL_MODES, Flags, Ints, Units, codes_of, day_numbers


@dataclass(frozen=True, slots=True)
class Ordered:
    """Readings of one set of rules, sorted; all arrays have shape (readings,)."""

    order: Ints  # position of each in the frame that it came from
    # code as in `Units`; codes from ``len(units.athletes)`` on have no laboratory test
    athlete: Ints
    # mode, day: position in `ALL_MODES`; day number
    mode: Ints
    day: Ints
    series: Ints  # one number per source, method, mode and athlete
    series_day: Ints  # one number per series and day, larger by one on the next day
    # the instant; for field tests the id, since results of one day under two ids are two results
    moment: Ints
    row: Ints  # row of the source file
    estimate: Flags  # whether it is a field estimate


def ordered(readings: pd.DataFrame, units: Units) -> Ordered:
    """Sort readings so that what belongs together is adjacent, whatever the order of the frame."""
    athlete = _athlete_codes(readings["athlete_id"], units)
    method, _ = pd.factorize(readings["method"])
    estimate = (readings["source"] == "field_estimates").to_numpy(np.bool_)
    n_athletes, n_modes = int(athlete.max(initial=0)) + 1, len(ALL_MODES)
    label = (2 * method + estimate) * n_modes + codes_of(readings["mode"], ALL_MODES)
    day = day_numbers(readings["date"])
    first, last = (int(day.min()), int(day.max())) if len(day) else (0, 0)
    n_days = last - first + 2  # one to spare, so that no series ends on the eve of the next
    key = (label * n_athletes + athlete) * n_days + (day - first)
    moment, row = _moments(readings, estimate), readings["row"].to_numpy(np.int64)
    key, order = _order(key, moment, row)
    series, day = np.divmod(key, n_days)
    label, athlete = np.divmod(series, n_athletes)
    return Ordered(
        order=order,
        athlete=athlete,
        mode=label % n_modes,
        day=day + first,
        series=series,
        series_day=key,
        moment=moment[order],
        row=row[order],
        estimate=label // n_modes % 2 == 1,
    )


def _athlete_codes(athletes: pd.Series, units: Units) -> Ints:
    """Return the codes of `units`; athletes without a laboratory test get the numbers after."""
    codes, found = pd.factorize(athletes)
    known = units.athletes.get_indexer(pd.Index(found)).astype(np.int64)
    strangers = np.flatnonzero(known < 0)
    known[strangers] = len(units.athletes) + np.arange(len(strangers))
    return known[codes]


def _moments(readings: pd.DataFrame, estimate: Flags) -> Ints:
    """Return what tells two readings of one day apart."""
    moment = readings["instant"].to_numpy().astype("datetime64[us]").astype(np.int64)
    if not estimate.all():
        tests = (readings["source"] == "field_tests").to_numpy(np.bool_)
        moment[tests] = pd.factorize(readings["id"][tests], sort=True)[0]
    return moment


def _order(key: Ints, moment: Ints, row: Ints) -> tuple[Ints, Ints]:
    """Return the keys sorted, and the order by key, moment and row."""
    bits = len(key).bit_length()
    if int(key.max(initial=0)) < 1 << (63 - bits):
        # Key and place in one number: sorting numbers is much quicker than finding their order.
        packed = np.sort((key << bits) | np.arange(len(key)))
        key, order = packed >> bits, packed & ((1 << bits) - 1)
    else:
        order = np.argsort(key)
        key = key[order]
    tied = _tied(key)
    rows = order[tied]
    order[tied] = rows[_by_moment(key[tied], moment[rows], row[rows])]
    return key, order


def _tied(key: Ints) -> Ints:
    """Return the places of sorted keys that are not alone."""
    equal = np.diff(key) == 0
    return np.flatnonzero(np.append(equal, False) | np.append(False, equal))


def _by_moment(key: Ints, moment: Ints, row: Ints) -> Ints:
    """Return the order by key, which is sorted, then moment, then row."""
    first, last = (int(moment.min()), int(moment.max())) if len(moment) else (0, 0)
    span = last - first + 1
    if span * len(key) >= 1 << 63:
        return np.lexsort((row, moment, key))
    # again one number for both: most readings of one day differ in their moment, few need the row
    together = np.cumsum(np.diff(key, prepend=key[:1]) != 0) * span + (moment - first)
    order = np.argsort(together)
    tied = _tied(together[order])
    rows = order[tied]
    order[tied] = rows[np.lexsort((row[rows], together[rows]))]
    return order


def starts_of(*sorted_columns: Ints) -> Ints:
    """Return the positions at which any of the columns changes."""
    change = np.zeros(len(sorted_columns[0]), np.bool_)
    change[:1] = True
    for column in sorted_columns:
        change[1:] |= column[1:] != column[:-1]
    return np.flatnonzero(change)
