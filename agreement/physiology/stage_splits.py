"""
Where the laboratory measured uptake by stage: cost equation and heart rate, told apart per pair.

An estimate from heart rate and work rate errs twice: the equation from work rate to oxygen uptake,
an average of people, is not this athlete's, and heart rate is carried to its maximum along a line.
With the uptake of the stages measured, the second part can be had alone; the first is the rest.
Stages of stage tests carry it in ``vo2_ml_min`` or ``vo2_ml_kg_min`` of ``field_tests``. Training
sessions have none; there a line through the stages of the laboratory's own test turns the equation's
uptake into the athlete's own, so that what is left of the error is heart rate's.
"""

from collections.abc import Hashable
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from agreement.physiology.breath_tests import STAGE_COLUMNS
from agreement.physiology.field_tests import PROTOCOLS
from agreement.physiology.heart_rate import GUARDS, Form, heart_rate_extrapolation
from agreement.physiology.protocol import equation_inputs
from agreement.physiology.session_people import nearest_measured, people_at
from agreement.physiology.stage_tests import MEASURED
from agreement.physiology.work_rate import work_rate_vo2
from agreement.tables.options import Extrapolation
from agreement.tables.study import StudyTables
from agreement.terms import SESSIONS_METHOD

if TYPE_CHECKING:
    from agreement.physiology.laboratory import LaboratoryValues

SUBMAXIMAL: Final = 0.90  # of VO2max: above, uptake levels off; common practice, no source
FEWEST_STAGES: Final = 3  # as few as the guards of an extrapolation let pass
# by id: protocols of stages; the one without a cost equation is costed by its mode
STAGES: Final = {one.id: one for one in PROTOCOLS.values() if one.stages}
NEAR_DAYS: Final = 14  # a laboratory test whose stages these can be; as field tests are paired
PAIR: Final = ("athlete_id", "lab_test_id", "method", "mode")
SPLIT_COLUMNS: Final = [*PAIR, "n_points", "total", "cost", "heart_rate"]


class OwnCost(NamedTuple):
    """Measured uptake = intercept + slope x uptake by the cost equation."""

    intercept: float  # [mL/kg/min]
    slope: float  # 1 where each step up costs what the equation says. [-]
    n_stages: int  # stages the line rests on


def own_cost(costed_vo2: ArrayLike, measured_vo2: ArrayLike, *, vo2max: float) -> OwnCost | None:
    """
    Fit the athlete's own cost to the stages of one test.

    costed_vo2, measured_vo2: shape (n,). Uptake of each stage by the cost equation and as measured.
        [mL/kg/min]
    vo2max: of the same test; stages above `SUBMAXIMAL` of it are left out. [mL/kg/min]
    Returns the line of least squares; None of fewer than `FEWEST_STAGES` stages, or of stages that do not
        rise.

    Uptake lags behind a step up. Where stages are too short for a steady state the line lies too low;
    a first stage begun from rest lags most, which makes the line too steep and too high at the maximum.
    """
    costed, measured = (np.asarray(v, dtype=np.float64) for v in (costed_vo2, measured_vo2))
    below = measured <= SUBMAXIMAL * vo2max
    costed, measured = costed[below], measured[below]
    if costed.size < FEWEST_STAGES or np.ptp(costed) == 0:
        return None
    slope, intercept = np.polyfit(costed, measured, 1)
    if slope <= 0:
        return None
    return OwnCost(float(intercept), float(slope), int(costed.size))


class ErrorSplit(NamedTuple):
    """The two parts of one estimate's error. [mL/kg/min]."""

    total: float  # estimate from work rate - laboratory; the sum of the parts
    cost: float  # what the equation from work rate to oxygen uptake adds
    heart_rate: float  # what carrying heart rate to its maximum adds, on measured uptake
    n_points: int  # stages used
    refused: str | None  # why there is no split


def split_error(
    hr: ArrayLike,
    costed_vo2: ArrayLike,
    measured_vo2: ArrayLike,
    hr_max: float,
    lab: float,
    *,
    form: Form = "vo2_on_hr",
    guards: Extrapolation = GUARDS,
) -> ErrorSplit:
    """
    Split the error of a heart-rate estimate.

    hr, costed_vo2, measured_vo2: shape (n,). Of the same stages: heart rate [bpm], uptake by the
        cost equation and as measured [mL/kg/min]. Stages where one is missing are left out.
    hr_max, lab: measured heart-rate maximum [bpm] and VO2max [mL/kg/min].
    form, guards: as in `agreement.physiology.heart_rate.heart_rate_extrapolation`.
    Returns: total = cost + heart_rate = estimate - laboratory.
    """
    stages = np.column_stack(
        [np.asarray(v, dtype=np.float64) for v in (hr, costed_vo2, measured_vo2)]
    )
    pulse, costed, measured = stages[np.isfinite(stages).all(axis=1)].T
    by_cost, by_measure = (
        heart_rate_extrapolation(pulse, vo2, hr_max, form=form, guards=guards)
        for vo2 in (costed, measured)
    )
    field, own = by_cost["vo2max"], by_measure["vo2max"]
    refused = by_cost["refused"] or by_measure["refused"]
    return ErrorSplit(field - lab, field - own, own - lab, int(by_cost["n_points"]), refused)


def measured_stages(
    field_tests: pd.DataFrame, athletes: pd.DataFrame, laboratory: pd.DataFrame
) -> pd.DataFrame:
    """
    Return the stages of field tests with measured uptake.

    field_tests, athletes: the checked tables.
    laboratory: frame of `laboratory_values`, for a mass and an HRmax that the rows lack.
    Returns: athlete_id, date, protocol, hr_max_bpm, and `STAGE_COLUMNS`, cost and vo2 in mL/kg/min;
        lab_test_id is that of the athlete's nearest test in the mode, at most 14 days away.
    """
    known = field_tests[["vo2_ml_min", MEASURED]].notna().any(axis=1)
    rows = field_tests[field_tests["protocol"].isin(list(STAGES)) & known].reset_index(drop=True)
    people = people_at(athletes, rows["athlete_id"], rows["date"])
    own = rows["protocol"].map({name: one.mode or np.nan for name, one in STAGES.items()})
    rows = rows.assign(
        mode=rows["mode"].fillna(own), mass_kg=rows["mass_kg"].fillna(people["mass_kg"])
    )
    for name in ("mass_kg", "hr_max_bpm"):
        rows[name] = rows[name].fillna(pd.Series(nearest_measured(rows, laboratory, name)))
    rows["vo2"] = rows[MEASURED].fillna(rows["vo2_ml_min"] / rows["mass_kg"])
    rows["vco2_ml_min"] = rows["rer"] * rows["vo2"] * rows["mass_kg"]
    rows["speed_m_s"] = rows["speed_km_h"] / 3.6
    x = equation_inputs(rows, people["sex"])
    cost = np.full(len(rows), np.nan)
    for name, one in STAGES.items():
        mine = (rows["protocol"] == name).to_numpy()
        if MEASURED not in one.inputs:
            cost[mine] = np.asarray(one.equation(x), dtype=np.float64)[mine]
            continue
        for mode in rows.loc[mine, "mode"].unique():
            here = mine & (rows["mode"] == mode).to_numpy()
            work = rows.loc[here, ["speed_m_s", "power_w", "mass_kg"]].to_dict("series")
            grade = rows.loc[here, "grade"].fillna(0.0)
            cost[here] = work_rate_vo2(str(mode), grade=grade, **work)
    rows["cost"] = cost
    rows["lab_test_id"] = _nearest_test(rows, laboratory)
    return rows[["athlete_id", "date", "protocol", "hr_max_bpm", *STAGE_COLUMNS]]


def _nearest_test(rows: pd.DataFrame, laboratory: pd.DataFrame) -> "pd.Series[str]":
    """Return the id of each row's laboratory test; NaN where none is near."""
    keys = rows[["athlete_id", "mode", "date"]].assign(place=rows.index)
    both = keys.merge(laboratory, on=["athlete_id", "mode"], suffixes=("", "_lab"))
    both["days"] = (both["date_lab"] - both["date"]).dt.days.abs()
    near = both[both["days"] <= NEAR_DAYS].sort_values(["days", "date_lab"], kind="stable")
    found = near.drop_duplicates("place").set_index("place")["lab_test_id"]
    return found.reindex(rows.index).astype("str")


def error_splits(
    study: StudyTables, laboratory: "LaboratoryValues", pairs: pd.DataFrame
) -> pd.DataFrame:
    """Split the errors of stage tests and of training sessions; `SPLIT_COLUMNS`. [mL/kg/min]."""
    known = (study.field_tests, study.athletes, laboratory.frame, pairs)
    of_stages = stage_splits(*known, extrapolation=study.options.extrapolation)
    return pd.concat([of_stages, session_splits(laboratory.stages, pairs)], ignore_index=True)


def stage_splits(
    field_tests: pd.DataFrame,
    athletes: pd.DataFrame,
    laboratory: pd.DataFrame,
    pairs: pd.DataFrame,
    *,
    extrapolation: Extrapolation,
) -> pd.DataFrame:
    """
    Split the error of each pair of a stage test with a cost equation.

    field_tests, athletes: the checked tables; a stage counts with measured uptake, heart rate and
        what its equation needs.
    laboratory: frame of `laboratory_values`, for a mass and an HRmax that the rows lack.
    extrapolation: the study's guards and share of HRmax.
    Returns: `SPLIT_COLUMNS`, total = cost + heart_rate = field - laboratory; pairs whose test of
        that day has a measured HRmax and enough measured stages. [mL/kg/min]
    """
    costed = [name for name, one in STAGES.items() if MEASURED not in one.inputs]
    own = pairs[pairs["method"].isin(costed)]
    lines = []
    if len(own):
        stages = measured_stages(field_tests, athletes, laboratory)
        groups = dict(list(stages.groupby(["athlete_id", "date", "protocol", "mode"])))
        for pair in own.to_dict("records"):
            day = pd.Timestamp(pair["lab_date"]) - pd.Timedelta(days=int(pair["gap_days"]))
            rows = groups.get((pair["athlete_id"], day, pair["method"], pair["mode"]))
            lines += [] if rows is None else _split(rows, pair, extrapolation)
    return pd.DataFrame(lines, columns=SPLIT_COLUMNS)


def session_splits(stages: pd.DataFrame, pairs: pd.DataFrame) -> pd.DataFrame:
    """
    Split the error of each estimate from training sessions whose laboratory test had stages.

    stages: `agreement.physiology.laboratory.LaboratoryValues.stages`: lab_test_id, mode, cost, vo2.
    Returns: `SPLIT_COLUMNS`, total = cost + heart_rate = field - laboratory; pairs whose test gives
        the athlete's own cost in the mode of the sessions. [mL/kg/min]

    The estimate is carried along a line through the uptakes that the cost equation gives, so turning
    those uptakes into the athlete's own turns the estimate in the same way: no line is fitted again.
    """
    by_test = dict(list(stages.groupby(["lab_test_id", "mode"])))
    lines = []
    for pair in pairs[pairs["method"] == SESSIONS_METHOD].to_dict("records"):
        own = by_test.get((pair["lab_test_id"], pair["mode"]))
        line = None if own is None else own_cost(own["cost"], own["vo2"], vo2max=pair["lab"])
        if line is None:
            continue
        field, lab = float(pair["field"]), float(pair["lab"])
        by_own_cost = line.intercept + line.slope * field
        names = {name: pair[name] for name in PAIR}
        parts = {"cost": field - by_own_cost, "heart_rate": by_own_cost - lab}
        lines.append(names | {"n_points": line.n_stages, "total": field - lab} | parts)
    return pd.DataFrame(lines, columns=SPLIT_COLUMNS)


def _split(
    rows: pd.DataFrame, pair: dict[Hashable, Any], extrapolation: Extrapolation
) -> list[dict[str, object]]:
    """Return the line of one pair; none when the guards refuse it or HRmax is not measured."""
    top = rows["hr_max_bpm"].dropna()
    if top.empty:
        return []
    found = split_error(
        rows["hr_bpm"],
        rows["cost"],
        rows["vo2"],
        float(top.iloc[0]),
        float(pair["lab"]),
        guards=extrapolation,
    )
    if found.refused is not None:
        return []
    parts = {name: value for name, value in found._asdict().items() if name != "refused"}
    return [{name: pair[name] for name in PAIR} | parts]
