"""What is to be said of the breaths of laboratory tests: where they count, doubts, how columns fit."""

import math
from collections.abc import Mapping
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from agreement.arrays import Floats, floats
from agreement.errors import Problem
from agreement.physiology.set_aside import FILES_NAMED
from agreement.tables.findings import problem
from agreement.tables.number_columns import CLOCK_COLUMN, CLOCK_OF, DAY_S
from agreement.tables.options import Reference
from agreement.terms import RANGES

BODY_TEMPERATURE_C: Final = 37.0
BODY_VAPOUR_MMHG: Final = 47.0  # by convention
STANDARD_PRESSURE_MMHG: Final = 760.0
ZERO_C_IN_K: Final = 273.15
# How far two columns may drift apart before it is said: common practice, no source.
PRESSURE_WITHIN_MMHG: Final = 10.0
UPTAKE_WITHIN: Final = 0.03
LOW_PRESSURE_MMHG: Final = 730.0
# Litres of ventilation (BTPS) per litre of oxygen: 25 to 45 is usual at the maximum, 60 odd; the
# authors' choice, common practice, no source.
USUAL_EQUIVALENT: Final = (15.0, 60.0)
PER_CENT: Final = (50.0, 200.0)  # a respiratory exchange ratio of this size

_ROOM: Final = RANGES["barometric_pressure_mmhg"]


def gas_column_checks(
    columns: Mapping[str, ArrayLike], *, mass_kg: float = np.nan, pressure_mmhg: float = np.nan
) -> tuple[tuple[str, str], ...]:
    """
    Compare the columns of one test with each other.

    columns: shape (n,). Any columns of a breath file: vo2_ml_min and vco2_ml_min [mL/min STPD],
        ve_l_min [L/min BTPS], ve_stpd_l_min [L/min STPD], vo2_ml_kg_min [mL/kg/min], rer [-].
        Missing values are skipped.
    mass_kg, pressure_mmhg: body mass [kg] and room pressure [mmHg], where known.
    Returns: of each disagreement the column to look at, and what is wrong as a sentence:
        conditions of volumes against the room's pressure (left at sea level in a laboratory
        high up), ventilation against oxygen uptake, relative against absolute uptake,
        the respiratory exchange ratio against the two gases or in per cent.
    """
    middle = {name: value for name, v in columns.items() if not math.isnan(value := _middle(v))}
    found = {"ve_stpd_l_min": _volumes(middle, pressure_mmhg)}
    litres, uptake, (low, high) = middle.get("ve_l_min"), middle.get("vo2_ml_min"), USUAL_EQUIVALENT
    if litres is not None and uptake and uptake > 0 and not low <= 1000 * litres / uptake <= high:
        found["ve_l_min"] = (
            f"{1000 * litres / uptake:.3g} L of air per litre of oxygen, {low:g} to {high:g} is usual: "
            "the unit of ventilation or of oxygen uptake is another, or the flow is wrong."
        )
    names = ("vo2_ml_min", "vo2_ml_kg_min")
    if set(names) <= set(columns):
        absolute, relative = (np.asarray(columns[name], dtype=np.float64) for name in names)
        implied = _middle(absolute[relative > 0] / relative[relative > 0])
        if abs(implied / mass_kg - 1) > UPTAKE_WITHIN:  # NaN where either is not known
            said = f"relative and absolute oxygen uptake imply a mass of {implied:.1f} kg"
            found["vo2_ml_kg_min"] = f"{said}, the test has {mass_kg:.1f} kg."
    found["rer"] = _ratio(middle)
    return tuple((column, what) for column, what in found.items() if what)


def _middle(values: ArrayLike) -> float:
    known = np.asarray(values, dtype=np.float64)
    known = known[~np.isnan(known)]
    return float(np.median(known)) if known.size else np.nan


def _volumes(middle: Mapping[str, float], pressure_mmhg: float) -> str | None:
    if not {"ve_stpd_l_min", "ve_l_min"} <= set(middle):
        return None
    stpd, btps = middle["ve_stpd_l_min"], middle["ve_l_min"]
    if stpd >= btps:
        below = f"ventilation at STPD ({stpd:.1f} L/min) is not below that at BTPS ({btps:.1f})"
        return f"{below}: the two columns carry the same conditions or are swapped."
    implied = float(pressure_from_volumes(stpd, btps))
    said = f"STPD over BTPS implies {implied:.0f} mmHg"
    if math.isnan(pressure_mmhg):
        usual = _ROOM.warn_low <= implied <= _ROOM.warn_high
        return None if usual else f"{said}, the pressure of hardly any room."
    if abs(implied - pressure_mmhg) <= PRESSURE_WITHIN_MMHG:
        return None
    share = pressure_overstatement(implied, pressure_mmhg)
    reads = f"oxygen uptake reads {100 * abs(share):.1f} % {'high' if share > 0 else 'low'}"
    return f"{said}, the room had {pressure_mmhg:.0f}: {reads}."


def _ratio(middle: Mapping[str, float]) -> str | None:
    stated = middle.get("rer", math.nan)
    said = "the respiratory exchange ratio"
    if PER_CENT[0] < stated < PER_CENT[1]:
        return f"{said} ({stated:.0f}) is in per cent; 1.10 is wanted for 110."
    if {"vo2_ml_min", "vco2_ml_min"} <= set(middle):
        computed = middle["vco2_ml_min"] / middle["vo2_ml_min"]
        if abs(computed / stated - 1) > UPTAKE_WITHIN:
            return f"{said} ({stated:.2f}) is not that of the two gas columns ({computed:.2f})."
    return None


def pressure_from_volumes(stpd: ArrayLike, btps: ArrayLike) -> Floats:
    """
    Room pressure [mmHg] that a file's STPD and BTPS volumes, in one unit, imply.

    One that is not the room's betrays the low-pressure trap (see `pressure_overstatement`).
    """
    ratio = np.asarray(stpd, dtype=np.float64) / np.asarray(btps, dtype=np.float64)
    warm = (ZERO_C_IN_K + BODY_TEMPERATURE_C) / ZERO_C_IN_K
    return BODY_VAPOUR_MMHG + ratio * warm * STANDARD_PRESSURE_MMHG


def pressure_overstatement(set_mmhg: float, room_mmhg: float) -> float:
    """
    Share by which STPD volumes, hence oxygen uptake, read high under a wrong pressure [mmHg].

    Returns: 0.092 where 760 was left standing in a room at 700 mmHg. [-]
    """
    return (set_mmhg - BODY_VAPOUR_MMHG) / (room_mmhg - BODY_VAPOUR_MMHG) - 1


# The authors' choice, common practice, no source, unless said.
RATIO_LIMITS: Final = (0.5, 2.0)  # of carbon dioxide to oxygen over a whole test
UNIT_SLIPS: Final = (0.05, 20.0)  # beyond these a unit is wrong, which is said elsewhere
FALLS_BY: Final = 0.08  # of the ratio, which rises towards a maximum
ABOVE_ONE: Final = 1.0  # an early ratio above it is no start of a test
ENDS_BELOW: Final = 0.98  # the ratio of a test that stopped early; at a maximum it is above 1.1
ENDS_BELOW_AT_EQUAL_WORK: Final = 1.0
LEAK_BELOW: Final = 0.90  # uptake of the last minute, of the highest minute
WORK_HOLDS: Final = 0.98  # work of the last minute, of the highest
COST_LIMITS: Final = (0.66, 1.28)  # measured uptake over the cost of work; people differ by 15 %
COSTED: Final = (0.35, 0.85)  # share of the test in which the two are compared
FOLLOWS: Final = (0.2, 0.05)  # rise of the cost between both ends of it, and least of the uptake
FEWEST_OF_A_TEST, SHORTEST_S = 40, 90.0
ENOUGH: Final = 30  # breaths with both gases
LAST_S, MINUTE_S = 30.0, 60.0
TYPED_WITHIN: Final = 0.03  # of the value from breaths
FROM: Final = 0.05  # a change of VO2max that is told. [mL/kg/min]
SHORT_BY_S: Final = 60.0  # of a recording; the authors' choice, no source
GAS_COLUMNS: Final = (
    "vo2_ml_min", "vco2_ml_min", "ve_l_min", "ve_stpd_l_min", "vo2_ml_kg_min", "rer",
)  # fmt: skip


class BreathDoubt(NamedTuple):
    """One doubt: its name in `messages.toml`, the column to look at, and the evidence."""

    name: str
    column: str
    values: dict[str, Any]


def breath_doubts(breaths: pd.DataFrame, cost: Floats, recorded: int) -> tuple[BreathDoubt, ...]:
    """
    Look at the breaths of the exercise of one test.

    breaths: t_s, vo2_ml_min, vco2_ml_min (may be missing), in order of time.
    cost: shape (n,). Uptake that the work of each breath costs; NaN where it is not known. [mL/min]
    recorded: breaths of the exercise with those that no person breathes.
    """
    t, vo2, vco2 = floats(breaths, "t_s", "vo2_ml_min", "vco2_ml_min")
    if t.size == 0:
        return ()
    if recorded < FEWEST_OF_A_TEST and t[-1] - t[0] < SHORTEST_S:
        return (BreathDoubt("few_breaths", "t_s", {"breaths": recorded, "seconds": t[-1] - t[0]}),)
    share, work = (_share_of_highest(t, one) for one in (vo2, cost))
    judged = t[-1] - t[0] >= 3 * MINUTE_S and not np.isnan(cost).all()
    falls = judged and share < LEAK_BELOW and work >= WORK_HOLDS
    leak = BreathDoubt("uptake_falls", "vo2_ml_min", {"share": 100 * share}) if falls else None
    found = (_gases(t, vo2, vco2, cost), leak, _cost(t, vo2, cost))
    return tuple(one for one in found if one is not None)


def _gases(t: Floats, vo2: Floats, vco2: Floats, cost: Floats) -> BreathDoubt | None:
    both = np.isfinite(vco2) & (vo2 > 0)
    if both.sum() < ENOUGH:
        return None
    ratio, at = vco2[both] / vo2[both], t[both]
    low, high = RATIO_LIMITS
    middle = float(np.median(ratio))
    if not UNIT_SLIPS[0] < middle < UNIT_SLIPS[1]:
        return None
    if not low <= middle <= high:
        return BreathDoubt("gases_swapped", "vco2_ml_min", {"ratio": middle})
    first = float(np.median(ratio[at <= at[0] + (at[-1] - at[0]) / 3]))
    last = float(np.median(ratio[at > at[-1] - LAST_S]))
    if first > ABOVE_ONE and last < first - FALLS_BY:
        return BreathDoubt("gas_ratio_falls", "vco2_ml_min", {"first": first, "last": last})
    # whether the work of the last minutes is above that of those before
    end = cost[t > t[-1] - MINUTE_S]
    before = cost[(t > t[-1] - 5 * MINUTE_S) & (t <= t[-1] - 3 * MINUTE_S)]
    known = np.isfinite(end).any() and np.isfinite(before).any()
    rising = not known or np.nanmean(end) > 1.01 * np.nanmean(before)
    rising &= _share_of_highest(t, cost) >= WORK_HOLDS
    if last < (ENDS_BELOW if rising or np.isnan(cost).all() else ENDS_BELOW_AT_EQUAL_WORK):
        return BreathDoubt("stopped_early", "vco2_ml_min", {"last": last})
    return None


def _cost(t: Floats, vo2: Floats, cost: Floats) -> BreathDoubt | None:
    share = (t - t[0]) / max(t[-1] - t[0], 1e-9)
    inside = (share >= COSTED[0]) & (share <= COSTED[1]) & (cost > 0) & np.isfinite(vo2)
    if inside.sum() < ENOUGH:
        return None
    early, late = (inside & (share >= a) & (share <= a + 0.1) for a in (COSTED[0], COSTED[1] - 0.1))
    if early.any() and late.any():
        work, uptake = (float(one[late].mean() / one[early].mean()) - 1 for one in (cost, vo2))
        if work > FOLLOWS[0] and uptake < FOLLOWS[1]:
            return BreathDoubt(
                "uptake_stays", "vo2_ml_min", {"work": 100 * work, "uptake": 100 * uptake}
            )
    ratio = float(np.sum(vo2[inside]) / np.sum(cost[inside]))
    if COST_LIMITS[0] <= ratio <= COST_LIMITS[1]:
        return None
    return BreathDoubt("cost_of_work", "vo2_ml_min", {"ratio": ratio})


def _share_of_highest(t: Floats, values: Floats) -> float:
    """Return the mean of the last minute over the highest mean of any minute; 1 where unknown."""
    known = np.isfinite(values)
    if not known.any():
        return 1.0
    at, v = t[known], values[known]
    sums = np.concatenate([[0.0], np.cumsum(v)])
    start = np.searchsorted(at, at - MINUTE_S, "right")
    whole = at - at[0] >= MINUTE_S
    if not whole.any():
        return 1.0
    means = (sums[1:] - sums[start]) / (np.arange(1, v.size + 1) - start)
    return float(means[-1] / means[whole].max())


def on_the_recordings_clock(
    breaths: pd.DataFrame, test: dict[str, Any], file: str
) -> tuple[dict[str, Any], tuple[Problem, ...]]:
    """
    Return a test whose start and end of exercise, stated as times of day, count the recording's seconds.

    A note where the recording counts seconds itself, so that nobody knows when it began.
    """
    stated = {ours: float(test.get(clock, np.nan)) for ours, clock in CLOCK_OF.items()}
    known = {ours: value for ours, value in stated.items() if not np.isnan(value)}
    if not known:
        return test, ()
    if CLOCK_COLUMN not in breaths:
        ours = next(iter(known))
        place = (str(test["file"]), int(test["row"]), ours)
        return test, (problem("time_of_day", *place, recording=file),)
    began = float((breaths[CLOCK_COLUMN] - breaths["t_s"]).dropna().iloc[0])
    half = DAY_S / 2  # a recording goes on over midnight at most once
    return test | {k: (v - began + half) % DAY_S - half for k, v in known.items()}, ()


def window_notes(breaths: pd.DataFrame, test: dict[str, Any], file: str) -> tuple[Problem, ...]:
    """Say where the stated start and end of exercise do not fit the recording."""
    start, end = float(test["exercise_start_s"]), float(test["exercise_end_s"])
    times = breaths["t_s"].dropna().to_numpy(dtype=np.float64)
    if not times.size or np.isnan([start, end]).all():
        return ()
    first, last = times.min(), times.max()
    column = "exercise_end_s" if np.isnan(start) or end < first else "exercise_start_s"
    inside = (times >= np.nan_to_num(start, nan=first)) & (times <= np.nan_to_num(end, nan=last))
    place, told = (str(test["file"]), int(test["row"])), {"recording": file, "last": last}
    if not inside.any():
        stated = " to ".join("open" if np.isnan(one) else f"{one:g}" for one in (start, end))
        told |= {"stated": stated, "first": first}
        return (problem("no_breath_within", *place, column, **told),)
    if end > last + SHORT_BY_S:
        told |= {"end": end, "first": first}
        return (problem("end_after_breaths", *place, "exercise_end_s", **told),)
    return ()


def gas_notes(breaths: pd.DataFrame, test: dict[str, Any], file: str) -> tuple[Problem, ...]:
    """Say where the columns of the file do not fit together."""
    found = gas_column_checks(
        {name: breaths[name].to_numpy(dtype=np.float64) for name in GAS_COLUMNS},
        mass_kg=float(test["mass_kg"]),
        pressure_mmhg=float(test["barometric_pressure_mmhg"]),
    )
    return tuple(problem("gas_columns", file, None, column, said=what) for column, what in found)


def bin_notes(lab: float, kept: float, file: str) -> tuple[Problem, ...]:
    """Say where the last bin, which is not whole, decides the value."""
    if abs(kept - lab) < FROM or not np.isfinite(kept):
        return ()
    return (problem("last_bin", file, None, "vo2_ml_min", lab=lab, kept=kept),)


def editing_notes(editing: pd.DataFrame, reference: Reference) -> tuple[Problem, ...]:
    """Say how many breaths were left out, or kept all the same, of many tests in one line."""
    found = []
    for column, name, stay, why in (
        ("vo2_ml_min", "artefacts", not reference.edit_breaths, "far from their neighbours"),
        ("vo2_ml_min", "impossible", False, "below 0 or above what anybody reaches"),
        ("t_s", "backward", False, "their time repeats or runs backwards"),
    ):
        done = ("stays in", "stay in") if stay else ("was left out", "were left out")
        hit = editing[editing[name] > 0].to_dict("records")
        whats = {}
        for line in hit:
            count, moved = line[name], _moved(line, reference) if name == "artefacts" else ""
            said = f"{count} of {line['breaths']} breaths {done[count > 1]}: {why}.{moved}"
            whats[str(line["file"])] = said
        if len(hit) > FILES_NAMED:
            most = max(hit, key=lambda line: line[name])
            out, every = (sum(line[column] for line in hit) for column in (name, "breaths"))
            text = (
                f"{out} of {every} breaths of {len(hit)} tests {done[1]}: "
                f"{why}. Most: {most[name]} of {most['breaths']} in {most['file']}."
            )
            whats = {"breaths": text}
        kind = "breaths_that_stay" if stay else "breaths_left_out"
        found += [problem(kind, file, None, column, said=what) for file, what in whats.items()]
    return tuple(found)


def _moved(line: dict[Any, Any], reference: Reference) -> str:
    """Say what editing does to the value of one test."""
    before, after = float(line["unedited"]), float(line["edited"])
    if not (np.isfinite(before) and np.isfinite(after)) or abs(after - before) < FROM:
        return ""
    if reference.edit_breaths:
        return f" VO2max is {after:.1f} mL/kg/min for {before:.1f} with them."
    return f" Without them VO2max would be {after:.1f} mL/kg/min for {before:.1f}."


def typed_notes(lab: float, typed: float, rule: str, file: str, row: int) -> tuple[Problem, ...]:
    """Say where the typed value is far from that of the breaths."""
    if np.isnan(typed) or abs(typed / lab - 1) <= TYPED_WITHIN:
        return ()
    told = {"typed": typed, "share": 100 * abs(typed / lab - 1), "lab": lab, "rule": rule}
    return (problem("breaths_differ", file, row, "vo2max_ml_kg_min", **told),)
