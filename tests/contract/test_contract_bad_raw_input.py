"""
Bad raw input, a study folder in: each a message or a coded exclusion, never a number that looks fine.

Every line of `CASES` spoils one good study. `said` is what `check` says of it: severity, reason, file
and a few words. `number` is the value that the pair then has: None where there must be none, else
that of the good study, which the spoilt rows must not move.
"""

from typing import NamedTuple

import numpy as np
import pytest
from invented_runner import HR_MAX, SPEEDS, steady_run
from turns import slowly

from agreement.cohort import inspect_cohort

TEST_DAY = 40
SESSIONS, STAGES, SHUTTLE = "sessions_hr", "cycle_stages_hr", "shuttle_20m_1988_adult"


# --- good studies of one athlete, which the cases spoil ----------------------------------------------


def sessions(study, spoil=lambda samples: samples, **lab):
    study.athlete("A1", sex="male", age_years=30, mass_kg=70)
    study.lab("A1", TEST_DAY, 51, mass_kg=70, **({"hr_max_bpm": HR_MAX} | lab))
    for i, speed in enumerate(SPEEDS):
        study.session("A1", TEST_DAY - 6 + i, duration_min=22)
        study.text(f"samples/S{i + 1}.csv", spoil(steady_run(speed, i)).to_csv(index=False))


def breaths(study, rows=None, heads=("t_s,vo2_ml_min",), mass=70, **lab):
    rows = rows or rising_breaths()
    study.lab("A1", TEST_DAY, "", mass_kg=mass, **({"averaging_rule": "moving 5 breaths"} | lab))
    study.two("A1", TEST_DAY, 52)
    study.text("breaths/T1.csv", "\n".join([*heads, *rows]) + "\n")


def rising_breaths():
    return [f"{2.5 * i},{min(1000 + 25 * i, 3500)}" for i in range(120)]  # 50 mL/kg/min at 70 kg


def with_columns(names, values):
    rows = [f"{row},{values}" for row in rising_breaths()]
    return lambda study: breaths(study, rows, [f"t_s,vo2_ml_min,{names}"])


def gas_in_a_high_room(study):
    # 119.9 L STPD beside 144.9 L BTPS is 761 mmHg (open treadmill file, read); the room had 700
    rows = [f"{row},90,{90 * 119.9 / 144.9}" for row in rising_breaths()]
    breaths(study, rows, ["t_s,vo2_ml_min,ve_l_min,ve_stpd_l_min"], barometric_pressure_mmhg=700)


def field_tests(study, protocol, rows, mode="run"):
    study.athlete("A1", sex="female", age_years=25)
    study.lab("A1", TEST_DAY, 51, mode=mode)
    for row in rows:
        study.field_test("A1", TEST_DAY - 2, protocol, **row)


def stages(study, powers=(125, 175, 225, 275), **more):
    beats = (120, 140, 160, 180)
    rows = [{"power_w": p, "hr_bpm": b} for p, b in zip(powers, beats, strict=True)]
    field_tests(study, STAGES, [row | {"hr_max_bpm": HR_MAX} | more for row in rows], "cycle")


# --- how samples are spoilt --------------------------------------------------------------------------


def heart_rate_zero(samples):
    return samples.assign(hr_bpm=np.where(samples.index % 3 == 0, 0, samples["hr_bpm"]))


def constant(samples):
    return samples.assign(hr_bpm=150)


def sensor_swapped(samples):
    beats = np.arange(len(samples))
    after = samples["hr_bpm"] + 35 + np.rint(9 * np.sin(beats / 10))
    return samples.assign(hr_bpm=np.where(beats > 150, after, samples["hr_bpm"]))


def locked_to_the_steps(samples):
    return samples.assign(hr_bpm=np.where(samples["t_s"] > 600, 172.0, samples["hr_bpm"]))


def gap(samples):
    return samples[(samples["t_s"] < 300) | (samples["t_s"] > 700)]


def grade_in_per_cent(samples):
    return samples.assign(grade=2.0)


def kilometres_per_hour(samples):
    return samples.assign(speed_m_s=samples["speed_m_s"] * 3.6)


def twice_and_backwards(samples):
    samples = samples.copy()
    samples.loc[100, "t_s"] = samples.loc[99, "t_s"]
    samples.loc[150, "t_s"] = samples.loc[40, "t_s"]
    return samples


class Case(NamedTuple):
    spoil: object
    said: tuple[str, str, str, str]  # severity, reason, file, words
    number: float | None = None
    method: str = "m"


def samples(spoil, words, *, reason="session_quality", number=None, severity="set_aside"):
    file = "sessions.csv" if severity == "set_aside" else "samples"
    said = (severity, reason, file, words)
    return Case(lambda study: sessions(study, spoil), said, number, SESSIONS)


def spikes(study):
    rows = rising_breaths()
    for at in (60, 115):
        rows[at] = f"{2.5 * at},9100"  # 130 mL/kg/min at 70 kg
    breaths(study, rows)


def breaths_twice_and_backwards(study):
    rows = rising_breaths()
    breaths(study, [*rows[:60], rows[59], rows[30], *rows[60:]])


BREATHS, LAB, TESTS = "breaths/T1.csv", "lab_tests.csv", "field_tests.csv"
ODD = ("note", "looks_wrong")
GONE = ("set_aside", "out_of_range", TESTS)
UNKNOWN = ("note", "out_of_range")
CASES = {
    # heart rate
    "heart rate 0": samples(heart_rate_zero, "has a heart rate that can be believed"),
    "heart rate constant": samples(constant, "has a heart rate that can be believed"),
    "locked to the steps": samples(locked_to_the_steps, "has a heart rate that can be believed"),
    "sensor swap mid-file": samples(sensor_swapped, "as after a change of sensor"),
    "104 for 194": Case(
        lambda study: sessions(study, hr_max_bpm=104),
        ("note", "hr_max_looks_wrong", LAB, "HRmax 104 is far below"),
        None,
        SESSIONS,
    ),
    "beats counted over 15 s": Case(
        lambda study: field_tests(study, "step_3min_1972", [{"hr_bpm": 38, "mode": "run"}]),
        (*GONE, "hr_bpm 38 is too low for exercise"),
        None,
        "step_3min_1972",
    ),
    # time
    "gaps": samples(gap, "has a heart rate that can be believed"),
    "time twice or backwards in a session": samples(
        twice_and_backwards,
        "2 of 264 samples were left out: their time repeats or runs backwards",
        reason="samples_edited",
        number=52,
        severity="note",
    ),
    "time twice or backwards in breaths": Case(
        breaths_twice_and_backwards,
        ("note", "breaths_edited", BREATHS, "2 of 122 breaths were left out: their time repeats"),
        50,
    ),
    # mass
    "missing mass, L/min": Case(
        lambda study: study.lab("A1", TEST_DAY, "", vo2max_l_min=3.5).two("A1", TEST_DAY, 52),
        ("set_aside", "no_mass", LAB, "No mass for A1"),
    ),
    "missing mass, breaths": Case(
        lambda study: breaths(study, mass=""),
        ("set_aside", "no_mass", LAB, "Breaths, but no body mass"),
    ),
    "missing mass, stages": Case(
        stages,
        ("set_aside", "missing_value", TESTS, "needs mass_kg"),
        None,
        STAGES,
    ),
    # one quantity for another
    "stage number for a speed": Case(
        lambda study: field_tests(study, SHUTTLE, [{"speed_km_h": 7}]),
        (*GONE, "if it is a stage number, put it under stage"),
        None,
        SHUTTLE,
    ),
    "stage numbers that could be speeds": Case(
        lambda study: [
            field_tests(study, SHUTTLE, [{"speed_km_h": 10}]),
            study.lab("A2", TEST_DAY, 51).field_test("A2", 38, SHUTTLE, speed_km_h=7),
        ],
        (*GONE, "Speed 10 km/h stands among whole numbers"),
        None,
        SHUTTLE,
    ),
    "stage numbers for powers": Case(
        lambda study: stages(study, (1, 2, 3, 4), mass_kg=40),
        (*GONE, "power_w may hold stage numbers"),
        None,
        STAGES,
    ),
    "laps for metres": Case(
        lambda study: field_tests(study, "run_12min_1968", [{"distance_m": 7}]),
        (*UNKNOWN, TESTS, "It may be laps, shuttles or kilometres"),
        None,
        "run_12min_1968",
    ),
    "shuttles for metres": Case(
        lambda study: field_tests(study, "shuttle_intermittent_1_2008", [{"distance_m": 28}]),
        (*UNKNOWN, TESTS, "It may be laps, shuttles or kilometres"),
        None,
        "shuttle_intermittent_1_2008",
    ),
    "hours for minutes": Case(
        lambda study: field_tests(study, "run_2mile_1987", [{"time_min": 0.22}]),
        (*UNKNOWN, TESTS, "It may be hours"),
        None,
        "run_2mile_1987",
    ),
    "km/h for m/s": samples(
        kilometres_per_hour, "what a person can reach", reason="extrapolation_refused"
    ),
    "grade in per cent in a session": samples(grade_in_per_cent, "it must be a fraction"),
    "grade in per cent in a test": Case(
        lambda study: field_tests(
            study, "walk_treadmill_1991", [{"grade": 5, "speed_km_h": 6, "hr_bpm": 130}], "walk"
        ),
        (*UNKNOWN, TESTS, "It looks like percent; a fraction is needed"),
        45.7,  # by hand at 3.728 mph, 130 bpm, 25 years, a woman: grade is not in the equation
        "walk_treadmill_1991",
    ),
    "exertion on the other scale": Case(
        lambda study: study.lab("A1", TEST_DAY, 51, rpe_max=9).two("A1", TEST_DAY, 52),
        (*ODD, LAB, "looks like a scale of 0 to 10"),
        51,
    ),
    "RER in per cent": Case(
        lambda study: study.lab("A1", TEST_DAY, 51, rer_max=110).two("A1", TEST_DAY, 52),
        (*UNKNOWN, LAB, "It looks like percent (110 for 1.10)"),
        51,
    ),
    "MET for mL/kg/min": Case(
        lambda study: [
            study.lab(f"A{i}", TEST_DAY, met).two(f"A{i}", TEST_DAY, 45)
            for i, met in enumerate((10.9, 12.7, 14.9))
        ],
        ("stop", "unit", LAB, "If it is in MET (x 3.5), say so"),
    ),
    "MET of fit people for mL/kg/min": Case(
        lambda study: [
            study.lab(f"A{i}", TEST_DAY, 3.5 * met).two(f"A{i}", TEST_DAY, met + 0.3)
            for i, met in enumerate((16.5, 17.5, 19.0))
        ],
        ("stop", "unit", "field_estimates.csv", "as between MET and mL/kg/min"),
    ),
    # gas columns
    "breaths in L/min": Case(
        lambda study: breaths(study, [f"{2.5 * i},{3.5}" for i in range(120)]),
        ("set_aside", "out_of_range", LAB, "if the breaths are in L/min, state units"),
    ),
    "spikes of 130 mL/kg/min": Case(
        spikes, ("note", "breaths_edited", BREATHS, "2 of 120 breaths were left out: below"), 50
    ),
    "pressure left at sea level": Case(
        gas_in_a_high_room, (*ODD, BREATHS, "implies 761 mmHg, the room had 700: oxygen uptake"), 50
    ),
    "one condition for both volumes": Case(
        with_columns("ve_l_min,ve_stpd_l_min", "90,90"), (*ODD, BREATHS, "the same conditions"), 50
    ),
    "ventilation in L/s": Case(
        with_columns("ve_l_min", "1.5"), (*ODD, BREATHS, "L of air per litre of oxygen"), 50
    ),
    "relative against absolute": Case(
        with_columns("vo2_ml_kg_min", "30"), (*ODD, BREATHS, "imply a mass of"), 50
    ),
    "RER in per cent in breaths": Case(
        with_columns("rer", "110"), (*ODD, BREATHS, "(110) is in per cent"), 50
    ),
    "two header rows": Case(
        lambda study: breaths(study, heads=("Ergospirometry;;", "t_s,vo2_ml_min", "s,mL/min")),
        ("note", "format_found", BREATHS, "row 3 holds units"),
        50,
    ),
}


# what the same guard finds in another quick case
AGAIN = (
    *("heart rate constant", "gaps", "missing mass, breaths", "stage numbers that could be speeds"),
    *("shuttles for metres", "MET of fit people for mL/kg/min", "ventilation in L/s"),
    *("time twice or backwards in a session", "RER in per cent in breaths"),
)


@pytest.mark.parametrize("name", [*(one for one in CASES if one not in AGAIN), *slowly(AGAIN)])
def test_bad_input_is_told_and_gives_no_number_that_looks_fine(study, name):
    case = CASES[name]
    case.spoil(study)
    severity, reason, file, words = case.said
    cohort, problems = inspect_cohort(study.save())  # what `check` prints and `pair` writes
    told = [p for p in problems if (p.severity, p.reason) == (severity, reason) and words in p.what]
    assert told, "\n".join(map(str, problems))
    assert all(p.file.startswith(file) for p in told)
    assert (cohort is None) == (severity == "stop")
    if cohort is None:
        return
    own = cohort.pairs[cohort.pairs["method"] == case.method]
    if case.number is None:
        assert own.empty
    else:
        value = own["lab" if case.method == "m" else "field"].item()
        assert value == pytest.approx(case.number, abs=0.5)


@pytest.mark.parametrize(
    "good", [sessions, *slowly([breaths, lambda study: stages(study, mass_kg=70)])]
)
def test_the_good_studies_are_good(study, good):
    good(study)
    checked = study.check()
    assert checked.code == 0
    assert not checked.find(severity="set_aside")
    assert len(study.pair().pairs) == 1


def test_a_beta_blocker_user_is_analysed_apart(study):
    sessions(study)
    study.rows["athletes"][0]["hr_limiting_drug"] = "yes"
    assert study.pair().one(method=SESSIONS).hr_limiting_drug == "yes"
    numbers = study.numbers()
    for group, n in (("all", 0), ("hr_limiting_drug", 1)):
        row = numbers.row("limits_of_agreement", "bias", group=group, method=SESSIONS)
        assert row["n"] == n
    assert np.isnan(numbers.value("limits_of_agreement", "bias", method=SESSIONS))
