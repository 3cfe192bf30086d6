"""Which rows of a table leave, and why: the first cause in the order of `terms.REASONS` counts."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from agreement.tables.findings import message, of_row
from agreement.tables.ids import discreet_id, silent_ids
from agreement.tables.readers import RawTable
from agreement.tables.text_cells import Distinct, Mask
from agreement.tables.withdrawn import KEPT_FILE, Withdrawn


@dataclass(frozen=True, slots=True)
class People:
    """What the `athletes` table says about who may appear."""

    known: frozenset[str] | None = None  # None: there is no athletes table
    withdrawn: Withdrawn = field(default_factory=Withdrawn)


class Leaving:
    """Collects the rows of one table that are set aside; call `mark` in the order of reasons."""

    def __init__(self, raw: RawTable, ids: Distinct) -> None:
        self.raw = raw
        self.ids = ids
        self.out: Mask = np.zeros(len(raw.rows), dtype=np.bool_)

    def mark(self, name: str, /, where: Mask, column: str | None = None, **values: Any) -> None:
        """Set aside the rows of `where` that have not left yet, with a message; see `tell_each`."""
        new = np.flatnonzero(where & ~self.out).tolist()
        if new:
            self.out[new] = True
            _, reason, what, remedy = message(name)
            raw, messages = self.raw, [what.format_map(of_row(values, i)) for i in new]
            ids, header = [self.ids.at(i) for i in new], column and raw.header(column)
            raw.findings.leave_out(
                reason, raw.file, raw.rows[new], ids, messages, column=header, remedy=remedy
            )

    def mark_missing(self, column: str, where: Mask) -> None:
        """Set aside rows without a required value; an absent column has been reported already."""
        if column in self.raw.theirs:
            said = self.saying(column)
            self.mark("missing_value", where, column, name=column, said=said)

    def saying(self, column: str | None) -> Callable[[int], str]:
        """Return what says, for a row, how a cell without a value looks."""
        if column not in self.raw.theirs:
            return lambda _: "there is no such column"
        cells = self.raw.frame[column].array  # looked at cell by cell: few rows are ever asked for

        def said(i: int) -> str:
            cell = cells[i]
            text = cell.strip() if isinstance(cell, str) else ""
            return f"the cell says '{text}'" if text else "the cell holds no value"

        return said

    def mark_unknown_athletes(self, athletes: Distinct, people: People) -> None:
        """Set aside rows whose athlete is not in the athletes table."""
        if people.known is not None:
            strange = athletes.where({a for a in athletes.labels if a not in people.known})
            self.mark("unknown_athlete", strange, "athlete_id", athlete=athletes.at)

    def finish(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return the rows that stay, with file and row of each."""
        frame["file"] = Distinct(np.zeros(len(frame), dtype=np.int64), [self.raw.file]).series()
        frame["row"] = self.raw.rows
        return frame[~self.out].reset_index(drop=True) if self.out.any() else frame


def drop_withdrawn(
    raw: RawTable, id_map: dict[str, str], people: People
) -> tuple[int, frozenset[str]]:
    """Remove the rows of people who withdrew; return how many, and the keys in them."""
    if not people.withdrawn:
        return 0, frozenset()
    ids = silent_ids(raw, "athlete_id", id_map)
    gone = ids.where(_who_left(raw, ids, people))
    count = int(gone.sum())
    if not count:
        return 0, frozenset()
    keys = silent_ids(raw, raw.table.key, {}).kept(gone).present() if raw.table.key else frozenset()
    raw.findings.withdraw(raw.file, count)
    raw.keep(~gone)
    return count, keys


def _who_left(raw: RawTable, ids: Distinct, people: People) -> set[str]:
    """Return the ids of those who withdrew among a table's, likely spellings with a note."""
    others = people.known or frozenset()  # of the athletes table: looked at when it was read
    asked = {one for one in ids.present() if one not in others}
    gone = {one for one in asked if people.withdrawn.is_one(one)}
    if people.known is None and (back := gone - people.withdrawn.ids):
        raw.tell("withdrawn_before", people=len(back), kept=KEPT_FILE)
    listed = raw.table.name == "athletes"
    like = {one for one in asked - gone if people.withdrawn.is_like(one, listed=listed)}
    for one in sorted(like):
        raw.tell("like_withdrawn", one=discreet_id(one))
    return gone | like
