"""Number columns: decimal marks, missing tokens, text where a number belongs, foreign units."""

import re
from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.arrays import Flags, Floats
from agreement.tables.columns import VO2MAX_COLUMNS, is_missing
from agreement.tables.readers import RawTable
from agreement.tables.text_cells import Distinct, distinct
from agreement.tables.units import CLOCKS, Unit, clock_minutes, own_unit, unit_of

_NUMBER: Final = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_THOUSANDS: Final = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}")

SECONDS_COLUMN: Final = "t_s"
CLOCK_COLUMN: Final = "clock_s"  # beside it, where it was times of day: seconds after midnight
CLOCK_OF: Final = {  # columns of seconds of a recording -> where they stand as times of day
    name: f"{name.removesuffix('_s')}_clock_s" for name in ("exercise_start_s", "exercise_end_s")
}
_CLOCK: Final = re.compile(r"(?:(\d{1,2}):)?(\d{1,3}):(\d{2}(?:[.,]\d+)?)")
TIME_OF_DAY: Final = re.compile(r"(\d{1,2}):(\d{2}):(\d{2}(?:[.,]\d+)?)")
DAY_S: Final = 86_400.0


class Marks(NamedTuple):
    """The decimal marks of one column: certain ones, and those of numbers like 1,500."""

    sure: frozenset[str]
    doubtful: frozenset[str]


def number_columns(raw: RawTable) -> dict[str, Floats]:
    """
    Return every number column of a table in our units; NaN where a cell is missing.

    Text is a stop in a required column, else a note. Columns that the file does not have are absent;
    a VO2max column whose unit is another of the three quantities stands under that one's name.
    """
    names = [n for n, c in raw.table.columns.items() if c.kind == "number" and n in raw.frame]
    numeric, truth = pd.api.types.is_numeric_dtype, pd.api.types.is_bool_dtype
    typed = {n for n in names if numeric(raw.frame[n]) and not truth(raw.frame[n])}
    texts = {n: distinct(raw.frame[n]) for n in names if n not in typed}
    marks = {n: marks_of(text.labels) for n, text in texts.items()}
    columns: dict[str, Floats] = {}
    for name in names:
        if name in typed:
            values = raw.frame[name].to_numpy(dtype=np.float64, na_value=np.nan)
            endless = np.isinf(values)  # text that no one means
            _report_text(raw, name, endless, lambda _: "inf")
            values = np.where(endless, np.nan, values) if endless.any() else values
        elif name == SECONDS_COLUMN and (times := clock_seconds(texts[name])) is not None:
            raw.tell("times_of_day", name)
            columns[CLOCK_COLUMN] = times
            values = times - times[np.isfinite(times)][0]
        else:
            if name in CLOCK_OF and name not in raw.form.units:
                columns[CLOCK_OF[name]] = times_of_day(texts[name])
            values = _parsed(raw, name, texts[name], comma=_is_comma(raw, name, texts[name], marks))
        ours, converted = _in_our_unit(raw, name, values)
        if ours in columns:
            raw.tell("unit_makes_two", name, ours=ours)
        columns[ours] = converted
        raw.theirs.setdefault(ours, raw.theirs[name])
    return columns


def marks_of(labels: list[str]) -> Marks:
    """
    Return the decimal marks that the numbers among some texts use.

    >>> marks_of(["52,4", "50"])
    Marks(sure=frozenset({','}), doubtful=frozenset())
    """
    sure: set[str] = set()
    doubtful: set[str] = set()
    for text in filter(_NUMBER.fullmatch, map(str.strip, labels)):
        (doubtful if _THOUSANDS.fullmatch(text) else sure).update({*text} & {".", ","})
    return Marks(frozenset(sure), frozenset(doubtful))


def _is_comma(raw: RawTable, name: str, found: Distinct, marks: dict[str, Marks]) -> bool:
    """Whether a comma is this column's decimal mark; stops where the file does not decide it."""
    stated, mine, labels = raw.form.decimal, marks[name], found.labels
    used = mine.sure | mine.doubtful
    in_file = frozenset().union(*(m.sure for m in marks.values()))
    # whether numbers like 1,500 stay open by the file's other columns too
    open_ = len(in_file) == 2 or (mine.doubtful == {","}) != (in_file == {","})
    if len(used) == 2:
        first = []
        for mark in ",.":
            numbers = {v for v in labels if mark in v and _NUMBER.fullmatch(v.strip())}
            at = int(np.argmax(found.where(numbers)))
            first.append(f"row {raw.rows[at]}, '{found.at(at).strip()}'")
        raw.tell("both_decimal_marks", name, comma=first[0], dot=first[1])
        return True
    if stated is not None and used - {stated}:
        raw.tell("another_decimal_mark", name, used=min(used), stated=stated)
    elif stated is None and mine.doubtful and not mine.sure and open_:
        example = next(v for v in labels if _THOUSANDS.fullmatch(v.strip())).strip()
        digits = example.replace(",", "").replace(".", "")
        both = f"{float(example.replace(',', '.')):g} or {digits}"
        raw.tell("decimal_mark_open", name, example=example, readings=both)
        raw.findings.undecided.add((raw.file, raw.header(name)))
    elif "," in used and stated is None:
        shown = next(v for v in labels if "," in v and _NUMBER.fullmatch(v.strip())).strip()
        raw.tell("decimal_comma_found", name, listed=shown, read=shown.replace(",", "."))
    return "," in used


def _parsed(raw: RawTable, name: str, found: Distinct, *, comma: bool) -> Floats:
    """Return one text column as numbers in the file's own unit."""
    numbers = np.full(len(found.labels) + 1, np.nan)
    text: set[str] = set()
    unit = raw.form.units.get(name, "")
    clock = unit in CLOCKS or unit == "min/km"
    for i, label in enumerate(found.labels):
        plain = label.strip()
        if is_missing(plain):
            continue
        if clock and (minutes := clock_minutes(plain, unit)) is not None:
            numbers[i] = minutes
        elif name in CLOCK_OF and not unit and TIME_OF_DAY.fullmatch(plain):
            continue  # read beside it
        elif unit not in CLOCKS and _NUMBER.fullmatch(plain) and ("," not in plain or comma):
            numbers[i] = float(plain.replace(",", "."))
        if not np.isfinite(numbers[i]):
            numbers[i] = np.nan
            text.add(label)
    if text:
        _report_text(raw, name, found.where(text), found.at)
    return numbers[found.codes]


def _report_text(raw: RawTable, name: str, where: Flags, cell: Callable[[int], str]) -> None:
    """Report cells that are no numbers: a stop in a required column, else the cell is unknown."""
    required = raw.table.columns[name].required or name in VO2MAX_COLUMNS
    raw.tell_each("not_a_number" if required else "no_number", where, name, text=cell)


def _in_our_unit(raw: RawTable, name: str, values: Floats) -> tuple[str, Floats]:
    """Return a column's name and values after the unit that the study file states."""
    stated = raw.form.units.get(name)
    leads_to = unit_of(name, stated) if stated is not None else None
    if leads_to is None:  # none stated, or already reported with the study file
        return name, values
    ours, unit = leads_to
    converted = unit.convert(values)
    filled = np.flatnonzero(np.isfinite(values))
    if len(filled) and (ours, unit) != (name, Unit()):  # in our own unit there is nothing to say
        first = filled[0]
        made = converted[first]
        shown = f"{made:.4g}" if abs(made) < 10_000 else f"{made:.0f}"
        read = f"{stated}" + (f" as {ours}" if ours != name else "")
        if unit != Unit():
            read += f": {values[first]:g} {stated} became {shown} {own_unit(ours)}"
        raw.tell("unit_converted", name, int(raw.rows[first]), read=read.rstrip())
    return ours, converted


def clock_seconds(found: Distinct) -> Floats | None:
    """
    Return seconds after midnight of the first row; None where any cell is no time of day.

    Two parts are minutes and seconds, three have hours before them. A time that falls by more than
    half a day lies after midnight.
    """
    times = times_of_day(found, _CLOCK)
    known = np.flatnonzero(found.where({one for one in found.labels if not is_missing(one)}))
    if not known.size or np.isnan(times[known]).any():
        return None
    days = np.cumsum(np.diff(times[known], prepend=times[known[0]]) < -DAY_S / 2)
    times[known] += days * DAY_S
    return times


def times_of_day(found: Distinct, form: re.Pattern[str] = TIME_OF_DAY) -> Floats:
    """Return seconds after midnight of each cell of a form, such as 12:41:34; else NaN."""
    seconds = np.full(len(found.labels) + 1, np.nan)
    for i, label in enumerate(found.labels):
        if parts := form.fullmatch(label.strip()):
            hours, minutes, rest = parts.groups()
            seconds[i] = int(hours or 0) * 3600 + int(minutes) * 60 + float(rest.replace(",", "."))
    return np.asarray(seconds[found.codes])
