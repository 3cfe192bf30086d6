"""
Stage tests: one steady stage per row, a line through them, carried to HRmax.

The uptake of a stage is what its work rate costs by the protocol's equation, or what was measured.
Stages above the study's share of HRmax are behind the result without entering the line. The guards
of the extrapolation hold, except that exactly two stages pass the count with a note.
"""

from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.errors import Problem
from agreement.physiology.arrays import BoolArray, FloatArray, IntArray, TextArray
from agreement.physiology.field_tests import (
    FieldProtocol,
    equation_inputs,
    in_range,
    lacking_inputs,
)
from agreement.physiology.heart_rate import (
    HR_MAX_FORMULAS,
    by_age_notes,
    extrapolations,
    heart_rate_maximum,
    point_sums,
)
from agreement.physiology.reading_rows import ReadingPart, member_rows, reading_rows
from agreement.physiology.set_aside import joined, left_out, lines_of, row_notes
from agreement.tables.options import Extrapolation
from agreement.terms import RANGES, counted

REJECT: Final = RANGES["vo2max_ml_kg_min"]
# A test that never reaches it is none; the authors' choice, no source.
WEAKEST: Final = {
    "power_w": (25.0, "W", "stage numbers, W/kg or kW"),
    "speed_km_h": (3.0, "km/h", "stage numbers or m/s"),
}
MEASURED: Final = "vo2_ml_kg_min"
_INSTEAD: Final = {MEASURED: f"{MEASURED} (or vo2_ml_min and mass_kg)"}


def stage_results(
    rows: pd.DataFrame, protocol: FieldProtocol, extrapolation: Extrapolation
) -> ReadingPart:
    """Compute the results of a stage protocol: one reading per test, all its stages as members."""
    if MEASURED in protocol.inputs:
        per_kg = rows["vo2_ml_min"] / rows["mass_kg"]
        rows = rows.assign(**{MEASURED: rows[MEASURED].fillna(per_kg)})
    rows, lines_out = _complete(rows.reset_index(drop=True), protocol)
    keys = [rows["field_test_id"].fillna(""), "athlete_id", "date", "mode"]
    code = rows.groupby(keys, sort=False).ngroup().to_numpy()
    tests = rows.groupby(code).first()  # the first known value of each column
    x = equation_inputs(rows, rows["sex"])
    hr_max, sd_hr_max = _maximum(tests, extrapolation)
    uptake = np.asarray(protocol.equation(x), dtype=np.float64)
    lines = _lines(x["hr_bpm"], uptake, code, (hr_max, sd_hr_max), extrapolation)
    value = lines["vo2max"].to_numpy()
    weak, said = _weak(rows, code, protocol)
    refused = lines["refused"].notna().to_numpy() & ~weak
    beyond = ~(refused | weak) & ~((value >= REJECT.reject_low) & (value <= REJECT.reject_high))
    reasons = lines["refused"].fillna("").to_numpy()
    work = next((name for name in protocol.inputs if name != "hr_bpm"), "hr_bpm")
    why = {
        "why": reasons[code][refused[code]],
        "more": "Ride more stages" if protocol.mode == "cycle" else "Add stages",
    }
    far = {"protocol": protocol.id, "value": value[code][beyond[code]], "usual": REJECT}
    lines_out.append(
        lines_of(
            rows,
            (weak[code], "too_weak", said.get("column"), said),
            (refused[code], "stages_refused", "hr_bpm", why),
            (beyond[code], "stages_beyond", work, far),
        )
    )
    kept = ~(weak | refused | beyond)
    readings = reading_rows(
        tests,
        source="field_tests",
        method=protocol.id,
        field=value,
        standard_error=lines["standard_error"].to_numpy(),
        in_range=_every(in_range(x, rows["sex"], protocol), code),
        set_mass_kg=tests["mass_kg"],
        set_hr_max_bpm=hr_max,
    )
    position = np.cumsum(kept) - 1
    behind = kept[code]
    named = tests[["athlete_id", "date", "mode"]].assign(method=protocol.id, hr_max_bpm=hr_max)
    return ReadingPart(
        readings[kept].reset_index(drop=True),
        member_rows(position[code][behind], rows, np.flatnonzero(behind)),
        joined(lines_out),
        _two_stage_notes(tests[kept], lines[kept])
        + by_age_notes(tests[kept & (sd_hr_max > 0)], extrapolation.hr_max_formula),
        pd.concat([named.reset_index(drop=True), lines.reset_index(drop=True)], axis=1),
    )


def _complete(
    rows: pd.DataFrame, protocol: FieldProtocol
) -> tuple[pd.DataFrame, list[pd.DataFrame]]:
    """Return the stages that have every input and a mode, and the lines of the others."""
    lacking = lacking_inputs(rows, protocol)
    lacking["mode"] = rows["mode"].isna()
    absent = lacking.any(axis=1).to_numpy()
    names = [list(lacking.columns[row]) for row in lacking[absent].to_numpy(dtype=bool)]
    inputs = [", ".join(_INSTEAD.get(one, one) for one in of_row) for of_row in names]
    column = ["athlete_id" if of_row[0] == "sex" else of_row[0] for of_row in names]
    told = {"protocol": protocol.id, "inputs": inputs}
    line = left_out(rows[absent], "stage_input_missing", column, told)
    return rows[~absent].reset_index(drop=True), [line]


def _weak(
    rows: pd.DataFrame, code: IntArray, protocol: FieldProtocol
) -> tuple[BoolArray, dict[str, Any]]:
    """Return the tests that never reach a believable work rate, and what to say of them."""
    name = next((one for one in WEAKEST if one in protocol.inputs), None)
    if name is None:
        return np.zeros(code.max(initial=-1) + 1, dtype=np.bool_), {}
    least, unit, other = WEAKEST[name]
    strongest = rows[name].groupby(code).max().to_numpy(dtype=np.float64)
    return strongest < least, {"column": name, "least": least, "unit": unit, "other": other}


def _maximum(tests: pd.DataFrame, options: Extrapolation) -> tuple[FloatArray, FloatArray]:
    """Return HRmax of each test, measured or by the study's age formula, and its error. [bpm]."""
    measured = tests["hr_max_bpm"].to_numpy(dtype=np.float64)
    formula = options.hr_max_formula
    by_age = heart_rate_maximum(tests["age_years"].to_numpy(), formula=formula)
    known = ~np.isnan(measured)
    spread = HR_MAX_FORMULAS[formula].sd
    return np.where(known, measured, by_age), np.where(known, 0.0, spread)


def _lines(
    hr: FloatArray,
    uptake: FloatArray,
    code: IntArray,
    maximum: tuple[FloatArray, FloatArray],
    options: Extrapolation,
) -> pd.DataFrame:
    """Return the line of each test; a refusal also says what the study's share of HRmax removed."""
    hr_max, sd_hr_max = maximum
    share = options.maximum_share_of_hr_max
    used = hr <= share * hr_max[code]
    lines = extrapolations(
        point_sums(code[used], hr[used], uptake[used], groups=len(hr_max)),
        hr_max,
        sd_hr_max=sd_hr_max,
        form="vo2_on_hr",
        guards=options,
        allow_two_points=True,
    )
    dropped = np.bincount(code[~used], minlength=len(hr_max))
    why = [
        f"; {counted(int(n), 'stage')} above {share:.0%} of HRmax {top:.0f} left out "
        "(maximum_share_of_hr_max)"
        if n
        else ""
        for n, top in zip(dropped, hr_max, strict=True)
    ]
    return lines.assign(refused=lines["refused"] + pd.Series(why, lines.index, dtype="str"))


def _every(flags: TextArray, code: IntArray) -> TextArray:
    """Return for each test no where any stage is out of range, unknown where any is, else yes."""
    tests = code.max(initial=-1) + 1
    whole = np.full(tests, "yes", dtype=object)
    whole[np.bincount(code[pd.isna(flags)], minlength=tests) > 0] = None
    whole[np.bincount(code[flags == "no"], minlength=tests) > 0] = "no"
    return whole


def _two_stage_notes(tests: pd.DataFrame, lines: pd.DataFrame) -> tuple[Problem, ...]:
    two = (lines["n_points"] == 2).to_numpy()
    return row_notes(tests[two], "two_stages", "hr_bpm")
