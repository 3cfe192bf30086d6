"""Dates and times: ISO 8601, or an order that the file or the study decides; zones never guessed."""

import datetime as dt
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.arrays import Flags, Ints
from agreement.tables.columns import MISSING_ANY_CASE
from agreement.tables.readers import RawTable
from agreement.tables.text_cells import Distinct, distinct
from agreement.terms import counted

Times = npt.NDArray[np.datetime64]
Steps = npt.NDArray[np.timedelta64]
_ByOrder = dict[str, Times]  # of the values of a column, by the order of day, month and year
NOT_A_TIME: Final[np.datetime64] = np.datetime64("NaT", "us")
_FORM: Final = re.compile(
    r"(\d{1,4})([./-])(\d{1,2})\2(\d{4}|\d{2})"
    r"(?:,?[ T]+([01]?\d|2[0-3]):([0-5]\d)(?::([0-5]\d)(?:\.(\d{1,6}))?)?)?"
)
_SERIAL: Final = re.compile(r"[3-6]\d{4}([.,]\d+)?")
_ORDERS: Final = {"year-first": "ymd", "day-first": "dmy", "month-first": "mdy"}
EITHER: Final = ("day-first", "month-first")
_HAS_TIME: Final = r"\d[T ]\d\d:?\d\d"
_HAS_OFFSET: Final = r"[T ].*(?:Z|[+-]\d\d(?::?\d\d)?)$"
_OFFSET: Final = re.compile(r"(?:(Z)|([+-])(\d\d):?(\d\d)?)$")
_FIRST, _LAST = np.datetime64("1950-01-01"), np.datetime64("2100-01-01")


@dataclass(frozen=True, slots=True)
class TimeColumn:
    """A column of dates or times."""

    instant: Times  # UTC; of a date alone, its local midnight
    date: Times  # midnight of the calendar date in the study's zone; without one, as written


@dataclass(frozen=True, slots=True)
class _Clock:
    """Wall-clock values; where `zoned`, minus `offset` is UTC; without `timed`, a date alone."""

    wall: Times
    offset: Steps
    zoned: Flags
    timed: Flags

    def at(self, places: Ints) -> "_Clock":
        """Return the values at some places; -1 is a missing one."""
        return _Clock(
            np.append(self.wall, NOT_A_TIME)[places],
            np.append(self.offset, np.timedelta64(0, "us"))[places],
            np.append(self.zoned, False)[places],
            np.append(self.timed, False)[places],
        )


def moment_column(raw: RawTable, name: str, zone: str | None) -> TimeColumn:
    """
    Return a date or time column; missing cells are NaT.

    Undecidable orders, unreadable dates and times without zone are stops.
    """
    column = raw.frame.get(name)
    if column is None:
        nothing = np.full(len(raw.rows), NOT_A_TIME)
        return TimeColumn(nothing, nothing)
    if stated := raw.form.codes.get(name):  # a visit that study.toml gives its day
        found = distinct(column)
        days: list[str | None] = [stated.get(one.strip(), one) for one in found.labels]
        column = raw.frame[name] = found.replaced(days).series()
    if isinstance(column.dtype, pd.DatetimeTZDtype):  # times that carry their zone as a type
        wall = column.dt.tz_localize(None).to_numpy(dtype="datetime64[us]")
        known = ~np.isnat(wall)
        return _placed(raw, name, _Clock(wall, wall - _wall_of(column, "UTC"), known, known), zone)
    if pd.api.types.is_datetime64_dtype(column.dtype):
        wall = column.to_numpy(dtype="datetime64[us]")
        timed = (wall != wall.astype("datetime64[D]")) & ~np.isnat(wall)
        return _placed(raw, name, _unzoned(wall, timed), zone)
    quick = None if pd.api.types.is_numeric_dtype(column.dtype) else _quick(column)
    return _placed(raw, name, quick or _clock(raw, name), zone)


def _unzoned(wall: Times, timed: Flags) -> _Clock:
    """Return wall clocks without any offset."""
    nothing = np.zeros(len(wall), dtype="timedelta64[us]")
    return _Clock(wall, nothing, np.zeros(len(wall), dtype=np.bool_), timed)


def _quick(column: "pd.Series[Any]") -> _Clock | None:
    """Return what text in one ISO 8601 form throughout says; None when it is not."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        found = _quick(pd.Series(column.cat.categories))
        return found and found.at(column.cat.codes.to_numpy())
    if column.dtype == object:  # pandas would guess here, as of categories: day, month and zone
        return None
    for kind in ("timestamp[us, tz=UTC][pyarrow]", "timestamp[us][pyarrow]"):
        try:
            parsed = column.astype(kind)  # type: ignore[call-overload]  # a name the stubs lack
        except (ImportError, TypeError, ValueError):
            continue  # another form, or no fast parser
        values = parsed.to_numpy(dtype="datetime64[us]")
        if len(values) and (values.min() < _FIRST or values.max() >= _LAST):
            return None
        if "tz" not in kind:
            return _unzoned(values, column.str.len().to_numpy() > len("2026-03-02"))
        offset = _offsets(column)
        zoned = np.ones(len(values), dtype=np.bool_)
        return _Clock(values + offset, offset, zoned, zoned)
    return None


def _clock(raw: RawTable, name: str) -> _Clock:
    """Return the wall clock of a text column, whatever form its values have."""
    text = _trimmed(raw, name)
    filled = text.notna().to_numpy()
    timed = text.str.contains(_HAS_TIME).fillna(False).to_numpy(dtype=np.bool_, copy=True)
    zoned = timed & text.str.contains(_HAS_OFFSET).fillna(False).to_numpy(dtype=np.bool_)
    offset = _offsets(text.where(zoned, ""))
    utc = pd.to_datetime(text, format="ISO8601", utc=True, errors="coerce")
    wall = utc.dt.tz_localize(None).to_numpy(dtype="datetime64[us]", copy=True) + offset
    wall[filled & (text.str.len().to_numpy() < 8)] = NOT_A_TIME  # a year or a month is no date
    rest = np.isnat(wall) & filled
    if rest.any():
        found = distinct(text.where(rest))
        wall[rest] = _other_forms(raw, name, found)[found.codes[rest]]
        zoned &= ~rest
        timed[rest] = text[rest].str.contains(":", regex=False).to_numpy(dtype=np.bool_)
    slip = (wall < _FIRST) | (wall >= _LAST)  # of the keyboard
    raw.tell_each("far_year", slip, name, date=lambda i: text.iloc[i])
    return _Clock(wall, offset, zoned, timed)


def _trimmed(raw: RawTable, name: str) -> "pd.Series[Any]":
    """Return a date column as text without blanks around, NaN where a cell is missing."""
    column = raw.frame[name]
    coded = isinstance(column.dtype, pd.CategoricalDtype)
    column = (distinct(column).series() if coded else column).astype("str")
    text = column.str.strip()
    if (count := int((text != column).sum() - column.isna().sum())) > 0:
        raw.tell("trimmed", name, values=counted(count, "value"), first="")
    return text.mask(text.str.casefold().isin(list(MISSING_ANY_CASE)))


def _offsets(text: "pd.Series[Any]") -> Steps:
    """Return how far each wall clock is ahead of UTC; zero where no offset is written."""
    codes, tails = pd.factorize(text.str[-6:])
    return np.array([*(_ahead(_OFFSET.search(tail)) for tail in tails), _ahead(None)])[codes]


def _ahead(offset: re.Match[str] | None) -> np.timedelta64:
    """Return how far an offset is ahead of UTC."""
    minutes = 0
    if offset and offset[2]:
        minutes = (int(offset[3]) * 60 + int(offset[4] or 0)) * (-1 if offset[2] == "-" else 1)
    return np.timedelta64(60_000_000 * minutes, "us")


def _placed(raw: RawTable, name: str, clock: _Clock, zone: str | None) -> TimeColumn:
    """Return instants and dates of wall clocks, with and without offset."""
    instant = clock.wall - clock.offset
    date = _day_of(clock.wall)
    local = ~clock.zoned & ~np.isnat(clock.wall)
    naive = local & clock.timed
    if zone is None:
        if raw.table.columns[name].kind == "date":  # midnight is what spreadsheets write for a day
            naive &= clock.wall != date
        if naive.any():
            first = int(np.argmax(naive))
            told = {"times": naive.sum(), "first": _shown(clock.wall[first])}
            raw.tell("no_zone", name, int(raw.rows[first]), **told)
        if clock.zoned.any():
            raw.tell("days_as_written", name)
        return TimeColumn(instant, date)
    if clock.zoned.any():
        written = date.copy()
        utc = pd.Series(instant[clock.zoned]).dt.tz_localize("UTC")
        date[clock.zoned] = _day_of(_wall_of(utc, zone))
        _note_moved(raw, name, clock.wall, written != date, zone)
    if local.any():
        instant[local] = _utc_of(raw, name, clock.wall, local, naive, zone)
    return TimeColumn(instant, date)


def _note_moved(raw: RawTable, name: str, wall: Times, moved: Flags, zone: str) -> None:
    """Note the times that fall on another day in the study's zone than where they were written."""
    where = moved & ~np.isnat(wall)
    raw.tell_each("another_day", where, name, shown=1, time=_times(wall), zone=zone)


def _utc_of(raw: RawTable, name: str, wall: Times, local: Flags, naive: Flags, zone: str) -> Times:
    """Return local wall clocks as UTC; hours that the clock change doubles or skips are noted."""
    clocks = pd.Series(wall[local])
    utc = clocks.dt.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
    odd = utc.isna().to_numpy()
    if odd.any():
        first = np.ones(int(odd.sum()), dtype=np.bool_)  # of a doubled hour, the first
        utc[odd] = clocks[odd].dt.tz_localize(zone, ambiguous=first, nonexistent="shift_forward")
        where = np.zeros(len(wall), dtype=np.bool_)
        where[np.flatnonzero(local)[odd]] = True
        raw.tell_each("clock_change", where & naive, name, time=_times(wall), zone=zone)
    return _wall_of(utc, "UTC")


def _wall_of(times: "pd.Series[Any]", zone: str) -> Times:
    """Return what the clocks of a zone show at times that have one."""
    wall: Times = times.dt.tz_convert(zone).dt.tz_localize(None).to_numpy(dtype="datetime64[us]")
    return wall


def _day_of(wall: Times) -> Times:
    """Return the midnight before each wall clock."""
    day: Times = wall.astype("datetime64[D]").astype("datetime64[us]")
    return day


def _times(wall: Times) -> Callable[[int], str]:
    return lambda i: _shown(wall[i])


def _shown(wall: np.datetime64) -> str:
    """Return a wall clock as people write it."""
    return str(wall.astype("datetime64[s]")).replace("T", " ")


def _other_forms(raw: RawTable, name: str, found: Distinct) -> Times:
    """Return the wall clock of each value that is not ISO 8601; NaT where there is a stop."""
    matches = [_FORM.fullmatch(label) for label in found.labels]
    readings: _ByOrder = {
        order: np.array([_in_order(one, letters) for one in matches], "datetime64[us]")
        for order, letters in _ORDERS.items()
    }
    fits = np.array([one is not None for one in matches], dtype=np.bool_)
    order, stated = _order(raw, name, found, fits, readings), raw.form.date_order
    walls = np.full(len(found.labels), NOT_A_TIME) if order is None else readings[order]

    def what(i: int) -> str:
        if _SERIAL.fullmatch(found.at(i)):
            return "a spreadsheet's day count, not a date"
        return "not a date" + (f" written {stated}" if stated else "")

    unread = ~fits if order is None else np.isnat(walls)
    where = np.append(unread, False)[found.codes]
    raw.tell_each("not_a_date", where, name, text=found.at, what=what)
    return walls


def read_in(cell: str, order: str) -> dt.datetime | None:
    """
    Return a date of three numbers, perhaps with a time of day, in an order; None where it is none.

    >>> read_in("03/04/2026 09:30", "day-first"), read_in("2026-04-03", "day-first")
    (datetime.datetime(2026, 4, 3, 9, 30), None)
    """
    return _in_order(_FORM.fullmatch(cell.strip()), _ORDERS[order])


def _in_order(written: re.Match[str] | None, order: str) -> dt.datetime | None:
    """Return a date of three numbers and its time of day in a given order; None where it is none."""
    if written is None:
        return None
    parts = dict(zip(order, written.group(1, 3, 4), strict=True))
    if len(parts["y"]) not in (2, 4) or len(written[4] if order[0] == "y" else written[1]) > 2:
        return None
    year = int(parts["y"]) + (2000 if len(parts["y"]) == 2 else 0)
    hour, minute, second = (int(part or 0) for part in written.group(5, 6, 7))
    clock = (hour, minute, second, int((written[8] or "").ljust(6, "0")))
    try:
        return dt.datetime(year, int(parts["m"]), int(parts["d"]), *clock)
    except ValueError:  # no such day
        return None


def _order(
    raw: RawTable, name: str, found: Distinct, fits: Flags, readings: _ByOrder
) -> str | None:
    """Return the order of day, month and year; None after a stop, or where there is no date."""
    if not fits.any():
        return None
    if raw.form.date_order is not None:
        return raw.form.date_order
    known = {order: ~np.isnat(days) for order, days in readings.items()}
    possible = [order for order, good in known.items() if good[fits].all()]
    some = [order for order, good in known.items() if good.any()]
    if len(possible) == 1:
        first = int(np.argmax(fits))
        day = readings[possible[0]][first].astype("datetime64[D]")
        label = found.labels[first]
        row = found.first_row(raw, label)
        raw.tell("date_order_found", name, row, order=possible[0], first=label, day=day)
        return possible[0]
    if len(some) > 1:
        _report_undecided(raw, name, found, fits, readings)
        return None
    return some[0] if some else "day-first"  # what does not fit it is reported one by one


def _report_undecided(
    raw: RawTable, name: str, found: Distinct, fits: Flags, readings: _ByOrder
) -> None:
    """Stop: some dates fit one order alone and some the other, or with both readings of three."""
    either = {order: readings[order].astype("datetime64[D]") for order in EITHER}
    first, second = (~np.isnat(days) for days in either.values())
    only = dict(zip(EITHER, (first & ~second, second & ~first), strict=True))
    if all(some.any() for some in only.values()):
        at = [(int(np.argmax(np.append(f, False)[found.codes])), o) for o, f in only.items()]
        one, other = sorted((int(raw.rows[i]), found.at(i), order) for i, order in at)
        raw.tell("both_date_orders", name, one[0], one=one, other=other)
        return
    _, rows = np.unique(found.codes[found.codes >= 0], return_index=True)
    shown, said = [i for i in np.argsort(rows) if fits[i]][:3], []
    for i in shown:
        days = dict.fromkeys(str(days[i]) for days in either.values() if not np.isnat(days[i]))
        said.append(f"{found.labels[i]} is {' or '.join(days) or 'no date'}")
    row = found.first_row(raw, found.labels[shown[0]])
    raw.tell("date_order_open", name, row, readings="; ".join(said))
