"""Dates that are not ISO 8601: their order is stated, or decided by the column, or a stop."""

import re
from typing import Final

import numpy as np
import numpy.typing as npt

from agreement.tables.findings import Findings
from agreement.tables.readers import RawTable
from agreement.tables.text_cells import Distinct

Times = npt.NDArray[np.datetime64]
NOT_A_TIME: Final[np.datetime64] = np.datetime64("NaT", "us")
_OTHER: Final = re.compile(
    r"(\d{1,4})([./-])(\d{1,2})\2(\d{4}|\d{2})(?:,?[ T]+(\d{1,2}:\d\d(?::\d\d(?:\.\d+)?)?)(.*))?"
)
_SERIAL: Final = re.compile(r"[3-6]\d{4}([.,]\d+)?")
_ORDERS: Final = {"year-first": "ymd", "day-first": "dmy", "month-first": "mdy"}


def read_other_forms(raw: RawTable, name: str, found: Distinct, findings: Findings) -> Times:
    """
    Return the wall clocks of dates in another form than ISO; NaT where there is a stop.

    Parameters
    ----------
    raw : RawTable
        The table.
    name : str
        Our column name.
    found : Distinct
        The column where it is not ISO 8601, missing elsewhere.
    findings : Findings
        Gets undecidable orders and unreadable dates.

    Returns
    -------
    ndarray of datetime64[us]
        One for each distinct value.
    """
    walls = _OtherForms(raw, name, found, findings).walls(found.labels)
    return np.array(walls, dtype="datetime64[us]")


class _OtherForms:
    """Dates that are not ISO 8601: their order is stated, or decided by the column, or a stop."""

    def __init__(self, raw: RawTable, name: str, found: Distinct, findings: Findings) -> None:
        self.raw = raw
        self.column = raw.theirs.get(name, name)
        self.found = found
        self.findings = findings

    def walls(self, labels: list[str]) -> list[np.datetime64]:
        """Return the wall clocks of dates in another form than ISO; NaT where there is a stop."""
        matches = [_OTHER.fullmatch(label) for label in labels]
        unread = {v for v, m in zip(labels, matches, strict=True) if m is None or m[6]}
        order = self._order([m for m in matches if m is not None and not m[6]])
        walls = []
        for label, match in zip(labels, matches, strict=True):
            wall = NOT_A_TIME
            if match is not None and order is not None and label not in unread:
                wall = _wall(match, order)
                if np.isnat(wall):
                    unread.add(label)
            walls.append(wall)
        self._report_unread(unread, order)
        return walls

    def _order(self, matches: "list[re.Match[str]]") -> str | None:
        """Return the order of day, month and year; None after a stop."""
        if not matches:
            return None
        stated = self.raw.form.date_order
        if stated is not None:
            return _ORDERS[stated]
        possible = [
            (name, order)
            for name, order in _ORDERS.items()
            if all(not np.isnat(_wall(m, order)) for m in matches)
        ]
        if len(possible) == 1:
            name, order = possible[0]
            shown = f"{matches[0][0]} as {_wall(matches[0], order).astype('datetime64[D]')}"
            what = f"Read the dates {name}, as the column decides: {shown}."
            self.findings.note("format_found", self.raw.file, what, column=self.column)
            return order
        if possible:
            self._report_undecided(matches)
            return None
        some = [o for o in _ORDERS.values() if any(not np.isnat(_wall(m, o)) for m in matches)]
        if len(some) > 1:
            self._report_undecided(matches)
            return None
        return some[0] if some else "dmy"  # the dates that do not fit it are reported one by one

    def _report_undecided(self, matches: "list[re.Match[str]]") -> None:
        """Stop, with both readings of the first three values."""
        present, first = np.unique(self.found.codes, return_index=True)
        place = {self.found.labels[c]: i for c, i in zip(present, first, strict=True) if c >= 0}
        readings = []
        for match in sorted(matches, key=lambda m: place[m.string])[:3]:
            days = [_wall(match, o).astype("datetime64[D]") for o in ("dmy", "mdy")]
            either = [str(day) for day in days if not np.isnat(day)]
            readings.append(f"{match[0]} is {' or '.join(either) or 'no date'}")
        what = f"The order of day and month is not decided: {'; '.join(readings)}."
        remedy = (
            f'Set date_order = "day-first" or "month-first" in '
            f"[files.{self.raw.table.name}] of study.toml, or write dates like 2026-03-04."
        )
        self.findings.stop("date_order", self.raw.file, what, remedy, column=self.column)

    def _report_unread(self, unread: set[str], order: str | None) -> None:
        """Stop at the cells that are no dates."""
        positions = np.flatnonzero(self.found.where(unread))
        labels, codes = self.found.labels, self.found.codes
        stated = self.raw.form.date_order if order else None

        def what(i: int) -> str:
            label = labels[codes[positions[i]]]
            if _SERIAL.fullmatch(label):
                return f"'{label}' is a spreadsheet's day count, not a date."
            return f"'{label}' is not a date" + (f" written {stated}." if stated else ".")

        remedy = "Write it like 2026-03-04 or 2026-03-04T09:30:00+01:00."
        rows = self.raw.rows[positions]
        self.findings.each("stop", "not_a_date", self.raw.file, rows, self.column, what, remedy)


def _wall(match: "re.Match[str]", order: str) -> np.datetime64:
    """Return the wall clock of a date in a given order, NaT when there is no such day."""
    parts = dict(zip(order, (match[1], match[3], match[4]), strict=True))
    year = parts["y"] if len(parts["y"]) == 4 else "20" + parts["y"].zfill(2)
    if len(parts["d"]) > 2 or len(parts["m"]) > 2 or len(parts["y"]) not in {2, 4}:
        return NOT_A_TIME
    clock = match[5] or "0:00"
    text = f"{year}-{parts['m'].zfill(2)}-{parts['d'].zfill(2)}T{clock.zfill(len(clock) + (clock[1] == ':'))}"
    try:
        return np.datetime64(text, "us")
    except ValueError:
        return NOT_A_TIME
