"""What the data files declare fits together: kinds, codes, ranges and units of every column."""

import pytest

from agreement.tables.columns import INPUTS
from agreement.tables.units import unit_names
from agreement.terms import (
    CODES,
    MODES,
    OUTPUT_COLUMNS,
    OUTPUT_KEYS,
    OUTPUT_MEASURED,
    OUTPUT_NUMBERS,
    RANGES,
    RATED,
    RESTING,
)

NUMBERS = sorted(
    {
        name
        for table in INPUTS.values()
        for name, one in table.columns.items()
        if one.kind == "number"
    }
)


@pytest.mark.parametrize("table", INPUTS.values(), ids=INPUTS)
def test_every_column_is_of_a_kind_that_is_read(table):
    kinds = {"id", "label", "code", "rule", "number", "date", "time"}
    assert {column.kind for column in table.columns.values()} <= kinds
    assert all(bool(column.codes) == (column.kind == "code") for column in table.columns.values())
    named = {table.ledger_id, table.key, *(c.instead for c in table.columns.values())}
    assert named - {None, ""} <= set(table.columns)


@pytest.mark.parametrize("name", NUMBERS)
def test_every_number_has_a_unit_or_none_to_have(name):
    without = {"activity_score", "birth_year", "rpe_max", "stage"}
    assert bool(unit_names(name)) != (name in without)


def test_ranges_are_of_columns_and_rise():
    assert set(RANGES) <= set(NUMBERS)
    for name, one in RANGES.items():
        assert one.reject_low <= one.warn_low < one.warn_high <= one.reject_high, name
    assert set(RATED) <= set(INPUTS["lab_tests"].columns) & set(RANGES)


def test_codes_hold_what_the_program_asks_for():
    assert CODES["modes_or_resting"] == (*MODES, RESTING)
    every = {name for columns in OUTPUT_COLUMNS.values() for name in columns}
    assert every >= OUTPUT_NUMBERS >= OUTPUT_MEASURED
    assert all(set(key) <= set(OUTPUT_COLUMNS[table]) for table, key in OUTPUT_KEYS.items())
