"""
Results of field tests by one protocol: of one row, or of stages that a line carries to HRmax.

Whole-number speeds with one below the first stage are stage numbers: all are set aside; six or more
whole numbers are a note.

The uptake of a stage is what its work rate costs by the protocol's equation, or what was measured.
Stages above the study's share of HRmax are behind the result without entering the line. The guards
of the extrapolation hold, except that exactly two stages pass the count with a note.
"""

from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.arrays import Flags, Floats, Ints, floats
from agreement.errors import Problem
from agreement.physiology.equations import METABOLIC_EQUIVALENT
from agreement.physiology.field_tests import (
    FieldProtocol,
    equation_inputs,
    in_range,
    lacking_inputs,
    outside_notes,
)
from agreement.physiology.heart_rate import (
    by_age_notes,
    extrapolations,
    measured_or_by_age,
    point_sums,
)
from agreement.physiology.reading_rows import NO_MEMBERS, ReadingPart, member_rows, reading_rows
from agreement.physiology.set_aside import Cause, joined, left_out, lines_of, row_notes
from agreement.tables.options import Extrapolation
from agreement.terms import BELIEVED, SEXES, counted

# Less than this is another quantity; the authors' choice, common practice, no source.
SMALLEST: Final = {
    "hr_bpm": (60.0, "beats counted over 10 or 15 s, perhaps"),
    "power_w": (20.0, "W/kg, kW or a stage number, perhaps"),
}
WHOLE_FROM: Final = 6  # by chance in less than 2 %, when every other stage has .5


def one_row_results(rows: pd.DataFrame, protocol: FieldProtocol) -> ReadingPart:
    """Compute the results of one protocol [mL/kg/min]; rows that cannot be used are set aside."""
    rows, converted = _stages_to_speeds(rows, protocol)
    x = equation_inputs(rows, rows["sex"])
    missing = lacking_inputs(rows, protocol)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        vo2max = np.asarray(protocol.equation(x), dtype=np.float64)
    absent = missing.any(axis=1).to_numpy()
    stages, odd = _stage_numbers(rows, protocol)
    least = {name: low for name, (low, _) in SMALLEST.items() if name in protocol.inputs}
    low = pd.DataFrame({name: rows[name] < lowest for name, lowest in least.items()}, rows.index)
    small = low.any(axis=1).to_numpy()
    beyond = ~((vo2max >= BELIEVED.reject_low) & (vo2max <= BELIEVED.reject_high))
    stages, small = stages & ~absent, small & ~absent & ~stages
    beyond &= ~(absent | stages | small)
    shown = [name for name in protocol.inputs if name != "sex"]  # in the file's own columns
    few, speeds, low = rows[small], rows[stages], low[small]
    first = [str(next(name for name in of if of[name])) for of in low.to_dict("records")]
    far = _beyond_words(rows, vo2max, beyond, protocol, shown)
    left_out = lines_of(
        rows,
        (stages, "stage_for_speed", "speed_km_h", {"said": _stage_words(speeds, protocol)}),
        (small, "too_low_for_exercise", first, {"said": _small_words(few, low)}),
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
) -> tuple[Flags, tuple[Problem, ...]]:
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


def _small_words(rows: pd.DataFrame, low: pd.DataFrame) -> list[str]:
    said = {name: f"is too low for exercise ({other})" for name, (_, other) in SMALLEST.items()}
    both = zip(rows.to_dict("records"), low.to_dict("records"), strict=True)
    return [
        "; ".join(f"{name} {row[name]:g} {said[str(name)]}" for name, here in of.items() if here)
        for row, of in both
    ]


def _beyond_words(
    rows: pd.DataFrame,
    vo2max: Floats,
    which: Flags,
    protocol: FieldProtocol,
    shown: list[str],
) -> list[str]:
    """Name the inputs, so that laps for metres or seconds for minutes are seen."""
    outside = f"outside {BELIEVED.reject_low:g} to {BELIEVED.reject_high:g}; check the units of"
    given = rows.loc[which, shown].to_dict("records")
    return [
        f"{protocol.id} gives {value:.1f} mL/kg/min, {outside} "
        + ", ".join(f"{name} {row[name]:g}" for name in shown)
        for value, row in zip(vo2max[which], given, strict=True)
    ]


def published_error(x: dict[str, Floats], sex: "pd.Series[str]", protocol: FieldProtocol) -> Floats:
    """Return the published standard error of estimate per kg; NaN without one. [mL/kg/min]."""
    women, men = protocol.standard_error
    known = dict.fromkeys(SEXES, women) if women == men else {"female": women, "male": men}
    by_sex = np.asarray(sex.map(known), dtype=np.float64)
    factors = {"L/min": 1000.0, "MET": METABOLIC_EQUIVALENT}
    over = x["mass_kg"] if protocol.error_unit in ("L/min", "mL/min") else 1.0
    return factors.get(protocol.error_unit, 1.0) * by_sex / over


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
    rows, incomplete = _complete(rows.reset_index(drop=True), protocol)
    keys = [rows["field_test_id"].fillna(""), "athlete_id", "date", "mode"]
    code = rows.groupby(keys, sort=False).ngroup().to_numpy()
    tests = rows.groupby(code).first()  # the first known value of each column
    x = equation_inputs(rows, rows["sex"])
    formula = extrapolation.hr_max_formula
    known, ages = floats(tests, "hr_max_bpm", "age_years")
    hr_max, spread = measured_or_by_age(known, ages, formula)
    uptake = np.asarray(protocol.equation(x), dtype=np.float64)
    lines = _lines(x["hr_bpm"], uptake, code, (hr_max, spread), extrapolation)
    value = lines["vo2max"].to_numpy()
    weak, said = _weak(rows, code, protocol)
    refused = lines["refused"].notna().to_numpy() & ~weak
    beyond = ~(refused | weak) & ~((value >= BELIEVED.reject_low) & (value <= BELIEVED.reject_high))
    work = next((name for name in protocol.inputs if name != "hr_bpm"), "hr_bpm")
    more = "Ride more stages" if protocol.mode == "cycle" else "Add stages"
    why = {"why": lines["refused"].to_numpy()[code][refused[code]], "more": more}
    far = {"protocol": protocol.id, "value": value[code][beyond[code]], "usual": BELIEVED}
    unusable = lines_of(
        rows,
        (weak[code], "too_weak", said.get("column"), said),
        (refused[code], "stages_refused", "hr_bpm", why),
        (beyond[code], "stages_beyond", work, far),
    )
    kept = ~(weak | refused | beyond)
    # a test is out of range where any stage is, else unknown where any is
    flags, whole = in_range(x, rows["sex"], protocol), np.full(len(tests), "yes", dtype=object)
    whole[code[pd.isna(flags)]] = None
    whole[code[flags == "no"]] = "no"
    readings = reading_rows(
        tests,
        source="field_tests",
        method=protocol.id,
        field=value,
        standard_error=lines["standard_error"].to_numpy(),
        in_range=whole,
        set_mass_kg=tests["mass_kg"],
        set_hr_max_bpm=hr_max,
    )
    position = np.cumsum(kept) - 1
    behind = kept[code]
    named = tests[["athlete_id", "date", "mode"]].assign(method=protocol.id, hr_max_bpm=hr_max)
    return ReadingPart(
        readings[kept].reset_index(drop=True),
        member_rows(position[code][behind], rows, np.flatnonzero(behind)),
        joined([incomplete, unusable]),
        row_notes(tests[kept & (lines["n_points"] == 2).to_numpy()], "two_stages", "hr_bpm")
        + by_age_notes(tests[kept & (spread > 0)], formula),
        pd.concat([named.reset_index(drop=True), lines.reset_index(drop=True)], axis=1),
    )


def _complete(rows: pd.DataFrame, protocol: FieldProtocol) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the stages that have every input and a mode, and the lines of the others."""
    if MEASURED in protocol.inputs:
        per_kg = rows["vo2_ml_min"] / rows["mass_kg"]
        rows = rows.assign(**{MEASURED: rows[MEASURED].fillna(per_kg)})
    lacking = lacking_inputs(rows, protocol)
    lacking["mode"] = rows["mode"].isna()
    absent = lacking.any(axis=1).to_numpy()
    names = [list(lacking.columns[row]) for row in lacking[absent].to_numpy(dtype=bool)]
    inputs = [", ".join(_INSTEAD.get(one, one) for one in of_row) for of_row in names]
    column = ["athlete_id" if of_row[0] == "sex" else of_row[0] for of_row in names]
    told = {"protocol": protocol.id, "inputs": inputs}
    line = left_out(rows[absent], "stage_input_missing", column, told)
    return rows[~absent].reset_index(drop=True), line


def _weak(rows: pd.DataFrame, code: Ints, protocol: FieldProtocol) -> tuple[Flags, dict[str, Any]]:
    """Return the tests that never reach a believable work rate, and what to say of them."""
    name = next((one for one in WEAKEST if one in protocol.inputs), None)
    if name is None:
        return np.zeros(code.max(initial=-1) + 1, dtype=np.bool_), {}
    least, unit, other = WEAKEST[name]
    strongest = rows[name].groupby(code).max().to_numpy(dtype=np.float64)
    return strongest < least, {"column": name, "least": least, "unit": unit, "other": other}


def _lines(
    hr: Floats,
    uptake: Floats,
    code: Ints,
    maximum: tuple[Floats, Floats],
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
    why = [""] * len(hr_max)
    dropped = np.bincount(code[~used], minlength=len(hr_max))
    for i in np.flatnonzero(dropped):
        above = f"{counted(int(dropped[i]), 'stage')} above {100 * share:.0f} % of HRmax"
        why[i] = f"; {above} {hr_max[i]:.0f} left out (maximum_share_of_hr_max)"
    return lines.assign(refused=lines["refused"] + pd.Series(why, lines.index, dtype="str"))
