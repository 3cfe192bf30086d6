"""
Field tests through `estimate`: the worked values of their equations.

Coefficients: sources named per row, read unless said; values computed from the equation by hand,
not printed in the sources. Tolerance: half the last digit.
"""

import pytest

LB_165_3 = 165.3 * 0.45359237  # kg
MPH_4 = 4 * 1.609344  # km/h

# athlete, protocol, inputs, mL/kg/min, mode
TESTS = [
    ("M35", "run_12min_1968", {"distance_m": 2800}, 51.31, "run"),  # Cooper 1968
    ("M35", "run_1_5mile_1993", {"time_min": 11.0, "mass_kg": 75}, 48.85, "run"),  # George 1993
    ("M35", "run_1_5mile_inverse_time", {"time_min": 11.0}, 47.41, "run"),  # secondary pages
    ("C12", "shuttle_20m_1988_child", {"speed_km_h": 11.5}, 50.48, "run"),  # Leger 1988
    ("C12", "shuttle_20m_1988_child", {"stage": 7}, 50.48, "run"),  # 8 + 0.5 x 7 km/h
    ("M35", "shuttle_20m_1988_adult", {"speed_km_h": 13.0}, 50.60, "run"),  # Leger 1988
    ("M35", "shuttle_20m_1982", {"speed_km_h": 13.0}, 56.68, "run"),  # Leger & Lambert 1982
    ("M35", "hr_ratio_2004", {"hr_max_bpm": 185, "hr_rest_bpm": 55}, 51.46, None),  # Uth 2004
    ("M35", "cycle_max_power_1990", {"power_w": 300, "mass_kg": 75}, 50.42, "cycle"),  # Storer 1990
    ("M35", "walk_treadmill_1991", {"speed_km_h": MPH_4, "hr_bpm": 140}, 50.38, "walk"),  # Ebbeling
    ("M35", "step_3min_1972", {"hr_bpm": 140}, 52.53, "step"),  # McArdle 1972; men second-hand
    ("F35", "step_3min_1972", {"hr_bpm": 150}, 38.11, "step"),
    ("M35", "race_time_1979", {"distance_m": 10000, "time_min": 40}, 51.94, "run"),
    ("M35", "race_time_1979", {"distance_m": 5000, "time_min": 20}, 49.81, "run"),
    ("M35", "shuttle_intermittent_1_2008", {"distance_m": 1120}, 45.81, "run"),  # memory
]


@pytest.fixture(scope="module")
def estimates(new_study, run_quickly, read_csv):
    """Return athlete, protocol, day -> row of the estimates table."""
    study = new_study()
    study.athlete("M35", sex="male", age_years=35, mass_kg=75)
    study.athlete("F35", sex="female", age_years=35, mass_kg=60)
    study.athlete("C12", sex="male", age_years=12, mass_kg=40)
    study.athlete("M45", sex="male", age_years=45, mass_kg=LB_165_3)
    for athlete in ("M35", "F35", "C12", "M45"):
        study.lab(athlete, 0, 50)
    for i, (athlete, protocol, inputs, _, _) in enumerate(TESTS):
        study.field_test(athlete, i, protocol, field_test_id=f"F{i}", **inputs)
    study.field_test("M45", 50, "walk_1mile_1987", time_min=13.5, hr_bpm=130)
    study.field_test("M45", 51, "run_1_5mile_1993", time_min=11.0)  # built on 18 to 29 years
    out = study.parent / "estimates.csv"
    ran = run_quickly("estimate", study.save(), "--out", out)
    assert ran.code == 0, ran.stderr
    table = read_csv(out)
    return {(r.athlete_id, r.protocol, str(r.taken_at)[:10]): r for r in table.itertuples()}


@pytest.mark.parametrize("i", range(len(TESTS)), ids=[f"{t[1]}-{t[3]}" for t in TESTS])
def test_worked_values(estimates, date_of, i):
    athlete, protocol, _, value, mode = TESTS[i]
    row = estimates[athlete, protocol, date_of(i)]
    assert row.vo2max_ml_kg_min == pytest.approx(value, abs=0.006)
    assert row.method == protocol
    if mode:
        assert row.mode == mode


def test_the_one_mile_walk_in_either_printed_form(estimates, date_of):
    # Kline 1987: 3.389 L/min in the absolute form, 44.59 mL/kg/min in the relative one
    value = estimates["M45", "walk_1mile_1987", date_of(50)].vo2max_ml_kg_min
    assert min(abs(value - 3389 / LB_165_3), abs(value - 44.59)) < 0.01


def test_people_outside_the_population_of_an_equation_are_flagged_and_kept(estimates, date_of):
    assert estimates["M45", "run_1_5mile_1993", date_of(51)].in_range == "no"
    assert estimates["M35", "race_time_1979", date_of(12)].in_range == "yes"
