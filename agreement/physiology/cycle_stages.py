"""
`cycle_stages_hr`: one steady stage per row, a line through them, carried to HRmax.

Stages above the study's share of HRmax are behind the result without entering the line. The guards
of the extrapolation hold, except that exactly two stages pass the count with a note.
"""

import numpy as np
import pandas as pd

from agreement.errors import Problem
from agreement.physiology.arrays import FloatArray, IntArray, TextArray
from agreement.physiology.heart_rate import extrapolations
from agreement.physiology.heart_rate_maximum import (
    HR_MAX_FORMULAS,
    by_age_notes,
    heart_rate_maximum,
)
from agreement.physiology.ledger import joined, set_aside_rows
from agreement.physiology.point_sums import point_sums
from agreement.physiology.protocol import FieldProtocol
from agreement.physiology.reading_rows import ReadingPart, member_rows, reading_rows
from agreement.physiology.work_rate import COST_RANGES, cycling_vo2
from agreement.tables.options import Extrapolation
from agreement.terms import RANGES, counted

REJECT = RANGES["vo2max_ml_kg_min"]
STRONGEST_FROM_W = 25.0  # a test that never reaches it is none; the authors' choice, no source


def stage_results(
    rows: pd.DataFrame, protocol: FieldProtocol, extrapolation: Extrapolation
) -> ReadingPart:
    """
    Compute the results of the stage protocol.

    Parameters
    ----------
    rows : DataFrame
        Rows of ``field_tests``, one per stage, with ``id`` and the athlete's age and mass filled in.
    protocol : FieldProtocol
        `cycle_stages_hr`.
    extrapolation : Extrapolation
        The study's guards and age formula.

    Returns
    -------
    ReadingPart
        One reading per test, all its stages as members.
    """
    lacking = rows[["power_w", "hr_bpm", "mass_kg"]].isna()
    absent = lacking.any(axis=1).to_numpy()
    words = [
        f"{protocol.id} needs {', '.join(lacking.columns[row])}, which is missing"
        for row in lacking[absent].to_numpy()
    ]
    left_out = [
        set_aside_rows(
            rows[absent],
            "missing_value",
            words,
            column=[lacking.columns[row][0] for row in lacking[absent].to_numpy()],
            remedy="Fill the cell; mass may stand in the athletes table.",
        )
    ]
    rows = rows[~absent].reset_index(drop=True)
    test = rows.groupby(
        [rows["field_test_id"].fillna(""), "athlete_id", "date"], sort=False
    ).ngroup()
    code = test.to_numpy()
    tests = rows.groupby(code).first()  # the first known value of each column
    hr_max, sd_hr_max = _maximum(tests, extrapolation)
    lines = _lines(rows, code, hr_max, sd_hr_max, extrapolation)
    value = lines["vo2max"].to_numpy()
    weak = rows["power_w"].groupby(code).max().to_numpy(dtype=np.float64) < STRONGEST_FROM_W
    refused = lines["refused"].notna().to_numpy() & ~weak
    beyond = ~(refused | weak) & ~((value >= REJECT.reject_low) & (value <= REJECT.reject_high))
    reasons = lines["refused"].fillna("").to_numpy()
    left_out += [
        set_aside_rows(
            rows[weak[code]],
            "out_of_range",
            f"no stage of the test reaches {STRONGEST_FROM_W:g} W; power_w may hold stage numbers, "
            "W/kg or kW",
            column="power_w",
            remedy="Give power_w in watts, or state its unit.",
        ),
        set_aside_rows(
            rows[refused[code]],
            "extrapolation_refused",
            reasons[code][refused[code]],
            column="hr_bpm",
            remedy="Ride more stages, further apart; [extrapolation] of study.toml sets what is enough.",
        ),
        set_aside_rows(
            rows[beyond[code]],
            "out_of_range",
            [
                f"{protocol.id} gives {v:.1f} mL/kg/min, outside {REJECT.reject_low:g} to "
                f"{REJECT.reject_high:g}"
                for v in value[code][beyond[code]]
            ],
            column="power_w",
            remedy="Check power, heart rate, body mass and highest heart rate of the test.",
        ),
    ]
    kept = ~(weak | refused | beyond)
    readings = reading_rows(
        tests,
        source="field_tests",
        method=protocol.id,
        field=value,
        standard_error=lines["standard_error"].to_numpy(),
        in_range=_in_cost_range(rows, code),
        set_mass_kg=tests["mass_kg"],
        set_hr_max_bpm=hr_max,
    )
    position = np.cumsum(kept) - 1
    behind = kept[code]
    return ReadingPart(
        readings[kept].reset_index(drop=True),
        member_rows(position[code][behind], rows, np.flatnonzero(behind)),
        joined(left_out),
        _two_stage_notes(tests[kept], lines[kept])
        + by_age_notes(tests[kept & (sd_hr_max > 0)], extrapolation.hr_max_formula, measured=False),
    )


def _maximum(tests: pd.DataFrame, options: Extrapolation) -> tuple[FloatArray, FloatArray]:
    """Return HRmax of each test, measured or by the study's age formula, and its error. [bpm]."""
    measured = tests["hr_max_bpm"].to_numpy(dtype=np.float64)
    formula = options.hr_max_formula
    by_age = heart_rate_maximum(tests["age_years"].to_numpy(), formula=formula)
    known = ~np.isnan(measured)
    spread = HR_MAX_FORMULAS[formula].sd
    return np.where(known, measured, by_age), np.where(known, 0.0, spread)


def _lines(
    rows: pd.DataFrame,
    code: IntArray,
    hr_max: FloatArray,
    sd_hr_max: FloatArray,
    options: Extrapolation,
) -> pd.DataFrame:
    hr = rows["hr_bpm"].to_numpy(dtype=np.float64)
    vo2 = cycling_vo2(rows["power_w"], rows["mass_kg"])
    used = hr <= options.maximum_share_of_hr_max * hr_max[code]
    sums = point_sums(code[used], hr[used], vo2[used], groups=len(hr_max))
    lines = extrapolations(
        sums,
        hr_max,
        sd_hr_max=sd_hr_max,
        form="vo2_on_hr",
        guards=options,
        allow_two_points=True,
    )
    dropped = np.bincount(code[~used], minlength=len(hr_max))
    share = options.maximum_share_of_hr_max
    why = [
        f"; {counted(int(n), 'stage')} above {share:.0%} of HRmax {top:.0f} left out "
        "(maximum_share_of_hr_max)"
        if n
        else ""
        for n, top in zip(dropped, hr_max, strict=True)
    ]
    return lines.assign(refused=lines["refused"] + pd.Series(why, lines.index, dtype="str"))


def _in_cost_range(rows: pd.DataFrame, code: IntArray) -> TextArray:
    """Return yes where every stage lies within the powers that the cost equation was made for."""
    power = rows["power_w"]
    inside = power.between(COST_RANGES["cycle"].low, COST_RANGES["cycle"].high)
    every = inside.groupby(code).all().to_numpy()
    return np.where(every, "yes", "no").astype(object)


def _two_stage_notes(tests: pd.DataFrame, lines: pd.DataFrame) -> tuple[Problem, ...]:
    two = (lines["n_points"] == 2).to_numpy()
    what = "the line rests on two stages, so its error cannot be known."
    remedy = "Ride three stages or more."
    return tuple(
        Problem("note", "extrapolation_refused", str(file), int(row), "hr_bpm", what, remedy)
        for file, row in tests.loc[two, ["file", "row"]].itertuples(index=False)
    )
