"""
The rules a row must keep: plausible ranges, keys that do not repeat.

Breaches are found for whole columns at once (hundredths of a second for a million rows, so it runs
on every table); `keep_rules` is the one place where they become our words.
Codes are checked where they are translated (`codes`), once per distinct word instead of per row.
"""

from collections.abc import Callable, Container, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.arrays import Flags, Floats
from agreement.tables.columns import VO2MAX_COLUMNS
from agreement.tables.readers import RawTable
from agreement.tables.text_cells import Distinct
from agreement.terms import BELIEVED, RANGES, declared

# columns whose value a row cannot do without: the caller sets the row aside
REQUIRED_VALUES: Final = frozenset((*VO2MAX_COLUMNS, "duration_min"))
_MANY: Final = 3  # so many low values, and more than half of the column, may be another unit
_OF_PEOPLE: Final = ("mass_kg", "set_mass_kg", "age_years", "set_age_years", "birth_year")
_UNLIKELY_SHARE: Final = 0.1  # of a column of people's masses or ages; ours, no source
_HINTS: Final[dict[str, list[tuple[float, float, str]]]] = declared("hints.toml", "tables")


def keep_rules(
    raw: RawTable,
    numbers: dict[str, Floats],
    key: Distinct | None = None,
    explained: Mapping[str, Flags] = MappingProxyType({}),
) -> dict[str, Flags]:
    """
    Apply the rules to one table; optional cells that break them become NaN in `numbers`.

    key: the column that may not repeat; explained: odd cells that have a note already.
    Returns: for each column in `REQUIRED_VALUES`: where its value is outside the reject range.
    """
    refused: dict[str, Flags] = {}
    breaches: dict[tuple[str, str], Flags] = {}  # by column and rule; an empty cell breaks none
    for name, values in numbers.items():
        if (usual := RANGES.get(name)) is not None:
            breaches[name, "warn"] = (values < usual.warn_low) | (values > usual.warn_high)
            breaches[name, "reject"] = (values < usual.reject_low) | (values > usual.reject_high)
    breaches = {place: where for place, where in breaches.items() if where.any()}
    _stop_at_undecided_units(raw, numbers)
    _stop_at_unlikely_people(raw, numbers, breaches)
    for (column, rule), where in breaches.items():
        if rule == "reject" and column in REQUIRED_VALUES:
            refused[column] = where
        elif rule == "reject":
            said = _saying(column, numbers[column], refused=True)
            raw.tell_each("out_of_range", where, column, said=said)
            numbers[column] = np.where(where, np.nan, numbers[column])
    if key is not None and raw.table.key is not None:
        twice = (key.codes >= 0) & pd.Series(key.codes).duplicated(keep=False).to_numpy()
        if twice.any():
            _report_duplicates(raw, raw.table.key, key, twice)
    for (column, rule), where in breaches.items():
        if rule == "warn":
            known = where & ~breaches.get((column, "reject"), np.zeros_like(where))
            if column in explained:
                known &= ~explained[column]
            said = _saying(column, numbers[column], refused=False)
            raw.tell_each("unusual_value", known, column, said=said)
    return refused


def value_text(column: str, value: float, *, refused: bool) -> str:
    """Return a value with the range that it is outside of, as a message says it."""
    usual = RANGES[column]
    if refused:
        low, high, word = usual.reject_low, usual.reject_high, "outside"
    else:
        low, high, word = usual.warn_low, usual.warn_high, "unusual, outside"
    unit = "" if usual.unit == "1" else f" {usual.unit}"
    return f"Value {value:g} is {word} {low:g} to {high:g}{unit}."


def refusal(column: str, value: float, *, refused: bool = True) -> str:
    """Return why a value is out of range, or else unusual, and what it may really be."""
    return value_text(column, value, refused=refused) + _hint(column, value)


def _hint(column: str, value: float) -> str:
    """Return what a value that its column does not have may really be."""
    hints = (text for low, high, text in _HINTS.get(column, ()) if low <= value <= high)
    return f" {text}" if (text := next(hints, "")) else ""


def _saying(column: str, values: Floats, *, refused: bool) -> Callable[[int], str]:
    return lambda i: refusal(column, float(values[i]), refused=refused)


def _report_duplicates(raw: RawTable, column: str, key: Distinct, where: Flags) -> None:
    """Stop at each key that stands in more than one row."""
    positions = np.flatnonzero(where)
    groups = [group for _, group in pd.Series(positions).groupby(key.codes[positions])]
    for group in groups[:20]:
        rows = raw.rows[group]
        row, one, shown = int(rows[1]), key.at(group.iloc[0]), ", ".join(map(str, rows[:10]))
        raw.tell("duplicate_key", column, row, one=one, rows=shown, key=column)
    if len(groups) > 20:
        raw.tell("duplicate_keys", ids=len(groups) - 20)


def _stop_at_undecided_units(raw: RawTable, numbers: dict[str, Floats]) -> None:
    """
    Stop when more than half of a VO2max column is outside what its unit lets expect.

    That is the reject range, and for mL/kg/min, unless a unit is stated, also the range below 15 that
    metabolic equivalents have: 12.7 is a very ill person or 12.7 x 3.5 = 44.5.
    """
    stated = any(column in VO2MAX_COLUMNS for column in raw.form.units)
    for column in VO2MAX_COLUMNS:
        if column not in numbers or (raw.file, raw.header(column)) in raw.findings.undecided:
            continue
        values, usual = numbers[column], RANGES[column]
        lows = [(usual.reject_low, "outside")]
        if column == VO2MAX_COLUMNS[0] and not stated:
            lows.append((usual.warn_low, "unusual, outside"))
        filled = int(np.isfinite(values).sum())
        for low, word in lows:
            outside = (values < low) | (values > usual.reject_high)
            many = int(outside.sum())
            if 2 * many > filled and (low == usual.reject_low or many >= _MANY):
                middle = 2 * float(np.median(values[outside] / 2))  # no sum is too large
                hint, beyond = (
                    _hint(column, middle),
                    f"{low:g} to {usual.reject_high:g} {usual.unit}",
                )
                share = f"{many} of {filled} values are {word} {beyond}"
                raw.tell(
                    "unit_undecided", column, ours=column, share=share, middle=middle, hint=hint
                )
                raw.findings.undecided.add((raw.file, raw.header(column)))
                break  # the rows wait until the unit is stated


def _stop_at_unlikely_people(
    raw: RawTable, numbers: dict[str, Floats], breaches: dict[tuple[str, str], Flags]
) -> None:
    """Doubt masses and ages of which more than a tenth are unusual: another unit, another column."""
    for column in _OF_PEOPLE:
        odd = breaches.get((column, "warn"))
        filled = 0 if odd is None else int(np.isfinite(numbers[column]).sum())
        if odd is None or odd.sum() < _MANY or odd.sum() <= _UNLIKELY_SHARE * filled:
            continue
        usual, first = RANGES[column], int(np.argmax(odd))
        pounds = "mass" in column and column not in raw.form.units
        name = "unlikely_masses" if pounds else "unlikely_people"
        value, row, many = numbers[column][first], int(raw.rows[first]), odd.sum()
        raw.tell(name, column, row, odd=many, filled=filled, usual=usual, first=value, ours=column)
        raw.findings.undecided.add((raw.file, raw.header(column)))


@dataclass(frozen=True, slots=True)
class Vo2max:
    """The VO2max values of one table."""

    relative: Floats  # as typed. [mL/kg/min]
    absolute: Floats  # as typed, from either absolute column. [L/min]
    # `relative`, else `absolute` over mass; NaN where neither is possible. [mL/kg/min]
    converted: Floats
    source: npt.NDArray[np.int8]  # where each row's value comes from, of `VO2MAX_COLUMNS`
    typed: Floats
    refused: Flags  # outside the range that a person can reach

    @property
    def from_absolute(self) -> Flags:
        """Where the value is an absolute one, converted or waiting for a mass."""
        return np.isnan(self.relative) & ~np.isnan(self.absolute)

    def column_of(self, headers: Container[str]) -> str | None:
        """Return our name of the column that a missing value belongs into; None without any."""
        return next((name for name in VO2MAX_COLUMNS if name in headers), None)

    def refusal(self, i: int) -> str:
        """Return why row `i` (from 0) is out of range, with the value as typed."""
        name = VO2MAX_COLUMNS[self.source[i]]
        usual = RANGES[name]
        if usual.reject_low <= self.typed[i] <= usual.reject_high:
            return value_text(VO2MAX_COLUMNS[0], self.converted[i], refused=True).replace(
                "Value", "Converted with the mass, value"
            )
        return refusal(name, self.typed[i])


def vo2max_values(
    numbers: dict[str, Floats], refused: dict[str, Flags], mass: Floats, count: int
) -> Vo2max:
    """Return the VO2max of each of `count` rows; `mass` [kg] converts, NaN where it is unknown."""
    nothing = np.full(count, np.nan)
    relative, litres, millilitres = (numbers.get(name, nothing) for name in VO2MAX_COLUMNS)
    absolute = np.where(np.isnan(litres), millilitres / 1000, litres)
    converted = np.where(np.isnan(relative), absolute * 1000 / mass, relative)
    source = np.where(np.isnan(relative), np.where(np.isnan(litres), 2, 1), 0).astype(np.int8)
    typed = np.where(source == 0, relative, np.where(source == 1, litres, millilitres))
    out = np.zeros(count, np.bool_)
    for place, name in enumerate(VO2MAX_COLUMNS):
        if name in refused:
            out |= refused[name] & (source == place)
    out |= (converted < BELIEVED.reject_low) | (converted > BELIEVED.reject_high)
    return Vo2max(relative, absolute, converted, source, typed, out)
