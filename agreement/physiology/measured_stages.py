"""Stages of field tests whose oxygen uptake was measured: what each costs by the equation, and did."""

from typing import Final

import numpy as np
import pandas as pd

from agreement.physiology.breath_tests import STAGE_COLUMNS
from agreement.physiology.field_tests import PROTOCOLS
from agreement.physiology.people import people_at
from agreement.physiology.protocol import INPUT_UNITS
from agreement.physiology.session_people import nearest_measured
from agreement.physiology.stage_tests import MEASURED
from agreement.physiology.work_rate import work_rate_vo2

# by id: protocols of stages; the one without a cost equation is costed by its mode
STAGES: Final = {one.id: one for one in PROTOCOLS.values() if one.stages}
NEAR_DAYS: Final = 14  # a laboratory test whose stages these can be; as field tests are paired


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
    x = {name: rows[name].to_numpy(dtype=np.float64) for name in INPUT_UNITS if name != "sex"}
    x["male"] = people["sex"].map({"male": 1.0, "female": 0.0}).to_numpy(dtype=np.float64)
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
