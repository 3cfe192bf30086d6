"""Invented tables as the files of a study folder."""

import gzip
from collections.abc import Mapping
from pathlib import Path

import pandas as pd

# columns of a study folder that the simulator fills
COLUMNS = {
    "athletes": ["athlete_id", "sex", "age_years", "stature_cm", "mass_kg", "hr_limiting_drug"],
    "lab_tests": [
        "lab_test_id",
        "athlete_id",
        "date",
        "mode",
        "vo2max_ml_kg_min",
        "mass_kg",
        "averaging_rule",
        "hr_max_bpm",
        "rer_max",
        "rpe_max",
        "lactate_mmol_l",
        "plateau",
        "verification_vo2max_ml_kg_min",
    ],
    "field_estimates": [
        "athlete_id",
        "taken_at",
        "method",
        "mode",
        "vo2max_ml_kg_min",
        "sensor",
        "set_mass_kg",
        "set_hr_max_bpm",
        "set_age_years",
    ],
    "field_tests": [
        "field_test_id",
        "athlete_id",
        "date",
        "protocol",
        "distance_m",
        "stage",
        "speed_km_h",
    ],
    "sessions": [
        "session_id",
        "athlete_id",
        "started_at",
        "mode",
        "duration_min",
        "sensor",
        "intermittent",
        "zone1_min",
        "zone2_min",
        "zone3_min",
    ],
}


def csv_text(frame: pd.DataFrame, *, separator: str = ",", decimal: str = ".") -> str:
    """Return a table as CSV: whole numbers without point, times to the minute, missing empty."""
    plain = frame.copy()
    for name, column in frame.items():
        if pd.api.types.is_datetime64_any_dtype(column):
            whole_days = bool((column == column.dt.normalize()).all())
            plain[name] = column.dt.strftime("%Y-%m-%d" if whole_days else "%Y-%m-%dT%H:%M")
    text = plain.to_csv(
        index=False, sep=separator, decimal=decimal, lineterminator="\n", float_format="%.10g"
    )
    return str(text)


def packed(text: str) -> bytes:
    """Compress without a time stamp, so that the same text gives the same bytes."""
    return gzip.compress(text.encode(), mtime=0)


def write_files(folder: str | Path, files: Mapping[str, bytes]) -> Path:
    """Write files below a folder, which is made if missing, and return it."""
    root = Path(folder)
    for name, content in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return root
