import numpy as np
import pandas as pd
import pytest
from held import held

from agreement.errors import TableError
from agreement.physiology.equations import (
    KG_PER_POUND,
    submaximal_1954,
    submaximal_1954_line,
    walk_1987,
)
from agreement.physiology.field_tests import PROTOCOLS, protocol, protocols_frame
from agreement.physiology.laboratory import laboratory_values
from agreement.physiology.readings import field_readings

EXAMPLES = held("field_test_examples")["examples"]
DAY = pd.Timestamp("2026-03-02")


@pytest.fixture
def readings_of(make_study):
    """Return the readings of field tests by one athlete, given as (protocol, inputs)."""

    def compute(*tests, sex="male", **athlete):
        sex = tests[0][1].get("sex", sex)
        who = {"athlete_id": "A", "sex": sex} | athlete
        rows = [{"athlete_id": "A", "date": DAY, "protocol": name} | given for name, given in tests]
        study = make_study(athletes=[who], field_tests=rows)
        return field_readings(study, laboratory_values(study))

    return compute


@pytest.fixture(scope="module")
def example_values(make_study):
    """Return the values of all worked examples, each as one athlete's test."""
    athletes, tests = [], []
    for i, example in enumerate(EXAMPLES):
        who = {"athlete_id": f"A{i}"}
        athletes.append(who | {"sex": example["inputs"].get("sex", "male")})
        tests.append(who | {"date": DAY, "protocol": example["protocol"]} | example["inputs"])
    study = make_study(athletes=athletes, field_tests=tests)
    found = field_readings(study, laboratory_values(study)).frame
    return found.set_index("athlete_id")["field"]


@pytest.mark.parametrize("number", range(len(EXAMPLES)), ids=[e["protocol"] for e in EXAMPLES])
def test_worked_examples(example_values, number):
    example = EXAMPLES[number]
    value = example_values[f"A{number}"]
    assert value == pytest.approx(example["expected"], abs=example["half_digit"])


def test_every_protocol_has_an_example_or_a_test_below():
    below = {
        "walk_1mile_1987",
        "cycle_submax_1954",
        "cycle_submax_1954_line",
        "cycle_submax_1960",
        *STAGE_LINES,
        "no_exercise_2011_waist",
    }
    assert {e["protocol"] for e in EXAMPLES} | below == set(PROTOCOLS)


def test_walk_of_a_mile_in_litres():
    # Kline 1987 (coefficients read in the abstract; value computed): 3.389 L/min
    found = walk_1987(165.3 * KG_PER_POUND, 45, 1, 13.5, 130)
    assert found == pytest.approx(3.389, abs=0.0005)


@pytest.mark.parametrize(
    ("uptake", "male", "expected", "printed"),
    [(2.1, 1.0, 3.16, 3.2), (1.5, 0.0, 2.42, 2.4)],
)
def test_nomogram_of_1954(uptake, male, expected, printed):
    # closed forms from memory; the nomogram's table gives 3.2 and 2.4 L/min at 150 bpm
    hr, sex = np.array([150.0]), np.array([male])
    value = submaximal_1954(np.array([uptake]), hr, sex).item()
    assert value == pytest.approx(expected, abs=0.005)
    assert value == pytest.approx(printed, abs=0.05)
    other = submaximal_1954_line(np.array([uptake]), hr, sex).item()
    share = other / value - 1
    assert abs(share) < 0.01 if male else 0.04 < share < 0.05


def test_submaximal_cycle_tests_by_hand(readings_of):
    # 147.06 W are 900 kg.m/min, which the nomogram puts at 2.1 L/min; 3.1618 L/min at 70 kg
    inputs = {"power_w": 900 / 6.12, "hr_bpm": 150, "mass_kg": 70, "age_years": 45}
    names = ("cycle_submax_1954", "cycle_submax_1960")
    found = readings_of(*((n, inputs) for n in names)).frame.set_index("method")["field"]
    assert found["cycle_submax_1954"] == pytest.approx(3161.8 / 70, abs=0.005)
    # age factor 0.78 at 45 (Astrand 1960, memory): 2.47 L/min
    assert found["cycle_submax_1960"] * 0.07 == pytest.approx(2.47, abs=0.005)


# Two stages each, by hand: uptakes from the coefficients of the sources (abstracts read; 10.8 W/M + 7
# and the lines of walking and running from Bushman 2020, read), then the line at HRmax.
STAGE_LINES = {
    # 21.4 at 120 and 28.6 at 145, at 180: 28.6 + 35 * 7.2 / 25
    "cycle_stages_hr": ("power_w", (100, 150), (120, 145), 180, {"mass_kg": 75}, 38.68),
    # 150 and 200 m/min on the level: 33.5 and 43.5
    "run_stages_2020": ("speed_km_h", (9, 12), (140, 170), 185, {"grade": 0}, 48.5),
    # 80 m/min at 5 and 10 %: 18.7 and 25.9
    "walk_stages_2020": ("grade", (0.05, 0.10), (110, 140), 180, {"speed_km_h": 4.8}, 35.5),
    # 20 and 25 steps a minute of 0.3 m: 21.9 and 26.5
    "step_stages_2001": ("step_rate_min", (20, 25), (120, 150), 180, {"step_height_cm": 30}, 31.1),
    # men: 2.8278 and 3.9578 L/min at 80 kg
    "row_stages_2003": ("power_w", (150, 250), (140, 170), 190, {"mass_kg": 80}, 58.8892),
    # 2100 and 2800 mL/min at 70 kg: 30 and 40
    "stages_measured_1961": (
        "vo2_ml_min", (2100, 2800), (120, 150), 180, {"mass_kg": 70, "mode": "ski"}, 50.0,
    ),
}  # fmt: skip


def stage_rows(name, **changed):
    column, work, hr, top, more, _ = STAGE_LINES[name]
    given = {"field_test_id": "F", "hr_max_bpm": top} | more | changed
    pairs = zip(work, hr, strict=True)
    return [(name, given | {column: one, "hr_bpm": beats}) for one, beats in pairs]


@pytest.mark.parametrize("name", STAGE_LINES)
def test_stages_of_every_kind_by_hand(readings_of, name):
    found = readings_of(*stage_rows(name))
    assert found.frame["field"].item() == pytest.approx(STAGE_LINES[name][-1], abs=5e-4)
    assert found.frame["mode"].item() == (protocol(name).mode or "ski")
    assert found.members["row"].tolist() == [2, 3]
    assert found.heart_rate_based == {name: True}


def test_rowing_stages_of_a_woman_by_hand(readings_of):
    # 100 and 200 W at 70 kg: 27.7886 and 46.0743; at 185: 46.0743 + 15 * 18.2857 / 30
    rows = [
        ("row_stages_2003", {"power_w": w, "hr_bpm": h, "hr_max_bpm": 185, "mass_kg": 70})
        for w, h in ((100, 140), (200, 170))
    ]
    found = readings_of(*rows, sex="female").frame["field"].item()
    assert found == pytest.approx(55.2171, abs=5e-4)
    unknown = readings_of(*rows, sex="unknown")
    assert unknown.set_aside["message"].str.contains("needs sex").all()


@pytest.mark.parametrize(
    ("name", "without", "said"),
    [
        ("run_stages_2020", "grade", "needs grade"),
        ("step_stages_2001", "step_height_cm", "needs step_height_cm"),
        ("stages_measured_1961", "mass_kg", "needs vo2_ml_kg_min (or vo2_ml_min and mass_kg)"),
        ("stages_measured_1961", "mode", "needs mode"),
    ],
)
def test_what_a_stage_lacks_is_said_once_for_its_test(readings_of, name, without, said):
    found = readings_of(*stage_rows(name, **{without: np.nan}))
    assert found.set_aside["reason"].tolist() == ["missing_value"] * 2
    (told,) = [p for p in found.problems if p.severity == "set_aside"]
    assert said in told.what
    assert told.what.endswith("(rows 2 to 3).")
    assert "values of [files.field_tests]" in told.remedy


def test_measured_uptake_per_kg_needs_no_mass(readings_of):
    rows = [
        (
            "stages_measured_1961",
            {"vo2_ml_kg_min": v, "hr_bpm": h, "hr_max_bpm": 180, "mode": "run"},
        )
        for v, h in ((30, 120), (40, 150))
    ]
    assert readings_of(*rows).frame["field"].item() == pytest.approx(50)


@pytest.mark.parametrize(
    ("name", "changed", "range_"),
    [
        ("run_stages_2020", {}, "yes"),
        ("walk_stages_2020", {"speed_km_h": 7.5}, "no"),
        ("step_stages_2001", {"age_years": 25}, "yes"),
        ("step_stages_2001", {"age_years": 50}, "no"),
        ("step_stages_2001", {}, "unknown"),  # the age is not known
        ("cycle_stages_hr", {"mass_kg": 70}, "yes"),
    ],
)
def test_stages_outside_what_the_cost_was_measured_for_are_flagged(
    readings_of, name, changed, range_
):
    found = readings_of(*stage_rows(name, **changed)).frame
    assert found["in_range"].fillna("unknown").item() == range_


def test_speeds_of_stages_that_are_stage_numbers_give_no_number(readings_of):
    rows = [
        (
            "walk_stages_2020",
            {"speed_km_h": s, "grade": 0.1, "hr_bpm": 100 + 20 * s, "hr_max_bpm": 180},
        )
        for s in (1, 2)
    ]
    found = readings_of(*rows)
    assert found.frame.empty
    assert found.set_aside["message"].str.contains("stage numbers or m/s").all()


def test_stages_are_carried_to_the_maximum_that_the_laboratory_measured(make_study):
    """Of the nearest test of the same mode; an age formula only where nobody measured one."""
    column, work, hr, top, _, expected = STAGE_LINES["cycle_stages_hr"]
    rows = [
        {"athlete_id": "A", "date": DAY, "protocol": "cycle_stages_hr", column: w, "hr_bpm": h}
        for w, h in zip(work, hr, strict=True)
    ]
    lab = {"athlete_id": "A", "vo2max": 45, "averaging_rule": "moving 30 s"}
    tests = [
        lab | {"lab_test_id": "L1", "date": DAY, "mode": "cycle", "hr_max_bpm": top, "mass_kg": 75},
        lab | {"lab_test_id": "L2", "date": DAY, "mode": "run", "hr_max_bpm": 199, "mass_kg": 80},
    ]
    who = {"athlete_id": "A", "age_years": 40}
    study = make_study(athletes=[who], field_tests=rows, lab_tests=tests)
    found = field_readings(study, laboratory_values(study))
    assert found.frame["field"].item() == pytest.approx(expected, abs=5e-4)
    told = {p.column: p.what for p in found.problems if p.reason == "from_laboratory"}
    assert set(told) == {"hr_max_bpm", "mass_kg"}
    assert told["hr_max_bpm"].startswith("1 test without hr_max_bpm of their own")
    nobody = make_study(athletes=[who | {"mass_kg": 75}], field_tests=rows, lab_tests=[])
    by_age = field_readings(nobody, laboratory_values(nobody))
    (note,) = [p for p in by_age.problems if p.reason == "hr_max_by_age"]
    assert "1 athlete has no measured HRmax" in note.what


def test_the_error_of_a_line_through_measured_stages_is_that_of_least_squares(readings_of):
    """Against the prediction error of statsmodels: mean of a line at HRmax."""
    import statsmodels.api as sm

    hr, vo2 = np.array([118.0, 131, 144, 152, 166]), np.array([27.0, 33.1, 37.2, 41.9, 46.3])
    rows = [
        (
            "stages_measured_1961",
            {"vo2_ml_kg_min": v, "hr_bpm": h, "hr_max_bpm": 188, "mode": "run"},
        )
        for v, h in zip(vo2, hr, strict=True)
    ]
    found = readings_of(*rows).frame
    line = sm.OLS(vo2, sm.add_constant(hr)).fit().get_prediction([[1.0, 188.0]])
    assert found["field"].item() == pytest.approx(line.predicted_mean[0])
    assert found["standard_error"].item() == pytest.approx(line.se_mean[0])


def test_two_stages_on_a_cycle(readings_of):
    # 10.8 W/M + 7: 21.4 at 120 and 28.6 at 145, at 180: 28.6 + 35 * 7.2 / 25 = 38.68, by hand
    stages = [
        (
            "cycle_stages_hr",
            {"field_test_id": "F", "power_w": w, "hr_bpm": h, "hr_max_bpm": 180, "mass_kg": 75},
        )
        for w, h in ((100, 120), (150, 145))
    ]
    found = readings_of(*stages)
    assert found.frame["field"].item() == pytest.approx(38.68, abs=1e-9)
    assert np.isnan(found.frame["standard_error"].item())
    assert found.members["row"].tolist() == [2, 3]
    assert any("two stages" in p.what for p in found.problems)


def test_stages_too_close_together_are_refused_with_the_reason(readings_of):
    stages = [
        (
            "cycle_stages_hr",
            {"field_test_id": "F", "power_w": w, "hr_bpm": h, "hr_max_bpm": 180, "mass_kg": 75},
        )
        for w, h in ((100, 138), (120, 142), (150, 146))
    ]
    found = readings_of(*stages)
    assert found.frame.empty
    assert found.set_aside["reason"].tolist() == ["extrapolation_refused"] * 3
    assert found.set_aside["message"].str.contains("span 8 bpm").all()


def test_waist_model_by_hand(readings_of):
    # Nes 2011 (quoted): 100.27 - 0.296*40 - 0.369*90 - 0.155*60 + 0.226*10 = 48.18
    inputs = {"age_years": 40, "waist_cm": 90, "hr_rest_bpm": 60, "activity_score": 10}
    found = readings_of(("no_exercise_2011_waist", inputs)).frame
    assert found["field"].item() == pytest.approx(48.18, abs=0.005)
    assert found["mode"].item() == "resting"


def test_out_of_range_is_kept_and_flagged(readings_of):
    found = readings_of(
        ("run_1_5mile_1993", {"time_min": 12, "mass_kg": 70, "age_years": 63}),
        ("run_1_5mile_1993", {"time_min": 12, "mass_kg": 70, "age_years": 22}),
        ("run_1_5mile_1993", {"time_min": 12, "mass_kg": 70}),
    ).frame
    assert found["field"].notna().all()
    assert found["in_range"].fillna("unknown").tolist() == ["no", "yes", "unknown"]


def test_an_equation_of_the_other_sex_is_flagged(readings_of):
    ratio = {"hr_max_bpm": 185, "hr_rest_bpm": 55, "age_years": 30}
    assert readings_of(("hr_ratio_2004", ratio), sex="female").frame["in_range"].item() == "no"
    assert readings_of(("hr_ratio_2004", ratio), sex="male").frame["in_range"].item() == "yes"


def test_a_limit_for_one_sex_holds_for_that_sex(readings_of):
    jog = {"time_min": 8.5, "mass_kg": 60, "hr_bpm": 160, "age_years": 22}
    assert readings_of(("run_1mile_jog_1993", jog), sex="male").frame["in_range"].item() == "yes"
    assert readings_of(("run_1mile_jog_1993", jog), sex="female").frame["in_range"].item() == "no"


@pytest.mark.parametrize(
    ("name", "inputs", "sex", "words"),
    [
        ("run_12min_1968", {"time_min": 12}, "male", "distance_m"),
        ("run_1_5mile_1993", {"time_min": 12}, "male", "mass_kg"),
        ("run_1_5mile_1993", {"time_min": 12, "mass_kg": 70}, "unknown", "sex"),
        ("shuttle_20m_1982", {"stage": 8}, "male", "speed_km_h"),  # it has no stage rule of its own
        ("cycle_stages_hr", {"power_w": 100, "mass_kg": 70}, "male", "hr_bpm"),
    ],
)
def test_a_missing_input_is_named(readings_of, name, inputs, sex, words):
    found = readings_of((name, inputs), sex=sex)
    assert found.frame.empty
    assert found.set_aside["reason"].item() == "missing_value"
    assert words in found.set_aside["message"].item()
    assert found.set_aside["row"].item() == 2


@pytest.mark.parametrize(
    ("name", "inputs", "words"),
    [
        ("run_12min_1968", {"distance_m": 7}, "distance_m 7"),  # laps
        ("run_1_5mile_inverse_time", {"time_min": 690}, "time_min 690"),  # seconds: 4.2
        ("shuttle_20m_1988_adult", {"speed_km_h": 7}, "if it is a stage number"),
    ],
)
def test_a_wrong_unit_never_gives_a_number(readings_of, name, inputs, words):
    found = readings_of((name, inputs))
    assert found.frame.empty
    assert found.set_aside["reason"].item() == "out_of_range"
    assert words in found.set_aside["message"].item()


def test_a_grade_in_per_cent_is_flagged(readings_of):
    walk = {"speed_km_h": 6, "hr_bpm": 130, "age_years": 35, "grade": 5}
    assert readings_of(("walk_treadmill_1991", walk)).frame["in_range"].item() == "no"
    assert (
        readings_of(("walk_treadmill_1991", walk | {"grade": 0.05})).frame["in_range"].item()
        == "yes"
    )


def test_a_stage_turned_into_a_speed_is_said(readings_of):
    found = readings_of(("shuttle_20m_1988_adult", {"stage": 10}))
    assert any("8 + 0.5 x stage" in p.what and p.column == "stage" for p in found.problems)


def shuttles(*speeds, protocol="shuttle_20m_1988_adult"):
    return [(protocol, {"speed_km_h": speed}) for speed in speeds]


def test_stage_numbers_that_could_be_speeds_leave_with_those_that_could_not(readings_of):
    # stages 7 to 12 typed as speeds: 9 to 12 km/h would give believable 26.6 to 44.6 mL/kg/min
    found = readings_of(*shuttles(7, 9, 10, 12))
    assert found.frame.empty
    assert found.set_aside["reason"].tolist() == ["out_of_range"] * 4
    assert found.set_aside["message"].str.contains("put it under stage").all()


def test_one_slow_speed_does_not_condemn_half_steps(readings_of):
    found = readings_of(*shuttles(7, 9, 10.5, 12))
    assert found.frame["field"].notna().sum() == 3
    assert len(found.set_aside) == 1


def test_whole_numbers_without_a_half_are_asked_about(readings_of):
    few, many = shuttles(9, 10, 11, 12, 13), shuttles(9, 10, 11, 12, 13, 14)
    asked = [p for p in readings_of(*many).problems if p.column == "speed_km_h"]
    assert "All 6 speeds of shuttle_20m_1988_adult are whole numbers" in asked[0].what
    assert not [p for p in readings_of(*few).problems if p.column == "speed_km_h"]


def test_two_minute_stages_turn_into_no_speed(readings_of):
    slow = readings_of(*shuttles(6, protocol="shuttle_20m_1982"))
    assert "below the first stage (7.5 km/h)" in slow.set_aside["message"].item()
    stage = readings_of(("shuttle_20m_1982", {"stage": 6}))
    assert stage.set_aside["reason"].tolist() == ["missing_value"]


@pytest.mark.parametrize(
    ("name", "inputs", "words"),
    [  # each would give a number that looks fine: 58.8, and 9.5 mL/kg/min
        ("step_3min_1972", {"hr_bpm": 38}, "hr_bpm 38 is too low"),  # beats in 15 s
        ("cycle_max_power_1990", {"power_w": 4.2, "mass_kg": 70, "age_years": 30}, "W/kg"),
    ],
)
def test_an_input_of_another_quantity_gives_no_number(readings_of, name, inputs, words):
    found = readings_of((name, inputs), sex="female" if name.startswith("step") else "male")
    assert found.frame.empty
    assert found.set_aside["reason"].tolist() == ["out_of_range"]
    assert words in found.set_aside["message"].item()


def test_stage_numbers_for_powers_give_no_number(readings_of):
    stages = [
        (
            "cycle_stages_hr",
            {"power_w": i, "hr_bpm": 110 + 15 * i, "hr_max_bpm": 190, "mass_kg": 40},
        )
        for i in range(1, 5)
    ]
    found = readings_of(*stages)
    assert found.frame.empty
    assert set(found.set_aside["reason"]) == {"out_of_range"}
    assert found.set_aside["message"].str.contains("stage numbers").all()


def test_an_unfinished_test_is_set_aside(readings_of):
    found = readings_of(("run_12min_1968", {"distance_m": 2400, "completed": "no"}))
    assert found.set_aside["reason"].tolist() == ["not_completed"]


def test_mass_age_and_stature_come_from_the_athlete_with_a_note(readings_of):
    own = readings_of(("run_1_5mile_1993", {"time_min": 12, "mass_kg": 80}), mass_kg=70)
    filled = readings_of(("run_1_5mile_1993", {"time_min": 12}), mass_kg=80)
    assert filled.frame["field"].item() == own.frame["field"].item()
    assert any(p.column == "mass_kg" for p in filled.problems)
    assert not any(p.column == "mass_kg" for p in own.problems)


@pytest.mark.parametrize(
    ("name", "inputs", "sex", "expected"),
    [
        # published 0.325 L/min, 147 and 212 mL/min, 1.45 MET; turned into mL/kg/min at this mass
        (
            "walk_1mile_1987",
            {"time_min": 14, "hr_bpm": 120, "mass_kg": 65, "age_years": 40},
            "male",
            5.0,
        ),
        ("cycle_max_power_1990", {"power_w": 200, "mass_kg": 60, "age_years": 40}, "female", 2.45),
        ("cycle_max_power_1990", {"power_w": 250, "mass_kg": 80, "age_years": 40}, "male", 2.65),
        (
            "no_exercise_2005",
            {
                "activity_score": 0,
                "age_years": 40,
                "mass_kg": 70,
                "stature_cm": 175,
                "hr_rest_bpm": 60,
            },
            "male",
            5.075,
        ),
    ],
)
def test_published_errors_per_kilogram(readings_of, name, inputs, sex, expected):
    found = readings_of((name, inputs), sex=sex).frame
    assert found["standard_error"].item() == pytest.approx(expected, abs=1e-9)


def test_an_unknown_protocol_stops_and_names_the_nearest(make_study):
    rows = [{"athlete_id": "A", "date": DAY, "protocol": "run_12min_1986", "distance_m": 2400}]
    study = make_study(field_tests=rows)
    with pytest.raises(TableError, match="run_12min_1968"):
        field_readings(study, laboratory_values(study))
    with pytest.raises(ValueError, match="no protocol"):
        protocol("sprint")


def test_the_table_of_protocols_is_complete():
    table = protocols_frame()
    assert table["protocol"].is_unique
    for column in ("title", "mode", "inputs", "population", "source", "provenance"):
        assert (table[column].str.len() > 2).all(), column
    assert set(table["provenance"]) <= {"read", "read second-hand", "memory", "derived"}
    based = table.set_index("protocol")["heart_rate_based"]
    uses_pulse = table.set_index("protocol")["inputs"].str.contains("hr_")
    assert ((based == "yes") == uses_pulse).all()


@pytest.fixture
def outside(make_study):
    """Return a function: a protocol's tests, each with its athlete -> the notes on their range."""

    def notes(name, *tests):
        athletes = [
            {"athlete_id": f"A{i}", "sex": sex, "age_years": age, "mass_kg": 70}
            for i, (sex, age, _) in enumerate(tests)
        ]
        rows = [
            {"athlete_id": f"A{i}", "date": DAY, "protocol": name} | inputs
            for i, (_, _, inputs) in enumerate(tests)
        ]
        study = make_study(athletes=athletes, field_tests=rows)
        found = field_readings(study, laboratory_values(study))
        return found, [p for p in found.problems if p.reason == "outside_equation"]

    return notes


def test_a_person_outside_an_equations_range_is_noted_with_row_value_and_range(outside):
    # George 1993 is for students of 18 to 29 years; the last run is too slow for any value
    found, notes = outside(
        "run_1_5mile_1993",
        ("male", 29, {"time_min": 11}),
        ("male", 63, {"time_min": 14}),
        ("female", 17, {"time_min": 13}),
        ("male", 63, {"time_min": 40}),
    )
    assert [(p.severity, p.file, p.row, p.column) for p in notes] == [
        ("note", "field_tests.csv", 3, "age_years"),
        ("note", "field_tests.csv", 4, "age_years"),
    ]
    assert notes[0].what == "age_years 63; run_1_5mile_1993 was made for 18 to 29 years."
    assert "The result stays and is flagged." in notes[0].remedy
    assert found.frame["in_range"].tolist() == ["yes", "no", "no"]  # the fourth is set aside


def test_many_people_outside_share_a_note_after_the_first_twenty(outside):
    _, notes = outside("run_1_5mile_1993", *[("male", 40, {"time_min": 12})] * 26)
    assert [p.row for p in notes] == [*range(2, 22), None]
    assert notes[-1].what == "6 more rows have the same problem."
