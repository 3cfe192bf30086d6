"""The table behind `agreement estimate`: every field value with its protocol, flags and error."""

from collections.abc import Callable
from typing import Final

import pandas as pd

from agreement.physiology.laboratory import laboratory_values
from agreement.physiology.readings import field_readings
from agreement.tables.study import StudyTables

ESTIMATE_COLUMNS: Final = [
    "athlete_id", "taken_at", "method", "mode", "vo2max_ml_kg_min", "vo2max_l_min", "sensor",
    "set_mass_kg", "set_hr_max_bpm", "set_age_years", "protocol", "in_range", "standard_error",
]  # fmt: skip


def estimates_frame(
    study: StudyTables, *, progress: Callable[[int, int], None] | None = None
) -> pd.DataFrame:
    """
    Return every field value of a study as rows of ``field_estimates``.

    progress: called with the number of session files read and their total.
    Returns: columns of ``field_estimates`` plus protocol (of computed values), in_range (yes, no or
        NaN) and standard_error [mL/kg/min]. taken_at is the date, or the instant in UTC.
    """
    laboratory = laboratory_values(study, progress=progress)
    readings = field_readings(
        study, laboratory.frame, sessions=laboratory.sessions, training=laboratory.training
    ).frame
    instant = readings["instant"].dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    return readings.assign(
        taken_at=instant.where(
            readings["instant"].notna(), readings["date"].dt.strftime("%Y-%m-%d")
        ),
        vo2max_ml_kg_min=readings["field"],
        vo2max_l_min=readings["field_l_min"],
        protocol=readings["method"].where(readings["source"] != "field_estimates"),
    )[ESTIMATE_COLUMNS]
