"""Whom an equation was made for: results of others stay, are flagged, and are told one by one."""

from typing import Final

import numpy as np
import pandas as pd

from agreement.errors import Problem
from agreement.physiology.arrays import BoolArray, FloatArray, IntArray, TextArray
from agreement.physiology.protocol import FieldProtocol, Valid

FIXED_BY_PROTOCOL: Final = ("grade",)  # told only where it was another
SHOWN: Final = 5  # results told one by one of one equation and input; of the rest, the rows
ROWS_NAMED: Final = 20
_OF_PEOPLE: Final = ("age_years", "mass_kg", "stature_cm")  # may stand in the athletes table


def in_range(x: dict[str, FloatArray], sex: "pd.Series[str]", protocol: FieldProtocol) -> TextArray:
    """Return yes, no, or NaN where no known value is outside but a needed one is unknown."""
    outside, unknown = np.zeros(len(sex), dtype=bool), np.zeros(len(sex), dtype=bool)
    for rule in protocol.valid:
        outside |= _beyond(x, sex, rule)
        if rule.column not in FIXED_BY_PROTOCOL:
            unknown |= _applies(sex, rule) & np.isnan(x[rule.column])
    if len(protocol.sexes) == 1:
        outside |= _other_sex(sex, protocol)
        unknown |= (sex == "unknown").to_numpy()
    flags = np.full(len(sex), "yes", dtype=object)
    flags[unknown] = np.nan
    flags[outside] = "no"
    return flags


def outside_notes(
    rows: pd.DataFrame, x: dict[str, FloatArray], kept: BoolArray, protocol: FieldProtocol
) -> tuple[Problem, ...]:
    """
    Note each result that lies outside what its equation was made for, with the value and the range.

    rows: columns file, row, sex.
    x: values of the inputs.
    kept: results that were not set aside.
    Returns notes: of one equation and input the first 5 in full, of the rest the rows.
    """
    notes: list[Problem] = []
    for rule in protocol.valid:
        at = np.flatnonzero(kept & _beyond(x, rows["sex"], rule))
        own = str(rule).removeprefix(f"{rule.column} ")
        words = [
            f"{rule.column} {x[rule.column][i]:g}; {protocol.id} was made for {own}."
            for i in at[:SHOWN]
        ]
        notes += _notes(rows, at, rule.column, words)
    if len(protocol.sexes) == 1:
        at = np.flatnonzero(kept & _other_sex(rows["sex"], protocol))
        made_on = f"{protocol.id} was made for {protocol.sexes[0]} athletes."
        words = [f"the athlete is {sex}; {made_on}" for sex in rows["sex"].iloc[at[:SHOWN]]]
        notes += _notes(rows, at, "athlete_id", words)
    return tuple(notes)


def _notes(rows: pd.DataFrame, at: IntArray, column: str, words: list[str]) -> list[Problem]:
    places = rows[["file", "row"]].iloc[at[:SHOWN]].itertuples(index=False)
    elsewhere = ", here or in the athletes table," if column in _OF_PEOPLE else ""
    remedy = f"The result stays and is flagged. Correct {column}{elsewhere} if it is wrong."
    if column == "athlete_id":
        remedy = (
            "The result stays and is flagged. Correct sex in the athletes table if it is wrong."
        )
    notes = [
        Problem("note", "outside_equation", str(file), int(row), column, what, remedy)
        for (file, row), what in zip(places, words, strict=True)
    ]
    if (more := len(at) - SHOWN) > 0:
        file = str(rows["file"].iloc[at[0]])
        rest = [str(row) for row in rows["row"].iloc[at[SHOWN : SHOWN + ROWS_NAMED]]]
        some = ", the first in" if more > ROWS_NAMED else ","
        many = f"results like these{some} rows" if more > 1 else "result like these, row"
        what = f"{more} more {many} {', '.join(rest)}."
        notes.append(Problem("note", "outside_equation", file, None, column, what, remedy))
    return notes


def _applies(sex: "pd.Series[str]", rule: Valid) -> BoolArray:
    return np.full(len(sex), rule.sex is None) | (sex == rule.sex).to_numpy()


def _beyond(x: dict[str, FloatArray], sex: "pd.Series[str]", rule: Valid) -> BoolArray:
    value = x[rule.column]
    return _applies(sex, rule) & ((value < rule.low) | (value > rule.high))


def _other_sex(sex: "pd.Series[str]", protocol: FieldProtocol) -> BoolArray:
    return sex.isin({"female", "male"} - set(protocol.sexes)).to_numpy()
