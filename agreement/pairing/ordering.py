"""Readings as sorted arrays: by method and mode, athlete, day, moment and row."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from agreement.arrays import Flags, Ints
from agreement.pairing.laboratory_units import Units, codes_of, day_numbers, factorized
from agreement.terms import ALL_MODES


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
    # labels: numbers of source, method and mode that occur, sorted; the mode is the rest by
    # `len(ALL_MODES)`
    labels: Ints
    # by_athlete, by_day, days: bits of athlete and day in `series_day`, and the days before the
    # first and after the last
    by_athlete: int
    by_day: int
    days: tuple[int, int]

    def series_of(self, label: Ints, athlete: Ints) -> Ints:
        """Return the series of a label and an athlete; readings need not have it."""
        return (label << self.by_athlete) | athlete

    def beside(self, series: Ints, day: Ints, *, after: bool) -> Ints:
        """Return how many readings are sorted before a day of a series; `after`: or on it."""
        eve, morrow = self.days
        wanted = (series << self.by_day) + (np.clip(day, eve, morrow) - eve)
        return np.searchsorted(self.series_day, wanted, side="right" if after else "left")


def ordered(readings: pd.DataFrame, units: Units) -> Ordered:
    """Sort readings so that what belongs together is adjacent, whatever the order of the frame."""
    athlete = _athlete_codes(readings["athlete_id"], units)
    method, _ = factorized(readings["method"])
    estimate = (readings["source"] == "field_estimates").to_numpy(np.bool_)
    n_modes, last = len(ALL_MODES), max(len(units.athletes), int(athlete.max(initial=0)))
    label = (2 * method + estimate) * n_modes + codes_of(readings["mode"], ALL_MODES)
    day = day_numbers(readings["date"])
    # a day to spare at either end, so that no series ends on the eve of the next
    eve, morrow = (int(day.min()) - 1, int(day.max()) + 1) if len(day) else (0, 0)
    by_athlete, by_day = last.bit_length(), (morrow - eve).bit_length()
    key = (((label << by_athlete) | athlete) << by_day) + (day - eve)
    moment, row = _moments(readings, estimate), readings["row"].to_numpy(np.int64)
    in_order = bool((row[1:] >= row[:-1]).all())  # ties then are
    order = _order(moment, key) if in_order else _order(row, moment, key)
    key = key[order]
    series = key >> by_day
    label = series >> by_athlete
    starts = starts_of(label)
    labels, size = label[starts], np.diff(starts, append=len(label))
    return Ordered(
        order=order,
        athlete=series & ((1 << by_athlete) - 1),
        mode=np.repeat(labels % n_modes, size),
        day=(key & ((1 << by_day) - 1)) + eve,
        series=series,
        series_day=key,
        moment=moment[order],
        row=row[order],
        estimate=np.repeat(labels // n_modes % 2 == 1, size),
        labels=labels,
        by_athlete=by_athlete,
        by_day=by_day,
        days=(eve, morrow),
    )


def _athlete_codes(athletes: pd.Series, units: Units) -> Ints:
    """Return the codes of `units`; athletes without a laboratory test get the numbers after."""
    codes, found = factorized(athletes)
    known = units.athletes.get_indexer(found).astype(np.int64)
    strangers = np.flatnonzero(known < 0)
    known[strangers] = len(units.athletes) + np.arange(len(strangers))
    each: Ints = known[codes]
    return each


def _moments(readings: pd.DataFrame, estimate: Flags) -> Ints:
    """Return what tells two readings of one day apart."""
    moment = readings["instant"].to_numpy().astype("datetime64[us]").astype(np.int64)
    if not estimate.all():
        tests = (readings["source"] == "field_tests").to_numpy(np.bool_)
        moment[tests] = pd.factorize(readings["id"][tests], sort=True)[0]
    return moment


def _order(*columns: Ints) -> Ints:
    """Return the order by the columns; the last one counts most, and ties stay as they are."""
    parts = [np.zeros(len(columns[0]), np.uint16)]
    for column in columns:
        above = (column - (column.min() if len(column) else 0)).view(np.uint64)
        bits = int(above.max(initial=0)).bit_length()
        parts += [(above >> np.uint64(low)).astype(np.uint16) for low in range(0, bits, 16)]
    # 16 bits are put in order by counting: a fifth of the time of sorting longer numbers
    return np.lexsort(parts)


def starts_of(*sorted_columns: Ints) -> Ints:
    """Return the positions at which any of the columns changes."""
    change = np.zeros(len(sorted_columns[0]), np.bool_)
    change[:1] = True
    for column in sorted_columns:
        change[1:] |= column[1:] != column[:-1]
    return np.flatnonzero(change)
