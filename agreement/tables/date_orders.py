"""Dates that are not ISO 8601: their order is stated, or decided by the column, or a stop."""

import re
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from agreement.tables.findings import Findings
from agreement.tables.readers import RawTable
from agreement.tables.text_cells import Distinct, Mask

Times = npt.NDArray[np.datetime64]
NOT_A_TIME: Final[np.datetime64] = np.datetime64("NaT", "us")
_FORM: Final = re.compile(
    r"(\d{1,4})([./-])(\d{1,2})\2(\d{4}|\d{2})"
    r"(?:,?[ T]+([01]?\d|2[0-3]):([0-5]\d)(?::([0-5]\d)(?:\.(\d{1,6}))?)?)?"
)
_SERIAL: Final = re.compile(r"[3-6]\d{4}([.,]\d+)?")
_ORDERS: Final = {"year-first": "ymd", "day-first": "dmy", "month-first": "mdy"}


def read_other_forms(raw: RawTable, name: str, found: Distinct, findings: Findings) -> Times:
    """
    Return the wall clocks of dates in another form than ISO; NaT where there is a stop.

    found: the column where it is not ISO 8601, missing elsewhere.
    findings: gets undecidable orders and unreadable dates.
    Returns: one for each distinct value.
    """
    written = _Written([_FORM.fullmatch(label) for label in found.labels])
    order = _order(raw, name, found, written, findings)
    if order is None:
        walls = np.full(len(found.labels), NOT_A_TIME)
        _report_unread(raw, name, found, ~written.fits, findings)
        return walls
    walls = written.walls(_ORDERS[order])
    _report_unread(raw, name, found, np.isnat(walls), findings)
    return walls


class _Written:
    """Dates as three numbers and a time of day, in the order in which they are written."""

    def __init__(self, matches: "list[re.Match[str] | None]") -> None:
        self.fits = np.array([m is not None for m in matches], dtype=np.bool_)
        rows = [(0,) * 5 if m is None else _numbers(m) for m in matches]
        table = np.array(rows, dtype=np.int64).reshape(-1, 5)
        self.first, self.second, self.third, self.clock, self.years = table.T

    def walls(self, order: str) -> Times:
        """Return the wall clocks in a given order; NaT where there is no such day."""
        written = dict(zip(order, (self.first, self.second, self.third), strict=True))
        year, month, day = written["y"], written["m"], written["d"]
        # a year has two or four digits; which of the three numbers have four is in `years`
        year_digits = self.years // (100 if order[0] == "y" else 1) % 100
        other_digits = self.years // (1 if order[0] == "y" else 100) % 100
        year = np.where(year_digits == 2, 2000 + year, year)
        months = ((year - 1970) * 12 + month - 1).astype("datetime64[M]")
        days = months.astype("datetime64[D]") + (day - 1)
        good = self.fits & (month >= 1) & (month <= 12) & (day >= 1) & (other_digits <= 2)
        good &= np.isin(year_digits, (2, 4)) & (days.astype("datetime64[M]") == months)
        walls: Times = days.astype("datetime64[us]") + self.clock.astype("timedelta64[us]")
        walls[~good] = NOT_A_TIME
        return walls


def _numbers(match: "re.Match[str]") -> tuple[int, int, int, int, int]:
    """Return the three numbers, the time of day in microseconds, and the digits of both ends."""
    hour, minute, second = (int(part or 0) for part in match.group(5, 6, 7))
    clock = ((hour * 60 + minute) * 60 + second) * 1_000_000 + int((match[8] or "").ljust(6, "0"))
    digits = 100 * len(match[1]) + len(match[4])
    return int(match[1]), int(match[3]), int(match[4]), clock, digits


def _order(
    raw: RawTable, name: str, found: Distinct, written: _Written, findings: Findings
) -> str | None:
    """Return the order of day, month and year; None after a stop, or where there is no date."""
    if not written.fits.any():
        return None
    if raw.form.date_order is not None:
        return raw.form.date_order
    readings = {order: ~np.isnat(written.walls(_ORDERS[order])) for order in _ORDERS}
    possible = [order for order, good in readings.items() if good[written.fits].all()]
    some = [order for order, good in readings.items() if good.any()]
    if len(possible) == 1:
        first = int(np.argmax(written.fits))
        at = int(np.argmax(found.codes == first))
        day = written.walls(_ORDERS[possible[0]])[first].astype("datetime64[D]")
        what = (
            f"Read the dates {possible[0]}, as the column decides: {found.labels[first]} as {day}."
        )
        remedy = f"If that is wrong, set date_order in [files.{raw.table.name}] of study.toml."
        column = raw.theirs.get(name, name)
        findings.note("format_found", raw.file, what, remedy, row=int(raw.rows[at]), column=column)
        return possible[0]
    if len(some) > 1:
        _report_undecided(raw, name, found, written, findings)
        return None
    return some[0] if some else "day-first"  # what does not fit it is reported one by one


def _report_undecided(
    raw: RawTable, name: str, found: Distinct, written: _Written, findings: Findings
) -> None:
    """Stop, with both readings of the first three values."""
    _, rows = np.unique(found.codes[found.codes >= 0], return_index=True)
    shown = [i for i in np.argsort(rows) if written.fits[i]][:3]
    either = [written.walls(order).astype("datetime64[D]") for order in ("dmy", "mdy")]
    column = raw.theirs.get(name, name)
    if (both := _both_orders(raw, found, *(~np.isnat(days) for days in either))) is not None:
        remedy = "Write all dates of the column like 2026-03-04."
        findings.stop("date_order", raw.file, both[1], remedy, row=both[0], column=column)
        return
    readings = []
    for i in shown:
        days = dict.fromkeys(str(days[i]) for days in either if not np.isnat(days[i]))
        readings.append(f"{found.labels[i]} is {' or '.join(days) or 'no date'}")
    what = f"The order of day and month is not decided: {'; '.join(readings)}."
    remedy = (
        f'Set date_order = "day-first" or "month-first" in '
        f"[files.{raw.table.name}] of study.toml, or write dates like 2026-03-04."
    )
    first = found.first_row(raw, found.labels[shown[0]])
    findings.stop("date_order", raw.file, what, remedy, row=first, column=column)


def _both_orders(
    raw: RawTable, found: Distinct, day_first: Mask, month_first: Mask
) -> tuple[int, str] | None:
    """Return the first row and what to say where some dates fit one order and some the other."""
    if not (day_first & ~month_first).any() or not (month_first & ~day_first).any():
        return None
    only = []
    for order, fits in (
        ("day-first", day_first & ~month_first),
        ("month-first", month_first & ~day_first),
    ):
        at = int(np.argmax(np.append(fits, False)[found.codes]))
        only.append((int(raw.rows[at]), found.at(at), order))
    (row, label, order), (other_row, other_label, other) = sorted(only)
    what = (
        f"Both orders are in use: row {row} '{label}' can only be {order}, row {other_row} "
        f"'{other_label}' only {other}."
    )
    return row, what


def _report_unread(
    raw: RawTable,
    name: str,
    found: Distinct,
    unread: "np.ndarray[Any, np.dtype[np.bool_]]",
    findings: Findings,
) -> None:
    """Stop at the cells that are no dates."""
    positions = np.flatnonzero(np.append(unread, False)[found.codes])
    stated = raw.form.date_order

    def what(i: int) -> str:
        label = found.at(positions[i])
        if _SERIAL.fullmatch(label):
            return f"'{label}' is a spreadsheet's day count, not a date."
        return f"'{label}' is not a date" + (f" written {stated}." if stated else ".")

    findings.each(
        "stop",
        "not_a_date",
        raw.file,
        raw.rows[positions],
        raw.theirs.get(name, name),
        what,
        "Write it like 2026-03-04 or 2026-03-04T09:30:00+01:00.",
    )
