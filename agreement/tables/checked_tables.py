"""The checked tables of a study: every column read as it is declared, what cannot be used set aside."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.arrays import Flags, Floats
from agreement.tables.columns import VO2MAX_COLUMNS
from agreement.tables.dates import NOT_A_TIME, TimeColumn, moment_column
from agreement.tables.findings import message, of_row
from agreement.tables.ids import discreet_id, id_column, silent_ids
from agreement.tables.number_columns import number_columns
from agreement.tables.paths import KEPT_FILE
from agreement.tables.readers import RawTable
from agreement.tables.rules import Vo2max, keep_rules, refusal, vo2max_values
from agreement.tables.text_cells import Distinct, code_column, label_column, rule_column
from agreement.tables.withdrawn import Withdrawn


@dataclass(frozen=True, slots=True)
class Athletes:
    """The athletes table: who may appear, and what the other tables need of it."""

    known: frozenset[str] | None = None  # None: there is no athletes table
    withdrawn: Withdrawn = field(default_factory=Withdrawn)
    frame: pd.DataFrame = field(default_factory=pd.DataFrame)
    withdrawn_rows: int = 0

    def values(self, ids: Distinct, column: str) -> Floats:
        """Return a number column of the table for each row's athlete, NaN where unknown."""
        known = self.frame.set_index("athlete_id")[column]
        per_label = known[~known.index.duplicated()].reindex(ids.labels).to_numpy(np.float64)
        return np.append(per_label, np.nan)[ids.codes]


class Leaving:
    """Collects the rows of one table that are set aside; call `mark` in the order of reasons."""

    def __init__(self, raw: RawTable, ids: Distinct) -> None:
        self.raw = raw
        self.ids = ids
        self.out: Flags = np.zeros(len(raw.rows), dtype=np.bool_)

    def mark(self, name: str, /, where: Flags, column: str | None = None, **values: Any) -> None:
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

    def mark_missing(self, column: str, where: Flags) -> None:
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

    def mark_unknown_athletes(self, athletes: Distinct, people: Athletes) -> None:
        """Set aside rows whose athlete is not in the athletes table."""
        if people.known is not None:
            strange = athletes.where({a for a in athletes.labels if a not in people.known})
            self.mark("unknown_athlete", strange, "athlete_id", athlete=athletes.at)

    def finish(self, frame: pd.DataFrame, *, coded: bool = False) -> pd.DataFrame:
        """Return the rows that stay, with file and row of each; `coded`: texts are categories."""
        file = Distinct(np.zeros(len(frame), dtype=np.int64), [self.raw.file])
        frame["file"] = file.coded() if coded else file.series()
        frame["row"] = self.raw.rows
        return frame[~self.out].reset_index(drop=True) if self.out.any() else frame


def drop_withdrawn(
    raw: RawTable, id_map: dict[str, str], people: Athletes
) -> tuple[int, frozenset[str]]:
    """Remove the rows of people who withdrew; return how many, and the keys in them."""
    if not people.withdrawn:
        return 0, frozenset()
    ids, others = silent_ids(raw, "athlete_id", id_map), people.known or frozenset()
    asked = ids.present() - others  # those of the athletes table were looked at when it was read
    left = {one for one in asked if people.withdrawn.is_one(one)}
    if people.known is None and (back := left - people.withdrawn.ids):
        raw.tell("withdrawn_before", people=len(back), kept=KEPT_FILE)
    listed = raw.table.name == "athletes"
    like = {one for one in asked - left if people.withdrawn.is_like(one, listed=listed)}
    for one in sorted(like):  # likely spellings
        raw.tell("like_withdrawn", one=discreet_id(one))
    gone = ids.where(left | like)
    count = int(gone.sum())
    if not count:
        return 0, frozenset()
    keys = silent_ids(raw, raw.table.key, {}).kept(gone).present() if raw.table.key else frozenset()
    raw.findings.withdraw(raw.file, count)
    raw.keep(~gone)
    return count, keys


SET_NUMBERS: Final = ("set_mass_kg", "set_hr_max_bpm", "set_age_years")
_ENOUGH_TO_SEE_ROUNDING: Final = 5
_WORDS: Final = {"label": label_column, "code": code_column, "rule": rule_column}


@dataclass(frozen=True, slots=True)
class CheckedTable:
    """One checked table: its rows, rows of people who withdrew, and the fate of its keys."""

    frame: pd.DataFrame
    withdrawn_rows: int
    people: frozenset[str]  # every athlete in the file who did not withdraw
    keys: frozenset[str] = frozenset()  # every key in the file, of those who did not withdraw
    withdrawn_keys: frozenset[str] = frozenset()
    # athlete_id, method, mode of field estimates whose VO2max is empty; None where it is not kept
    without_value: pd.DataFrame | None = None

    def in_words(self) -> pd.DataFrame:
        """Return the rows with texts in the place of categories."""
        coded = self.frame.select_dtypes("category")
        return self.frame.assign(**{str(name): _words(column) for name, column in coded.items()})


def _words(column: pd.Series) -> pd.Series:
    """Return the texts of categories: taken as they are, where pandas makes each one anew."""
    texts = column.cat.categories.astype("str").array
    taken = texts.take(column.cat.codes.to_numpy(), allow_fill=True)
    return pd.Series(taken, column.index, name=column.name)


class TableCells:
    """
    The columns of one table, each read by its kind; rows of people who withdrew are gone.

    `number` gives a number column, NaN where the file lacks it; `words` holds ids, labels and codes.
    """

    def __init__(
        self, raw: RawTable, people: Athletes, id_map: dict[str, str], zone: str | None = None
    ) -> None:
        self.raw = raw
        self.withdrawn_rows, self.withdrawn_keys = drop_withdrawn(raw, id_map, people)
        self.words: dict[str, Distinct] = {}
        never = np.full(len(raw.rows), NOT_A_TIME)
        self.moments = TimeColumn(never, never)
        for name, column in raw.table.columns.items():
            if column.kind == "id":
                self.words[name] = id_column(raw, name, id_map if name == "athlete_id" else None)
            elif column.kind in ("date", "time"):
                self.moments = moment_column(raw, name, zone)
            elif column.kind in _WORDS and name != "withdrawn":  # which was read before
                self.words[name] = _WORDS[column.kind](raw, name)
        self.numbers = number_columns(raw)
        self.people = self.words["athlete_id"]
        self.key = self.words.get(raw.table.key or "")

    def number(self, name: str) -> Floats:
        """Return a number column; NaN where the file lacks it."""
        found = self.numbers.get(name)
        return np.full(len(self.raw.rows), np.nan) if found is None else found

    def leaving(self) -> Leaving:
        """Set aside the rows without what is required; a row without own id is of its athlete."""
        own = self.words[self.raw.table.ledger_id]
        leaving = Leaving(self.raw, own if own.labels else self.people)
        for name, column in self.raw.table.columns.items():
            if column.required and name in self.words:
                leaving.mark_missing(name, self.words[name].codes < 0)
            elif column.required and column.kind == "number":
                leaving.mark_missing(name, np.isnan(self.number(name)))
            elif column.required:
                leaving.mark_missing(name, np.isnat(self.moments.date))
        return leaving

    def table(self, leaving: Leaving, *, coded: bool = False, **made: Any) -> CheckedTable:
        """
        Return the rows that stay, every declared column in its place.

        coded: texts are categories.
        **made: further columns, or others in place of those declared; None: left out.
        """
        columns: dict[str, Any] = {}
        for name, column in self.raw.table.columns.items():
            if name in self.words:
                columns[name] = self.words[name].coded() if coded else self.words[name].series()
            elif column.kind == "number":
                columns[name] = self.number(name)
            elif column.kind in ("date", "time"):
                both = {"date": self.moments.date, "instant": self.moments.instant}
                columns |= both if column.kind == "date" else dict(reversed(both.items()))
        columns |= made
        frame = pd.DataFrame({n: c for n, c in columns.items() if c is not None}, copy=False)
        keys = frozenset() if self.key is None else self.key.present()
        people, gone = self.people.present(), self.withdrawn_keys
        frame = leaving.finish(frame, coded=coded)
        return CheckedTable(frame, self.withdrawn_rows, people, keys, gone)


def athletes_table(raw: RawTable, id_map: dict[str, str], withdrawn: Withdrawn) -> CheckedTable:
    """Return the checked athletes."""
    code_column(raw, "withdrawn")  # whom it marks is among the `withdrawn`; here it is checked
    cells = TableCells(raw, Athletes(withdrawn=withdrawn), id_map)
    keep_rules(raw, cells.numbers, cells.key)
    return cells.table(cells.leaving())


def field_estimates_table(
    raw: RawTable, athletes: Athletes, id_map: dict[str, str], zone: str | None
) -> CheckedTable:
    """
    Return the checked estimates; texts are categories.

    `vo2max_l_min` holds only the values that wait for the mass of the paired test. Athletes who are
    not in the athletes table stay: pairing names copies and stale rows first.
    """
    cells = TableCells(raw, athletes, id_map, zone)
    refused = keep_rules(raw, cells.numbers)
    values = vo2max_values(cells.numbers, refused, cells.number("set_mass_kg"), len(raw.rows))
    leaving = cells.leaving()
    column = values.column_of(raw.theirs)
    said = leaving.saying(column)
    empty = np.isnan(values.relative) & np.isnan(values.absolute)
    leaving.mark("missing_value", empty, column, name="VO2max", said=said)
    mark_refused(leaving, values)
    method = cells.words["method"]
    known = ~np.isnan(values.relative) & (method.codes >= 0)
    broken = known & (values.relative != np.rint(values.relative))
    count, fractions = (
        np.bincount(method.codes[m], minlength=len(method.labels)) for m in (known, broken)
    )
    for label, n, fraction in zip(method.labels, count, fractions, strict=True):
        if n >= _ENOUGH_TO_SEE_ROUNDING and not fraction:
            # a value rounded to whole numbers is off by a uniform error of SD 1/sqrt(12)
            raw.tell("whole_numbers", "method", label=label)
    waiting = values.from_absolute & np.isnan(values.converted)
    made = dict.fromkeys(VO2MAX_COLUMNS) | {
        "vo2max": values.converted,
        "vo2max_l_min": np.where(waiting, values.absolute, np.nan),
    }
    empty &= cells.people.codes >= 0
    names = {name: cells.words[name] for name in ("athlete_id", "method", "mode")}
    asked = pd.DataFrame({name: one.kept(empty).series() for name, one in names.items()}).dropna()
    finished = cells.table(leaving, coded=True, **made)
    return replace(finished, without_value=asked.drop_duplicates(ignore_index=True))


def mark_refused(leaving: Leaving, values: Vo2max, but: Flags | bool = False) -> None:
    """Set aside the rows whose VO2max nobody reaches, `but` for some."""
    for source, column in enumerate(VO2MAX_COLUMNS):
        where = values.refused & (values.source == source) & ~np.asarray(but)
        leaving.mark("refused_value", where, column, said=values.refusal)


def field_tests_table(
    raw: RawTable, athletes: Athletes, id_map: dict[str, str], zone: str | None
) -> CheckedTable:
    """Return the checked field tests."""
    cells = TableCells(raw, athletes, id_map, zone)
    keep_rules(raw, cells.numbers)
    return cells.table(cells.leaving())


def sessions_table(
    raw: RawTable, athletes: Athletes, id_map: dict[str, str], zone: str | None
) -> CheckedTable:
    """Return the checked training sessions."""
    cells = TableCells(raw, athletes, id_map, zone)
    refused = keep_rules(raw, cells.numbers, cells.key)
    leaving, name = cells.leaving(), "duration_min"
    minutes = cells.number(name)
    where = refused.get(name, np.zeros(len(raw.rows), dtype=np.bool_))
    leaving.mark("refused_value", where, name, said=lambda i: refusal(name, float(minutes[i])))
    leaving.mark_unknown_athletes(cells.people, athletes)
    return cells.table(leaving)
