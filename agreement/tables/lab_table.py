"""The checked `lab_tests` table: one VO2max per test, with its mass and its averaging rule."""

from typing import Any

import numpy as np
import pandas as pd

from agreement.arrays import Flags, Floats
from agreement.tables.averaging_rule import UNKNOWN_RULE
from agreement.tables.checked_tables import (
    Athletes,
    CheckedTable,
    Leaving,
    TableCells,
    mark_refused,
)
from agreement.tables.columns import VO2MAX_COLUMNS
from agreement.tables.findings import SHOWN, Words
from agreement.tables.number_columns import CLOCK_OF
from agreement.tables.options import StudyOptions
from agreement.tables.readers import RawTable
from agreement.tables.rules import Vo2max, keep_rules, vo2max_values
from agreement.terms import counted

# HRmax about 208 - 0.7 age, SD about 11 bpm (Tanaka 2001; physiology sheet 2); further below than
# this is more likely a slip than a person. The number is the authors' choice, no source.
_HR_MAX_FAR_BELOW = 40.0
_END = "exercise_end_s"
_DISAGREE = 0.03  # typed relative against typed absolute VO2max


def lab_table(
    raw: RawTable,
    athletes: Athletes,
    id_map: dict[str, str],
    options: StudyOptions,
    breath_ids: frozenset[str],
) -> CheckedTable:
    """Return the checked table; tests of `breath_ids` have their VO2max from a breath file."""
    cells = TableCells(raw, athletes, id_map, options.study.time_zone)
    slips = _hr_max_slips(cells, athletes)
    refused = keep_rules(raw, cells.numbers, cells.key, {"hr_max_bpm": slips})
    start, end = (cells.number(name) for name in CLOCK_OF)
    raw.tell_each("end_before_start", end <= start, _END, end=end, start=start)
    for name in CLOCK_OF.keys() & cells.numbers.keys():  # unknown where the end comes first
        cells.numbers[name] = np.where(end <= start, np.nan, cells.numbers[name])
    own = cells.number("mass_kg")
    mass = np.where(np.isnan(own), athletes.values(cells.people, "mass_kg"), own)
    values = vo2max_values(cells.numbers, refused, mass, len(raw.rows))
    leaving = cells.leaving()
    _mark_values(cells, leaving, values, cells.words["lab_test_id"].where(set(breath_ids)))
    leaving.mark_unknown_athletes(cells.people, athletes)
    _note_conversions(raw, values, mass, ~np.isnan(own), leaving.out)
    relative, absolute = values.relative, values.absolute
    litres, millilitres = (cells.number(name) for name in VO2MAX_COLUMNS[1:])
    with np.errstate(invalid="ignore", divide="ignore"):  # two VO2max, each in its own unit
        by_mass = np.abs(absolute * 1000 / mass / relative - 1) > _DISAGREE
        by_litre = np.abs(millilitres / 1000 / litres - 1) > _DISAGREE
    apart = by_mass & ~leaving.out
    raw.tell_each("values_disagree_by_mass", apart, relative=relative, litres=absolute, mass=mass)
    apart = by_litre & ~leaving.out
    raw.tell_each("values_disagree", apart, litres=litres, millilitres=millilitres)
    vo2max = np.where(values.refused, np.nan, values.converted)
    made: dict[str, Any] = dict.fromkeys((*VO2MAX_COLUMNS, "instant"))
    made |= {"vo2max": vo2max, "mass_kg": mass}
    made |= {name: cells.number(name) for name in CLOCK_OF.values()}
    return cells.table(leaving, **made)


def _mark_values(cells: TableCells, leaving: Leaving, values: Vo2max, has_breaths: Flags) -> None:
    """Set aside tests whose VO2max is missing, cannot be converted or is out of range."""
    raw, column = cells.raw, values.column_of(cells.raw.theirs)
    said = leaving.saying(column)
    present = ~np.isnan(values.relative) | ~np.isnan(values.absolute)

    def test(i: int) -> str:
        day = cells.moments.date[i]
        shown = "no known date" if np.isnat(day) else str(day.astype("datetime64[D]"))
        return f"{cells.people.at(i) or 'nobody'}, test of {shown}"

    leaving.mark("test_without_value", ~present & ~has_breaths, column, test=test, said=said)
    massless = values.from_absolute & np.isnan(values.converted) & ~has_breaths
    leaving.mark("test_without_mass", massless, "mass_kg", test=test)
    mark_refused(leaving, values, but=has_breaths)
    odd = values.refused & has_breaths
    raw.tell_each("breaths_instead", odd, VO2MAX_COLUMNS[-1], said=values.refusal)


def _note_conversions(
    raw: RawTable, values: Vo2max, mass: Floats, own_mass: Flags, out: Flags
) -> None:
    made = values.from_absolute & ~np.isnan(values.converted) & ~out

    def sum_of(i: int) -> str:
        made_of = f"{values.absolute[i]:g} L/min at {mass[i]:g} kg"
        return f"{made_of} is {values.converted[i]:.1f} mL/kg/min"

    if len(own := np.flatnonzero(made & own_mass)):
        shown = "; ".join(f"row {raw.rows[i]}, {sum_of(i)}" for i in own[:SHOWN])
        if (more := len(own) - SHOWN) > 0:
            shown += f"; and {counted(more, 'more row')}"
        raw.tell("converted", "mass_kg", listed=shown)
    raw.tell_each("mass_from_athletes", made & ~own_mass, "mass_kg", sum=sum_of)


def _hr_max_slips(cells: TableCells, athletes: Athletes) -> Flags:
    """Note maximal heart rates far below what the athlete's age lets expect."""
    measured = cells.number("hr_max_bpm")
    year = cells.moments.date.astype("datetime64[Y]").astype(np.float64) + 1970
    age = athletes.values(cells.people, "age_years")
    age = np.where(np.isnan(age), year - athletes.values(cells.people, "birth_year"), age)
    expected = 208 - 0.7 * age
    with np.errstate(invalid="ignore"):
        far = (measured >= 90) & (measured < expected - _HR_MAX_FAR_BELOW)
    told: Words = {"measured": measured, "expected": expected, "age": age}
    cells.raw.tell_each("hr_max_looks_wrong", far, "hr_max_bpm", **told)
    return np.asarray(far)


def require_one_rule(
    raw: RawTable, tests: pd.DataFrame, breath_ids: frozenset[str], options: StudyOptions
) -> None:
    """Stop when typed values rest on different averaging rules, unless that is allowed."""
    typed = tests[~tests["lab_test_id"].isin(breath_ids)]
    counts = typed["averaging_rule"].value_counts()
    found = {str(label): int(n) for label, n in counts.items()}
    unknown = found.pop(UNKNOWN_RULE, 0)
    file = raw.file or (str(typed["file"].iloc[0]) if len(typed) else "")
    if unknown:
        many = counted(unknown, "test")
        raw.findings.tell("averaging_rule_unknown", file, column="averaging_rule", tests=many)
    stated = options.reference.averaging_rule
    others = {label: n for label, n in found.items() if label != stated}
    if not others or (stated is None and len(found) < 2):
        return
    listed = ", ".join(f"'{label}' in {counted(n, 'test')}" for label, n in sorted(found.items()))
    study = f"; the study's rule is '{stated}'" if stated else ""
    if options.reference.allow_mixed:
        raw.findings.tell("rules_mixed_by_choice", file, listed=listed, study=study)
        return
    row = int(typed.loc[typed["averaging_rule"] == max(others), "row"].iloc[0])
    column = options.header("lab_tests", "averaging_rule")
    raw.findings.tell("rules_mixed", file, row=row, column=column, listed=listed, study=study)
