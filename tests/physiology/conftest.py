"""Checked tables made by hand, as `tables` hands them to the physiology."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from agreement.tables.columns import INPUTS
from agreement.tables.options import StudyOptions

TEXT = [
    "athlete_id",
    "sex",
    "training_profile",
    "hr_limiting_drug",
    "file",
    "lab_test_id",
    "mode",
    "averaging_rule",
    "plateau",
    "tag",
    "method",
    "sensor",
    "field_test_id",
    "protocol",
    "completed",
    "session_id",
    "intermittent",
    "phase",
]
TIMES = ("date", "instant")
COLUMNS = {
    "athletes": "athlete_id sex birth_year age_years stature_cm mass_kg training_profile "
    "hr_limiting_drug",
    "lab_tests": "lab_test_id athlete_id date mode vo2max mass_kg averaging_rule hr_max_bpm rer_max "
    "rpe_max lactate_mmol_l plateau verification_vo2max_ml_kg_min barometric_pressure_mmhg "
    "temperature_c exercise_start_s exercise_end_s vt1_vo2_ml_kg_min vt1_hr_bpm vt2_vo2_ml_kg_min "
    "vt2_hr_bpm rater2_vt1_vo2_ml_kg_min rater2_vt1_hr_bpm rater2_vt2_vo2_ml_kg_min "
    "rater2_vt2_hr_bpm tag exercise_start_clock_s exercise_end_clock_s",
    "field_estimates": "athlete_id instant date method mode vo2max vo2max_l_min sensor set_mass_kg "
    "set_hr_max_bpm set_age_years",
    "field_tests": " ".join((*INPUTS["field_tests"].columns, "instant")),
    "sessions": "session_id athlete_id instant date mode duration_min sensor intermittent "
    "temperature_c altitude_m tag zone1_min zone2_min zone3_min",
}


def _frame(rows, columns):
    """Return rows as a checked table: all columns, each of its type."""
    frame = pd.DataFrame(rows).reindex(columns=columns)
    kinds = {
        c: "str" if c in TEXT else "datetime64[us]" if c in TIMES else "float64" for c in columns
    }
    return frame.astype(kinds)


def _table(name, rows):
    frame = _frame(rows, COLUMNS[name].split())
    file = pd.Series([f"{name}.csv"] * len(frame), dtype="str")
    return frame.assign(file=file, row=np.arange(2, len(frame) + 2))


@pytest.fixture(scope="session")
def make_study():
    """Return a maker of checked tables from lists of rows."""

    empty = {name: _table(name, []) for name in COLUMNS}  # built once: they are most of the tables

    def make(*, options=None, breaths=None, samples=None, **rows):
        tables = empty | {name: _table(name, table) for name, table in rows.items()}
        return SimpleNamespace(
            options=options or StudyOptions(),
            breaths=breaths or {},
            samples=samples or {},
            folder=Path(),
            names={},
            **tables,
        )

    return make


@pytest.fixture(scope="session")
def breath_frame():
    """Return a maker of breath recordings with all their columns."""

    def make(**columns):
        names = [
            "t_s",
            "vo2_ml_min",
            "vco2_ml_min",
            "ve_l_min",
            "hr_bpm",
            "speed_m_s",
            "grade",
            "power_w",
            "phase",
            "ve_stpd_l_min",
            "vo2_ml_kg_min",
            "rer",
        ]
        return _frame(columns, names)

    return make
