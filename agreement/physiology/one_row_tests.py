"""
Field tests whose result is one row: inputs to VO2max, flags and published errors.

Whole-number speeds with one below the first stage are stage numbers: all are set aside; six or more
whole numbers are a note.
"""

from typing import Final

import numpy as np
import pandas as pd

from agreement.errors import Problem
from agreement.physiology.arrays import BoolArray, FloatArray
from agreement.physiology.equations import METABOLIC_EQUIVALENT
from agreement.physiology.field_tests import (
    FieldProtocol,
    equation_inputs,
    in_range,
    lacking_inputs,
    outside_notes,
)
from agreement.physiology.reading_rows import NO_MEMBERS, ReadingPart, reading_rows
from agreement.physiology.set_aside import Cause, joined, lines_of, row_notes
from agreement.terms import RANGES

REJECT: Final = RANGES["vo2max_ml_kg_min"]
# Less than this is another quantity; the authors' choice, common practice, no source.
SMALLEST: Final = {
    "hr_bpm": (60.0, "beats counted over 10 or 15 s, perhaps"),
    "power_w": (20.0, "W/kg, kW or a stage number, perhaps"),
}
WHOLE_FROM: Final = (
    6  # so many whole numbers by chance: less than 2 %, when every other stage has .5
)


def one_row_results(rows: pd.DataFrame, protocol: FieldProtocol) -> ReadingPart:
    """Compute the results of one protocol [mL/kg/min]; rows that cannot be used are set aside."""
    rows, converted = _stages_to_speeds(rows, protocol)
    x = equation_inputs(rows, rows["sex"])
    missing = lacking_inputs(rows, protocol)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        vo2max = np.asarray(protocol.equation(x), dtype=np.float64)
    absent = missing.any(axis=1).to_numpy()
    stages, odd = _stage_numbers(rows, protocol)
    small = _too_small(x, protocol)
    beyond = ~((vo2max >= REJECT.reject_low) & (vo2max <= REJECT.reject_high))
    stages, small = stages & ~absent, small & ~absent & ~stages
    beyond &= ~(absent | stages | small)
    shown = [name for name in protocol.inputs if name != "sex"]  # in the file's own columns
    few, speeds = rows[small], rows[stages]
    first, far = (
        _first_too_small(few, protocol),
        _beyond_words(rows, vo2max, beyond, protocol, shown),
    )
    left_out = lines_of(
        rows,
        (stages, "stage_for_speed", "speed_km_h", {"said": _stage_words(speeds, protocol)}),
        (small, "too_low_for_exercise", first, {"said": _small_words(few, protocol)}),
        (beyond, "result_beyond", shown[0], {"said": far}),
    )
    lacking = _without_input(rows[absent], missing[absent], protocol)
    kept = ~(absent | stages | small | beyond)
    outside = outside_notes(rows, x, kept, protocol)
    columns = {
        "field": vo2max,
        "in_range": in_range(x, rows["sex"], protocol),
        "standard_error": published_error(x, rows["sex"], protocol),
    }
    told = {
        f"set_{name}": x[name] if name in protocol.inputs else np.nan
        for name in ("mass_kg", "hr_max_bpm", "age_years")
    }
    readings = reading_rows(rows, source="field_tests", method=protocol.id, **columns, **told)
    return ReadingPart(
        readings[kept].reset_index(drop=True),
        NO_MEMBERS,
        joined([lacking, left_out]),
        converted + odd + outside,
    )


def _stages_to_speeds(
    rows: pd.DataFrame, protocol: FieldProtocol
) -> tuple[pd.DataFrame, tuple[Problem, ...]]:
    """Fill missing speeds from stage numbers, where the protocol itself fixes them, and say so."""
    rule = protocol.stage_rule
    if rule is None or rule.speed is None:
        return rows, ()
    from_stage = rows["speed_km_h"].isna() & rows["stage"].notna()
    if not from_stage.any():
        return rows, ()
    speed = rule.speed(rows["stage"].to_numpy(dtype=np.float64))
    told = {"results": int(from_stage.sum()), "rule": rule.words}
    note = row_notes(rows[from_stage].head(1), "stage_to_speed", "stage", **told)
    return rows.assign(speed_km_h=rows["speed_km_h"].where(~from_stage, speed)), note


def _without_input(
    rows: pd.DataFrame, missing: pd.DataFrame, protocol: FieldProtocol
) -> pd.DataFrame:
    """Return lines of results without an input, by where it would be filled in."""
    names = [list(missing.columns[row]) for row in missing.to_numpy(dtype=bool)]
    nobody_knows = np.array(["sex" in lacking for lacking in names], dtype=bool)
    causes: list[Cause] = []
    for where, name in ((~nobody_knows, "input_missing"), (nobody_knows, "sex_missing")):
        own = [lacking for lacking, here in zip(names, where, strict=True) if here]
        columns = ["athlete_id" if "sex" in one else one[0] for one in own]
        told = {"protocol": protocol.id, "inputs": [", ".join(one) for one in own]}
        causes.append((where, name, columns, told))
    return lines_of(rows, *causes)


def _stage_numbers(
    rows: pd.DataFrame, protocol: FieldProtocol
) -> tuple[BoolArray, tuple[Problem, ...]]:
    """
    Tell which speeds are stage numbers, and note where they may be.

    A speed below the first stage is none. Where every speed is a whole number and one is below the
    first stage, all of them are stage numbers: 9 to 15 can be believed as either.
    """
    speed = rows["speed_km_h"].to_numpy(dtype=np.float64)
    rule = protocol.stage_rule
    if rule is None or np.isnan(speed).all():
        return np.zeros(speed.shape, dtype=bool), ()
    known = ~np.isnan(speed)
    low = speed < rule.first_speed
    if not (speed[known] == np.rint(speed[known])).all():
        return low, ()
    if low.any():
        return known, ()
    if known.sum() < WHOLE_FROM:
        return low, ()
    told = {"speeds": known.sum(), "protocol": protocol.id}
    return low, row_notes(rows[known].head(1), "whole_speeds", "speed_km_h", **told)


def _stage_words(rows: pd.DataFrame, protocol: FieldProtocol) -> list[str]:
    first = protocol.stage_rule.first_speed if protocol.stage_rule else np.nan
    beside = "stands among whole numbers of which some are below"
    return [
        f"speed {value:g} km/h {'is below' if value < first else beside} the first stage "
        f"({first:g} km/h); if it is a stage number, put it under stage"
        for value in rows["speed_km_h"]
    ]


def _too_small(x: dict[str, FloatArray], protocol: FieldProtocol) -> BoolArray:
    """Tell where an input is too small to be what its column says."""
    small = np.zeros(x["hr_bpm"].shape, dtype=bool)
    for name, (least, _) in SMALLEST.items():
        if name in protocol.inputs:
            small |= x[name] < least
    return small


def _first_too_small(rows: pd.DataFrame, protocol: FieldProtocol) -> list[str]:
    """Return for each row the first input that is too small."""
    names = [name for name in SMALLEST if name in protocol.inputs]
    return [
        next(name for name in names if row[name] < SMALLEST[name][0])
        for row in rows[names].to_dict("records")
    ]


def _small_words(rows: pd.DataFrame, protocol: FieldProtocol) -> list[str]:
    names = [name for name in SMALLEST if name in protocol.inputs]
    return [
        "; ".join(
            f"{name} {row[name]:g} is too low for exercise ({SMALLEST[name][1]})"
            for name in names
            if row[name] < SMALLEST[name][0]
        )
        for row in rows[names].to_dict("records")
    ]


def _beyond_words(
    rows: pd.DataFrame,
    vo2max: FloatArray,
    which: BoolArray,
    protocol: FieldProtocol,
    shown: list[str],
) -> list[str]:
    """Name the inputs, so that laps for metres or seconds for minutes are seen."""
    outside = f"outside {REJECT.reject_low:g} to {REJECT.reject_high:g}; check the units of"
    given = rows.loc[which, shown].to_dict("records")
    return [
        f"{protocol.id} gives {value:.1f} mL/kg/min, {outside} "
        + ", ".join(f"{name} {row[name]:g}" for name in shown)
        for value, row in zip(vo2max[which], given, strict=True)
    ]


def published_error(
    x: dict[str, FloatArray], sex: "pd.Series[str]", protocol: FieldProtocol
) -> FloatArray:
    """Return the published standard error of estimate per kg; NaN without one. [mL/kg/min]."""
    women, men = protocol.standard_error
    by_sex = np.asarray(sex.map({"female": women, "male": men}), dtype=np.float64)
    if women == men:
        by_sex = np.full(len(sex), women)
    if protocol.error_unit == "L/min":
        by_sex = 1000 * by_sex / x["mass_kg"]
    if protocol.error_unit == "mL/min":
        by_sex = by_sex / x["mass_kg"]
    if protocol.error_unit == "MET":
        by_sex = by_sex * METABOLIC_EQUIVALENT
    return by_sex
