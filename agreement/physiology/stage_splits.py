"""
Where the laboratory measured uptake by stage: cost equation and heart rate, told apart per pair.

An estimate from heart rate and work rate errs twice: the equation from work rate to oxygen uptake,
an average of people, is not this athlete's, and heart rate is carried to its maximum along a line.
With the uptake of the stages measured, the second part can be had alone; the first is the rest.
Stages of stage tests carry it in ``vo2_ml_min`` or ``vo2_ml_kg_min`` of ``field_tests``. Training
sessions have none; there a line through the stages of the laboratory's own test turns the equation's
uptake into the athlete's own, so that what is left of the error is heart rate's.

What steady work costs an athlete, running economy and cycling efficiency, comes of long stages (last
minute each) below 90 % of VO2max. Efficiency also needs carbon dioxide, with a respiratory exchange
ratio of at most 1: above it uptake no longer tells the energy [3]_.

References
----------
.. [1] Lusk, G. Analysis of the oxidation of mixtures of carbohydrate and fat. J Biol Chem 59:41-42, 1924
       (ends of the table from memory; a line of it read second-hand: 4.751 kcal/L at 0.76). Other
       equations give other efficiencies, not less reliable ones (Int J Sports Physiol Perform 2019,
       abstract read).
.. [2] Moseley, L., Jeukendrup, A. E. The reliability of cycling efficiency. Med Sci Sports Exerc
       33:621-627, 2001 (abstract read): gross efficiency.
.. [3] Hopker, J. G. et al. Int J Sports Med, 2012, doi 10.1055/s-0032-1306285 (abstract read): stages of
       3 minutes give what stages of 6 minutes give, a ratio of at most 1.
"""

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from agreement.arrays import Floats
from agreement.physiology.breath_tests import STAGE_COLUMNS
from agreement.physiology.equations import work_rate_vo2
from agreement.physiology.field_test_results import MEASURED
from agreement.physiology.field_tests import PROTOCOLS, equation_inputs
from agreement.physiology.heart_rate import GUARDS, heart_rate_extrapolation
from agreement.physiology.session_people import nearest_measured, people_at
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
    guards: Extrapolation = GUARDS,
) -> ErrorSplit:
    """
    Split the error of a heart-rate estimate: total = cost + heart_rate = estimate - laboratory.

    hr, costed_vo2, measured_vo2: shape (n,). Of the same stages: heart rate [bpm], uptake by the
        cost equation and as measured [mL/kg/min]. Stages where one is missing are left out.
    hr_max, lab: measured heart-rate maximum [bpm] and VO2max [mL/kg/min].
    """
    stages = np.column_stack([np.asarray(v, float) for v in (hr, costed_vo2, measured_vo2)])
    pulse, costed, measured = stages[np.isfinite(stages).all(axis=1)].T
    by_cost, by_measure = (
        heart_rate_extrapolation(pulse, vo2, hr_max, form="vo2_on_hr", guards=guards)
        for vo2 in (costed, measured)
    )
    field, own = by_cost["vo2max"], by_measure["vo2max"]
    refused = by_cost["refused"] or by_measure["refused"]
    return ErrorSplit(field - lab, field - own, own - lab, int(by_cost["n_points"]), refused)


def measured_stages(
    field_tests: pd.DataFrame, athletes: pd.DataFrame, laboratory: pd.DataFrame
) -> pd.DataFrame:
    """
    Return the stages of field tests with measured uptake; the laboratory fills mass and HRmax.

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
    keys = rows[["athlete_id", "mode", "date"]].assign(place=rows.index)
    both = keys.merge(laboratory, on=["athlete_id", "mode"], suffixes=("", "_lab"))
    both["days"] = (both["date_lab"] - both["date"]).dt.days.abs()
    near = both[both["days"] <= NEAR_DAYS].sort_values(["days", "date_lab"], kind="stable")
    found = near.drop_duplicates("place").set_index("place")["lab_test_id"]
    rows["lab_test_id"] = found.reindex(rows.index).astype("str")
    return rows[["athlete_id", "date", "protocol", "hr_max_bpm", *STAGE_COLUMNS]]


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
            if rows is None or rows["hr_max_bpm"].isna().all():
                continue
            top, lab = float(rows["hr_max_bpm"].dropna().iloc[0]), float(pair["lab"])
            measured = (rows["hr_bpm"], rows["cost"], rows["vo2"], top, lab)
            found = split_error(*measured, guards=extrapolation)
            if found.refused is None:
                lines.append({name: pair[name] for name in PAIR} | found._asdict())
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


FAT, CARBOHYDRATE = (0.707, 4.686), (1.0, 5.047)  # exchange ratio, kcal per litre of oxygen [1]
J_PER_KCAL: Final = 4184.0
HIGHEST_RATIO: Final = 1.0  # [3]
STEEPEST: Final = 0.02  # grade up to which economy is comparable; the authors' choice, no source
SAME_DAY, ANOTHER_DAY = "same_day", "another_day"  # when the stages were, beside VO2max
ECONOMY_COLUMNS: Final = [
    *("lab_test_id", "mode", "n_stages", "economy", "gross_efficiency"),
    *("cost_ratio", "stages_of"),
]


def energy_w(vo2_ml_min: ArrayLike, ratio: ArrayLike) -> Floats:
    """
    Energy that steady oxygen uptake sets free, by its respiratory exchange ratio [1]_.

    vo2_ml_min: [mL/min]
    ratio: carbon dioxide output over oxygen uptake, at most 1; below 0.707 fat alone. [-]
    Returns: [W]

    .. [1] Lusk, G. J Biol Chem 59:41-42, 1924 (line between the ends of its table, protein left out).

    >>> (energy_w(1000, 0.76) * 60 / 4184).round(3).item()  # kcal per litre
    4.751
    """
    (low, fat), (high, carbohydrate) = FAT, CARBOHYDRATE
    kcal_l = np.interp(np.asarray(ratio, dtype=np.float64), [low, high], [fat, carbohydrate])
    return np.asarray(np.asarray(vo2_ml_min, dtype=np.float64) / 1000 * kcal_l * J_PER_KCAL / 60)


def economy(
    stages: pd.DataFrame, laboratory: pd.DataFrame, *, stages_of: str = SAME_DAY
) -> pd.DataFrame:
    """
    Return economy and efficiency of each test with steady stages.

    stages: `agreement.physiology.breath_tests.STAGE_COLUMNS`.
    laboratory: lab_test_id, lab [mL/kg/min].
    stages_of: when they were, {"same_day", "another_day"} than VO2max.
    Returns: `ECONOMY_COLUMNS`, one row per test and mode. economy: uptake per distance of running or
        walking on at most 2 % grade [mL/kg/km]. gross_efficiency: mean of power over energy [2]_ [%].
        cost_ratio: measured uptake over that of the cost equation, mean of the stages [-]. NaN where
        something was not recorded.
    """
    known = stages.merge(laboratory[["lab_test_id", "lab"]].astype({"lab_test_id": "str"}))
    known = known[known["vo2"] <= SUBMAXIMAL * known["lab"]]
    rows = []
    for (name, mode), own in known.groupby(["lab_test_id", "mode"], sort=True):
        level = own[(own["grade"].fillna(0.0).abs() <= STEEPEST) & (own["speed_m_s"] > 0)]
        per_km = (level["vo2"] / (0.06 * level["speed_m_s"])).mean() if mode != "cycle" else np.nan
        ratio = own["vco2_ml_min"] / (own["vo2"] * own["mass_kg"])
        aerobic = own[(ratio <= HIGHEST_RATIO) & (own["power_w"] > 0)]
        energy = energy_w(aerobic["vo2"] * aerobic["mass_kg"], ratio[aerobic.index])
        power = aerobic["power_w"].to_numpy(dtype=np.float64)
        gross = (100 * power / energy).mean() if power.size else np.nan
        cost = (own["vo2"] / own["cost"]).mean()
        rows.append((name, mode, len(own), per_km, gross, cost, stages_of))
    return pd.DataFrame(rows, columns=ECONOMY_COLUMNS)


def expected_errors(economies: pd.DataFrame, pairs: pd.DataFrame) -> pd.DataFrame:
    """
    Return the error that an athlete's own cost of work leads an estimate from work rate to.

    economies: `ECONOMY_COLUMNS`.
    Returns: athlete_id, lab_test_id, method, mode, difference, cost_ratio, stages_of, expected, rest
        (what of the difference is left): of pairs whose test has stages in the mode of the estimate.
        An athlete whose work costs the share r of what an equation says reaches VO2max at a work rate
        that costs VO2max / r by it: expected = lab (1/r - 1), field minus laboratory. [mL/kg/min]

    An analyser that reads a share g too high on the day of both VO2max and stages makes r too high by g,
    so expected and difference both fall by g times VO2max, whatever work costs the athlete.
    """
    names = ["athlete_id", "lab_test_id", "method", "mode", "difference", "lab"]
    costs = ["lab_test_id", "mode", "cost_ratio", "stages_of"]
    known = economies.loc[economies["cost_ratio"].notna(), costs]
    both = pairs[names].astype({"lab_test_id": "str"}).merge(known, on=["lab_test_id", "mode"])
    expected = both["lab"] * (1 / both["cost_ratio"] - 1)
    return both.assign(expected=expected, rest=both["difference"] - expected).drop(columns="lab")
