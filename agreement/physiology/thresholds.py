"""
Ventilatory thresholds of a ramp test, from breaths or bins or as raters read them: uptake, heart rate.

========================  =========  ==================================================  ================
method                    threshold  a corner upwards of                                 needs
========================  =========  ==================================================  ================
``v_slope_1986``          vt1        VCO2 on VO2, below vt2 [1]_                         vco2_ml_min
``ve_vo2_1982``           vt1        VE/VO2 on VO2, below vt2, turning to a rise [2]_    and ve_l_min
``ve_on_vco2_1986``       vt2        VE on VCO2 [1]_                                     and ve_l_min
``ve_vco2_1979``          vt2        VE/VCO2 on VO2, turning to a rise [3]_              and ve_l_min
========================  =========  ==================================================  ================

Each corner has to pass the tests of `agreement.physiology.broken_line`; the others are refused with the
reason. Heart rate is read at that uptake from a line through the bins around it. What raters
read are columns of `lab_tests`: a long table would need its own ledger, privacy and units.

References
----------
.. [1] Beaver, W. L., Wasserman, K., Whipp, B. J. A new method for detecting anaerobic threshold by gas
       exchange. J Appl Physiol 60:2020-2027, 1986 (memory: plots and order, and that the first minute is
       left out and the upper slope exceeds the lower by more than 0.1; their filters are not used).
.. [2] Caiozzo, V. J. et al. A comparison of gas exchange indices used to detect the anaerobic threshold.
       J Appl Physiol 53:1184-1189, 1982 (first page read: VE/VO2 rises while VE/VCO2 does not).
.. [3] Reinhard, U., Mueller, P. H., Schmuelling, R. M. Determination of anaerobic threshold by the
       ventilation equivalent in normal individuals. Respiration 38:36-42, 1979 (memory: equivalents).
"""

from math import isnan
from typing import Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.arrays import Floats, floats
from agreement.errors import Problem
from agreement.physiology.broken_line import BrokenLine, broken_line, no_corner
from agreement.physiology.stages import stages
from agreement.tables.findings import problem
from agreement.terms import RATED, RATERS

V_SLOPE, EQUIVALENT_O2 = "v_slope_1986", "ve_vo2_1982"
VE_ON_VCO2, EQUIVALENT_CO2 = "ve_on_vco2_1986", "ve_vco2_1979"
METHODS: Final = {V_SLOPE: "vt1", EQUIVALENT_O2: "vt1", VE_ON_VCO2: "vt2", EQUIVALENT_CO2: "vt2"}
IN_USE: Final = {"vt1": V_SLOPE, "vt2": VE_ON_VCO2}  # beside no rater: the ones of one source
THRESHOLD_COLUMNS: Final = [
    "lab_test_id", "threshold", "method", "vo2", "low", "high", "hr", "p", "note",
]  # fmt: skip
BIN_S: Final = 10.0  # the authors' choice, common practice, no source
LEFT_OUT_S: Final = 60.0  # uptake lags behind the work at the start [1]
STEEPER: Final = 0.1  # the least by which the upper V-slope exceeds the lower [1]
AROUND: Final = 11  # bins of the line that heart rate is read from; the authors' choice, no source
MAYBE_SECOND: Final = "the second threshold is unknown: this may be that one"
LONG_STAGES: Final = 2


class _Bins(NamedTuple):
    """Means of bins of `BIN_S`, up to the highest uptake; NaN where something is not recorded."""

    vo2: Floats
    vco2: Floats
    ve: Floats
    hr: Floats


def ventilatory_thresholds(
    breaths: pd.DataFrame, cost: Floats, *, lab_test_id: str, mass_kg: float
) -> pd.DataFrame:
    """
    Find the thresholds of one test by every method.

    breaths: of the exercise phase, in time order.
    cost: one per breath. Uptake that the work rate costs, NaN where it is unknown: tells long
        stages. [mL/kg/min]
    Returns: `THRESHOLD_COLUMNS`, a row for each method; none where carbon dioxide was not recorded.
        vo2 with its 95 % interval [mL/kg/min] and hr [bpm] are NaN where `note` says why. A note
        also stands where vt2 is unknown, so that the corner could be that one.
    """
    if breaths["vco2_ml_min"].notna().sum() < 2:
        return pd.DataFrame(columns=THRESHOLD_COLUMNS)
    t, vo2 = floats(breaths, "t_s", "vo2_ml_min")
    long = sum(stage.end is not None for stage in stages(t, vo2, cost))
    bins = _bins(breaths)
    if long >= LONG_STAGES:
        why = f"{long} stages of two minutes or longer: a corner needs work that rises steadily"
        found = dict.fromkeys(METHODS, no_corner(why))
    else:
        found = _corners(bins)
    beats, rows = np.isfinite(bins.hr), []
    for method, corner in found.items():
        uptakes, heart, note = [np.nan] * 3, np.nan, corner.refused
        if not note:
            uptakes = [value / mass_kg for value in (corner.at, corner.low, corner.high)]
            if np.count_nonzero(beats) >= AROUND:
                heart = _when(bins.vo2[beats], bins.hr[beats], corner.at)
            if METHODS[method] == "vt1" and found[VE_ON_VCO2].refused:
                note = MAYBE_SECOND
        rows.append((lab_test_id, METHODS[method], method, *uptakes, heart, corner.p, note))
    return pd.DataFrame(rows, columns=THRESHOLD_COLUMNS)


def _bins(breaths: pd.DataFrame) -> _Bins:
    """
    Average over bins of time, without the first minute and what follows the highest bin.

    Bins that lack oxygen or carbon dioxide (a gap of the analyser) are left out.
    """
    names = ("vo2_ml_min", "vco2_ml_min", "ve_l_min", "hr_bpm")
    t = breaths["t_s"].to_numpy(dtype=np.float64)
    late = t >= t[0] + LEFT_OUT_S
    place = np.floor((t[late] - t[0]) / BIN_S)
    means = breaths.loc[late, list(names)].groupby(place).mean().to_numpy(dtype=np.float64)
    means = means[np.isfinite(means[:, :2]).all(axis=1)]
    top = int(means[:, 0].argmax()) + 1 if len(means) else 0
    return _Bins(*means[:top].T)


def _corners(bins: _Bins) -> dict[str, BrokenLine]:
    """Return the corner of every method, on a scale of uptake in mL/min."""
    with np.errstate(divide="ignore", invalid="ignore"):
        of_o2, of_co2 = 1000 * bins.ve / bins.vo2, 1000 * bins.ve / bins.vco2
    second, below = _upward(bins.vco2, bins.ve), np.ones(bins.vo2.size, dtype=bool)
    if not second.refused:  # the uptake at the time when that much carbon dioxide is given off
        at, low, high = (_when(bins.vco2, bins.vo2, value) for value in second[:3])
        second = second._replace(at=at, low=low, high=high)
        below = bins.vo2 <= at
    first = _upward(bins.vo2[below], bins.vco2[below])
    if not first.refused and first.after - first.before <= STEEPER:
        first = first._replace(refused="the slope rises by no more than 0.1")
    return {
        V_SLOPE: first,
        EQUIVALENT_O2: _to_a_rise(bins.vo2[below], of_o2[below]),
        VE_ON_VCO2: second,
        EQUIVALENT_CO2: _to_a_rise(bins.vo2, of_co2),
    }


def _upward(x: Floats, y: Floats) -> BrokenLine:
    known = np.isfinite(x) & np.isfinite(y)
    if x.size and not known.any():
        return no_corner("ventilation (ve_l_min) was not recorded")
    found = broken_line(x[known], y[known])
    if not found.refused and found.after <= found.before:
        return found._replace(refused="the line bends down, not up")
    return found


def _to_a_rise(x: Floats, y: Floats) -> BrokenLine:
    found = _upward(x, y)
    if not found.refused and found.after <= 0:
        return found._replace(refused="the ventilatory equivalent never rises")
    return found


def _when(rising: Floats, wanted: Floats, value: float) -> float:
    """Return one series at the time when a rising one has a value, both smoothed over time."""
    rising = np.maximum.accumulate(_smoothed(rising))
    return float(np.interp(value, rising, _smoothed(wanted)))


def _smoothed(values: Floats) -> Floats:
    """Return the line through the bins around each bin, read off at it."""
    size = min(AROUND, values.size)
    place = np.arange(values.size)
    first = np.clip(place - size // 2, 0, values.size - size)
    around = np.arange(size) - (size - 1) / 2  # of each run, from its middle
    runs = values[first[:, None] + np.arange(size)]
    slope = runs @ around / np.sum(around**2)
    return np.asarray(runs.mean(axis=1) + slope * (place - first - (size - 1) / 2))


_TYPES: Final = dict.fromkeys(THRESHOLD_COLUMNS, "float64") | dict.fromkeys(
    ("lab_test_id", "threshold", "method", "note"), "str"
)
_KINDS = {"vo2": ("vo2_ml_kg_min", "lab"), "hr": ("hr_bpm", "hr_max_bpm")}  # column, its maximum


def rated_thresholds(tests: pd.DataFrame) -> tuple[pd.DataFrame, tuple[Problem, ...]]:
    """
    Return the thresholds that raters gave, `THRESHOLD_COLUMNS`, and notes on what cannot be.

    Values above the test's own maximum are left out, and pairs whose first lies not below the
    second.
    """
    if tests[list(RATED)].isna().all(axis=None):  # of most studies, and the rest takes long
        return pd.DataFrame(columns=THRESHOLD_COLUMNS).astype(_TYPES), ()
    parts, problems = [], []
    for rater, start in RATERS.items():
        read = {}
        for kind, (column, top) in _KINDS.items():
            first, second = (tests[f"{start}{one}_{column}"] for one in IN_USE)
            turned = first >= second
            wrong = turned | (first > tests[top]) | (second > tests[top])
            told = tests[["file", "row"]].assign(first=first, second=second)[wrong]
            for file, row, low, high in told.itertuples(index=False):
                both = ("not given" if isnan(one) else f"{one:g}" for one in (low, high))
                place, said = (str(file), int(row), f"{start}vt1_{column}"), ", second ".join(both)
                problems.append(problem("impossible_thresholds", *place, both=said))
            read[kind] = dict(zip(IN_USE, (first.mask(wrong), second.mask(wrong)), strict=True))
        for threshold in IN_USE:
            values = pd.DataFrame({kind: of_kind[threshold] for kind, of_kind in read.items()})
            named = values.assign(
                lab_test_id=tests["lab_test_id"], threshold=threshold, method=rater, note=""
            )
            parts.append(named[values.notna().any(axis=1)])
    given = pd.concat(parts, ignore_index=True).reindex(columns=THRESHOLD_COLUMNS)
    return given, tuple(problems)


def without_impossible(thresholds: pd.DataFrame, tests: pd.DataFrame) -> pd.DataFrame:
    """Return thresholds whose heart rate above the test's highest is unknown, with a note on it."""
    top = tests.set_index(tests["lab_test_id"].astype("str"))["hr_max_bpm"]
    highest = thresholds["lab_test_id"].map(top).astype(np.float64)
    above = thresholds["hr"].astype(np.float64) > highest
    notes = thresholds["note"].tolist()
    for row in np.flatnonzero(above).tolist():
        said = (
            f"the heart rate there ({thresholds['hr'].iloc[row]:.0f} bpm) lies above the test's highest "
            f"({highest.iloc[row]:.0f}): one is wrong, taken as unknown"
        )
        notes[row] = f"{notes[row]}; {said}" if notes[row] else said
    return thresholds.assign(
        hr=thresholds["hr"].mask(above), note=pd.Series(notes, thresholds.index, dtype="str")
    )


def heart_rates(thresholds: pd.DataFrame) -> pd.DataFrame:
    """
    Return the heart rate at both thresholds of each test: lab_test_id, vt1, vt2. [bpm].

    The mean of the raters, where none gave one that of `IN_USE`; only tests with both, the first
    below the second.
    """
    rated = thresholds["method"].isin(list(RATERS))
    computed = thresholds["method"].isin(list(IN_USE.values()))
    by = ["lab_test_id", "threshold"]
    found = thresholds[rated & thresholds["hr"].notna()].groupby(by)["hr"].mean()
    other = thresholds[computed].set_index(by)["hr"].astype(np.float64)
    each = found.combine_first(other).reset_index()
    first, second = (
        each[each["threshold"] == name].drop(columns="threshold").rename(columns={"hr": name})
        for name in IN_USE
    )
    both = first.merge(second, on="lab_test_id")
    return both[both["vt1"] < both["vt2"]].reset_index(drop=True)
