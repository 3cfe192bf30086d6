"""Dates and times: ISO 8601, or an order that the file or the study decides; zones never guessed."""

import re
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.tables.columns import MISSING_ANY_CASE
from agreement.tables.date_orders import NOT_A_TIME, Times, read_other_forms
from agreement.tables.findings import Findings
from agreement.tables.readers import RawTable
from agreement.tables.text_cells import BLANKS, Mask, distinct
from agreement.terms import counted

Steps = npt.NDArray[np.timedelta64]
_HAS_TIME: Final = r"\d[T ]\d\d:?\d\d"
_HAS_OFFSET: Final = r"[T ].*(?:Z|[+-]\d\d(?::?\d\d)?)$"
_OFFSET: Final = re.compile(r"(?:(Z)|([+-])(\d\d):?(\d\d)?)$")
_FEW_OFFSETS: Final = 3  # most files have those of winter and summer alone
_FIRST, _LAST = np.datetime64("1950-01-01"), np.datetime64("2100-01-01")


@dataclass(frozen=True, slots=True)
class Moments:
    """A column of dates or times."""

    instant: Times  # UTC; of a date alone, its local midnight
    date: Times  # midnight of the calendar date in the study's zone; without one, as written


@dataclass(frozen=True, slots=True)
class _Clock:
    """Wall-clock values; where `zoned`, minus `offset` is UTC; without `timed`, a date alone."""

    wall: Times
    offset: Steps
    zoned: Mask
    timed: Mask


def moment_column(raw: RawTable, name: str, zone: str | None, findings: Findings) -> Moments:
    """
    Return a date or time column; missing cells are NaT.

    findings: gets undecidable orders, unreadable dates and times without zone as stops.
    """
    column = raw.frame.get(name)
    if column is None:
        nothing = np.full(len(raw.rows), NOT_A_TIME)
        return Moments(nothing, nothing)
    if stated := raw.form.codes.get(name):  # a visit that study.toml gives its day
        found = distinct(column)
        days: list[str | None] = [stated.get(one.strip(), one) for one in found.labels]
        column = raw.frame[name] = found.replaced(days).series()
    if isinstance(column.dtype, pd.DatetimeTZDtype):
        return _aware(raw, name, column, zone, findings)
    if pd.api.types.is_datetime64_dtype(column.dtype):
        wall = column.to_numpy(dtype="datetime64[us]")
        timed = (wall != wall.astype("datetime64[D]")) & ~np.isnat(wall)
        return _placed(raw, name, _unzoned(wall, timed), zone, findings)
    quick = None if pd.api.types.is_numeric_dtype(column.dtype) else _quick(column)
    return _placed(raw, name, quick or _clock(raw, name, findings), zone, findings)


def _aware(
    raw: RawTable, name: str, column: "pd.Series[Any]", zone: str | None, findings: Findings
) -> Moments:
    """Return times that carry their zone as a type."""
    wall = column.dt.tz_localize(None).to_numpy(dtype="datetime64[us]")
    date, instant = _day_of(wall), _naive_utc(column)
    if zone is not None:
        written, date = date, _day_of(_wall_of(instant, zone))
        _note_moved(raw, name, wall, written != date, zone, findings)
    return Moments(instant, date)


def _unzoned(wall: Times, timed: Mask) -> _Clock:
    """Return wall clocks without any offset."""
    nothing = np.zeros(len(wall), dtype="timedelta64[us]")
    return _Clock(wall, nothing, np.zeros(len(wall), dtype=np.bool_), timed)


def _quick(column: "pd.Series[Any]") -> _Clock | None:
    """Return what text in one ISO 8601 form throughout says; None when it is not."""
    if column.dtype == object:  # here pandas would guess the order of day and month
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


def _clock(raw: RawTable, name: str, findings: Findings) -> _Clock:
    """Return the wall clock of a text column, whatever form its values have."""
    text = _trimmed(raw, name, findings)
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
        walls = read_other_forms(raw, name, found, findings)
        wall[rest] = walls[found.codes[rest]]
        zoned &= ~rest
        timed[rest] = text[rest].str.contains(":", regex=False).to_numpy(dtype=np.bool_)
    _refuse_far_years(raw, name, text, wall, findings)
    return _Clock(wall, offset, zoned, timed)


def _trimmed(raw: RawTable, name: str, findings: Findings) -> "pd.Series[Any]":
    """Return a date column as text without blanks around, NaN where a cell is missing."""
    column = raw.frame[name]
    if isinstance(column.dtype, pd.CategoricalDtype):
        column = distinct(column).series()
    column = column.astype("str")
    text = column.str.strip()
    if (count := int((text != column).sum() - column.isna().sum())) > 0:
        what = f"Blanks around {counted(count, 'value')} were removed."
        findings.note("trimmed", raw.file, what, BLANKS, column=raw.theirs.get(name, name))
    return text.mask(text.str.casefold().isin(list(MISSING_ANY_CASE)))


def _offsets(text: "pd.Series[Any]") -> Steps:
    """Return how far each wall clock is ahead of UTC; zero where no offset is written."""
    steps = np.zeros(len(text), dtype="timedelta64[us]")
    left = np.ones(len(text), dtype=np.bool_)
    for _ in range(_FEW_OFFSETS):
        if not left.any():
            return steps
        match = _OFFSET.search(str(text.iloc[int(left.argmax())]))
        if match is None:
            break
        here = text.str.endswith(match[0]).fillna(False).to_numpy(dtype=np.bool_)
        steps[here] = _ahead(match)
        left &= ~here
    if not left.any():
        return steps
    tails = text.str[-6:].astype("category")
    known = [_ahead(_OFFSET.search(tail)) for tail in tails.cat.categories]
    return np.array([*known, _ahead(None)])[tails.cat.codes.to_numpy()]


def _ahead(offset: re.Match[str] | None) -> np.timedelta64:
    """Return how far an offset is ahead of UTC."""
    minutes = 0
    if offset and offset[2]:
        minutes = (int(offset[3]) * 60 + int(offset[4] or 0)) * (-1 if offset[2] == "-" else 1)
    return np.timedelta64(60_000_000 * minutes, "us")


def _refuse_far_years(
    raw: RawTable, name: str, text: "pd.Series[Any]", wall: Times, findings: Findings
) -> None:
    """Stop at years in which nobody measured: a slip of the keyboard."""
    far = np.flatnonzero((wall < _FIRST) | (wall >= _LAST))
    findings.each(
        "stop",
        "not_a_date",
        raw.file,
        raw.rows[far],
        raw.theirs.get(name, name),
        lambda i: f"'{text.iloc[far[i]]}' is not between 1950 and 2100.",
        "Correct the year.",
    )


def _placed(
    raw: RawTable, name: str, clock: _Clock, zone: str | None, findings: Findings
) -> Moments:
    """Return instants and dates of wall clocks, with and without offset."""
    instant = clock.wall - clock.offset
    date = _day_of(clock.wall)
    local = ~clock.zoned & ~np.isnat(clock.wall)
    naive = local & clock.timed
    if zone is None:
        if raw.table.columns[name].kind == "date":  # midnight is what spreadsheets write for a day
            naive &= clock.wall != date
        _refuse_naive(raw, name, clock.wall, naive, findings)
        if clock.zoned.any():
            what = "Days are counted in the zone in which each time is written."
            remedy = "Set time_zone in [study] to count them where the athletes live."
            findings.note("time_zone", raw.file, what, remedy, column=raw.theirs.get(name, name))
        return Moments(instant, date)
    if clock.zoned.any():
        written = date.copy()
        date[clock.zoned] = _day_of(_wall_of(instant[clock.zoned], zone))
        _note_moved(raw, name, clock.wall, written != date, zone, findings)
    if local.any():
        instant[local] = _utc_of(raw, name, clock.wall, local, naive, zone, findings)
    return Moments(instant, date)


def _note_moved(
    raw: RawTable, name: str, wall: Times, moved: Mask, zone: str, findings: Findings
) -> None:
    """Note the times that fall on another day in the study's zone than where they were written."""
    at = np.flatnonzero(moved & ~np.isnat(wall))
    findings.each(
        "note",
        "time_zone",
        raw.file,
        raw.rows[at],
        raw.theirs.get(name, name),
        lambda i: f"Written as {_shown(wall[at[i]])}, it falls on another day in {zone}.",
        "Nothing to do if the athletes live in that zone; the day there counts.",
        shown=1,
    )


def _utc_of(
    raw: RawTable, name: str, wall: Times, local: Mask, naive: Mask, zone: str, findings: Findings
) -> Times:
    """Return local wall clocks as UTC; hours that the clock change doubles or skips are noted."""
    clocks = pd.Series(wall[local])
    utc = clocks.dt.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
    odd = utc.isna().to_numpy()
    if odd.any():
        first = np.ones(int(odd.sum()), dtype=np.bool_)  # of a doubled hour, the first
        mended = clocks[odd].dt.tz_localize(zone, ambiguous=first, nonexistent="shift_forward")
        utc[odd] = mended
        positions = np.flatnonzero(local)[odd]
        positions = positions[naive[positions]]
        findings.each(
            "note",
            "clock_change",
            raw.file,
            raw.rows[positions],
            raw.theirs.get(name, name),
            lambda i: (
                f"{_shown(wall[positions[i]])} exists twice or not at all in {zone}, because "
                "clocks change; read as the first, or as the moment after."
            ),
            "Write the time with its offset to decide it.",
        )
    return _naive_utc(utc)


def _wall_of(instant: Times, zone: str) -> Times:
    """Return what the clocks of a zone show at instants in UTC."""
    there = pd.Series(instant).dt.tz_localize("UTC").dt.tz_convert(zone)
    wall: Times = there.dt.tz_localize(None).to_numpy(dtype="datetime64[us]")
    return wall


def _day_of(wall: Times) -> Times:
    """Return the midnight before each wall clock."""
    day: Times = wall.astype("datetime64[D]").astype("datetime64[us]")
    return day


def _naive_utc(times: "pd.Series[Any]") -> Times:
    """Return times with a zone as UTC without one."""
    utc: Times = times.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy(dtype="datetime64[us]")
    return utc


def _refuse_naive(raw: RawTable, name: str, wall: Times, naive: Mask, findings: Findings) -> None:
    """Stop when times have no offset and the study names no zone."""
    count = int(naive.sum())
    if count:
        first = int(np.flatnonzero(naive)[0])
        what = f"{count} times have no zone, first {_shown(wall[first])}."
        remedy = 'Set time_zone = "Europe/Oslo" or the like in [study] of study.toml.'
        column = raw.theirs.get(name, name)
        row = int(raw.rows[first])
        findings.stop("time_zone", raw.file, what, remedy, row=row, column=column)


def _shown(wall: np.datetime64) -> str:
    """Return a wall clock as people write it."""
    return str(wall.astype("datetime64[s]")).replace("T", " ")
