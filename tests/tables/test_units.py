"""Units of other files, against printed and defined values."""

import numpy as np
import pytest

from agreement.tables.units import looks_like_unit, unit_of


@pytest.mark.parametrize(
    ("column", "unit", "theirs", "ours", "half_digit"),
    [
        # definitions (memory): 1 lb = 0.45359237 kg, 1 in = 2.54 cm, 1 mile = 1609.344 m
        ("mass_kg", "lb", 1, 0.45359237, 1e-12),
        ("stature_cm", "in", 70, 177.8, 1e-9),
        ("stature_cm", "m", 1.75, 175, 1e-9),
        ("distance_m", "mile", 1.5, 2414.016, 1e-9),
        ("distance_m", "km", 2.8, 2800, 1e-9),
        ("time_min", "s", 90, 1.5, 1e-12),
        ("duration_min", "h", 1.5, 90, 1e-12),
        ("speed_km_h", "m/s", 10, 36, 1e-12),
        ("speed_km_h", "mph", 10, 16.09344, 1e-9),
        ("speed_km_h", "min/km", 5, 12, 1e-12),
        ("speed_m_s", "km/h", 36, 10, 1e-12),
        ("speed_m_s", "min/km", 5, 1000 / 300, 1e-12),
        ("temperature_c", "F", 212, 100, 1e-9),
        ("temperature_c", "K", 293.15, 20, 1e-9),
        # 1 mmHg = 0.133322 kPa (physiology sheet 1.1): the standard atmosphere is 760 mmHg
        ("barometric_pressure_mmhg", "hPa", 1013.25, 760.0, 0.05),
        ("barometric_pressure_mmhg", "kPa", 101.325, 760.0, 0.05),
        # 1 W = 6.12 kg.m/min (physiology sheet 3, read)
        ("power_w", "kg.m/min", 612, 100, 1e-9),
        # lactate of 9 mg/dL is 1 mmol/L (common practice, no source)
        ("lactate_mmol_l", "mg/dL", 72, 8.0, 0.05),
        ("grade", "%", 1, 0.01, 1e-12),
        ("fat_percent", "fraction", 0.2, 20, 1e-12),
        ("vo2_ml_min", "L/min", 3.978, 3978, 1e-9),
    ],
)
def test_conversions(column, unit, theirs, ours, half_digit):
    name, found = unit_of(column, unit)
    assert name == column
    assert found.convert(np.array([float(theirs)]))[0] == pytest.approx(ours, abs=half_digit)


def test_a_pace_of_zero_has_no_speed():
    assert np.isnan(unit_of("speed_km_h", "min/km")[1].convert(np.array([0.0]))[0])


@pytest.mark.parametrize("text", ["LB", " lb ", "(lb)", "[lb]"])
def test_spellings_of_a_unit(text):
    assert unit_of("mass_kg", text) == unit_of("mass_kg", "lb")


def test_unknown_units_and_columns_without_unit():
    assert unit_of("mass_kg", "stone") is None
    assert unit_of("tag", "kg") is None
    assert looks_like_unit("mL/kg/min")
    assert looks_like_unit("yyyy-mm-dd")
    assert not looks_like_unit("52.4")
    assert not looks_like_unit("unknown")
