"""
Where the laboratory measured uptake by stage: cost equation and heart rate, told apart per pair.

Stages of stage tests carry it in the columns ``vo2_ml_min`` or ``vo2_ml_kg_min`` of ``field_tests``.
Training sessions have none; there the stages of the laboratory's own test say what work costs the athlete.
"""

from collections.abc import Hashable
from typing import Any, Final

import pandas as pd

from agreement.physiology.error_split import split_error
from agreement.physiology.laboratory import LaboratoryValues
from agreement.physiology.measured_stages import STAGES, measured_stages
from agreement.physiology.own_cost import own_cost
from agreement.physiology.stage_tests import MEASURED
from agreement.tables.options import Extrapolation
from agreement.tables.study import StudyTables
from agreement.terms import SESSIONS_METHOD

PAIR: Final = ("athlete_id", "lab_test_id", "method", "mode")
SPLIT_COLUMNS: Final = [*PAIR, "n_points", "total", "cost", "heart_rate"]


def error_splits(
    study: StudyTables, laboratory: LaboratoryValues, pairs: pd.DataFrame
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
    parts = {part: getattr(found, part) for part in ("total", "cost", "heart_rate")}
    names = {name: pair[name] for name in PAIR}
    return [names | {"n_points": found.n_points} | parts]
