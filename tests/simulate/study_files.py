"""What the simulator puts into a study folder, and how it gets there."""

import gzip
from collections.abc import Mapping
from pathlib import Path

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


def packed(content: bytes) -> bytes:
    """Compress without a time stamp, so that the same content gives the same bytes."""
    return gzip.compress(content, mtime=0)


def write_files(folder: str | Path, files: Mapping[str, bytes]) -> Path:
    """Write files below a folder, which is made if missing, and return it."""
    root = Path(folder)
    for name, content in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return root
