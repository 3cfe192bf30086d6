"""Bad raw input, from study folder to pairs: each a message or a coded exclusion, never a number."""

import numpy as np
import pandas as pd
import pytest

from agreement.cohort import inspect_cohort, read_cohort

DAY = pd.Timestamp("2026-03-30")
HR_MAX, START, PER_VO2 = 190.0, 60.0, 2.5  # the line's maximum is 52 mL/kg/min
SPEEDS = (9.5, 10.0, 10.5, 11.0, 11.5, 12.0)  # km/h


def run(speed, seed, minutes=22):
    """Return samples every 5 s of a steady level run on the invented person's line."""
    rng = np.random.default_rng(seed)
    n = minutes * 12
    pulse = START + PER_VO2 * (3.5 + 0.2 * speed * 1000 / 60)
    return pd.DataFrame(
        {
            "t_s": 5.0 * np.arange(n),
            "hr_bpm": np.rint(pulse + rng.normal(0, 1, n)),
            "speed_m_s": np.round(speed / 3.6 + rng.normal(0, 0.05, n), 3),
            "grade": 0.0,
        }
    )


class Folder:
    """A study folder whose tables a test changes before it is read."""

    def __init__(self, root):
        self.root = root
        self.athletes = [{"athlete_id": "A", "sex": "male", "age_years": 30, "mass_kg": 70}]
        self.lab = [
            {"lab_test_id": "T", "athlete_id": "A", "date": DAY.date(), "mode": "run"}
            | {"vo2max_ml_kg_min": 51, "mass_kg": 70, "hr_max_bpm": HR_MAX}
        ]
        self.field_tests = []
        self.runs = [run(speed, seed) for seed, speed in enumerate(SPEEDS)]
        self.breaths = {}

    def write(self):
        (self.root / "study.toml").write_text('[study]\ntime_zone = "UTC"\n', encoding="utf-8")
        (self.root / "samples").mkdir()
        rows = []
        for i, samples in enumerate(self.runs):
            started = DAY - pd.Timedelta(days=len(self.runs) - i) + pd.Timedelta(hours=7)
            samples.to_csv(self.root / "samples" / f"S{i}.csv", index=False)
            rows.append(
                {"session_id": f"S{i}", "athlete_id": "A", "started_at": started.isoformat()}
                | {"mode": "run", "duration_min": 22, "sensor": "chest_strap"}
            )
        tables = {"athletes": self.athletes, "lab_tests": self.lab, "sessions": rows}
        tables["field_tests"] = self.field_tests
        for name, table in tables.items():
            if table:
                pd.DataFrame(table).to_csv(self.root / f"{name}.csv", index=False)
        for name, text in self.breaths.items():
            (self.root / "breaths").mkdir(exist_ok=True)
            (self.root / "breaths" / name).write_text(text, encoding="utf-8")
        return self.root

    def read(self):
        return read_cohort(self.write())


@pytest.fixture
def folder(tmp_path):
    return Folder(tmp_path)


def notes(cohort, column):
    return [p.what for p in cohort.problems if p.severity == "note" and p.column == column]


def test_good_sessions_give_the_number_that_the_bad_ones_must_not(folder):
    (pair,) = folder.read().pairs.to_dict("records")
    assert pair["method"] == "sessions_hr"
    assert pair["field"] == pytest.approx(52, abs=0.5)


def lost(samples):
    return samples.assign(hr_bpm=np.where(samples.index % 3 == 0, 0, samples["hr_bpm"]))


def constant(samples):
    return samples.assign(hr_bpm=150)


def swapped_sensor(samples):
    beats = np.arange(len(samples))
    after = samples["hr_bpm"] + 35 + np.rint(9 * np.sin(beats / 10))
    return samples.assign(hr_bpm=np.where(beats > 150, after, samples["hr_bpm"]))


def gaps(samples):
    return samples[(samples["t_s"] < 300) | (samples["t_s"] > 700)]


def per_cent(samples):
    return samples.assign(grade=2.0)


SPOILED = {
    lost: "has a heart rate that can be believed",
    constant: "has a heart rate that can be believed",
    swapped_sensor: "as after a change of sensor",
    gaps: "has a heart rate that can be believed",
    per_cent: "it must be a fraction, not in per cent",
}


def test_bad_records_of_sessions_are_left_out_with_the_reason(folder):
    folder.runs = [spoil(samples) for spoil in SPOILED for samples in folder.runs[:2]]
    cohort = folder.read()
    assert cohort.pairs.empty
    left = cohort.exclusions[cohort.exclusions["file"] == "sessions.csv"].set_index("id")
    assert set(left["reason"]) == {"session_quality"}
    for i, words in enumerate(word for word in SPOILED.values() for _ in range(2)):
        assert words in left.loc[f"S{i}", "message"]


def test_times_that_repeat_or_run_backwards_leave_the_number_as_it_is(folder):
    for samples in folder.runs:
        samples.loc[[100, 150], "t_s"] = samples.loc[40, "t_s"]
    assert folder.read().pairs["field"].item() == pytest.approx(52, abs=0.5)


def test_a_maximum_of_104_for_194_gives_no_estimate_and_a_note(folder):
    folder.lab[0]["hr_max_bpm"] = 104
    cohort = folder.read()
    assert cohort.pairs.empty
    assert any("104" in what for what in notes(cohort, "hr_max_bpm"))
    assert cohort.laboratory.frame["criterion_hr"].tolist() == ["not met"]


def test_a_maximum_of_104_gives_way_to_another_test_of_the_athlete(folder):
    other = folder.lab[0] | {"lab_test_id": "U", "date": (DAY + pd.Timedelta(days=60)).date()}
    folder.lab = [folder.lab[0] | {"hr_max_bpm": 104}, other]
    assert folder.read().pairs["field"].item() == pytest.approx(52, abs=0.5)


def test_a_submaximal_tests_heart_rate_gives_way_too(folder):
    short = {"hr_max_bpm": 174, "rer_max": 1.0, "rpe_max": 14, "lactate_mmol_l": 4, "plateau": "no"}
    other = folder.lab[0] | {"lab_test_id": "U", "date": (DAY + pd.Timedelta(days=60)).date()}
    folder.lab = [folder.lab[0] | short, other]
    cohort = folder.read()
    assert cohort.laboratory.frame["max_confirmed"].tolist()[0] == "no"
    assert cohort.pairs["field"].item() == pytest.approx(52, abs=0.5)


def test_an_athlete_under_a_beta_blocker_is_kept_apart(folder):
    folder.athletes[0]["hr_limiting_drug"] = "yes"
    cohort = folder.read()
    assert cohort.pairs["hr_limiting_drug"].tolist() == ["yes"]
    results = cohort.results.frame
    bias = results.query("analysis == 'limits_of_agreement' and statistic == 'bias'")
    n = bias.set_index("group")["n"].to_dict()
    assert (n["all"], n["hr_limiting_drug"]) == (0, 1)


def field_test(**columns):
    row = {"athlete_id": "A", "date": (DAY - pd.Timedelta(days=2)).date()}
    return row | columns


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"protocol": "shuttle_20m_1988_adult", "speed_km_h": 1.5}, "speed_km_h"),
        ({"protocol": "run_12min_1968", "distance_m": 7}, "distance_m"),
    ],
)
def test_a_stage_for_a_speed_and_laps_for_metres_are_told(folder, columns, words):
    folder.runs, folder.field_tests = [], [field_test(**columns)]
    cohort = folder.read()
    assert cohort.pairs.empty
    told = [p for p in cohort.problems if p.file == "field_tests.csv"]
    assert any(words in f"{p.column} {p.what} {p.remedy}" for p in told)
    left = cohort.exclusions[cohort.exclusions["file"] == "field_tests.csv"]
    assert set(left["reason"]) <= {"out_of_range", "missing_value"}


def test_a_stage_test_without_mass_is_left_out(folder):
    folder.runs = []
    folder.athletes[0]["mass_kg"] = None
    folder.lab[0] |= {"mode": "cycle", "vo2max_ml_kg_min": 50, "mass_kg": None}
    folder.field_tests = [
        field_test(protocol="cycle_stages_hr", power_w=power, hr_bpm=pulse, hr_max_bpm=190)
        for power, pulse in ((125, 120), (175, 140), (225, 160))
    ]
    cohort = folder.read()
    left = cohort.exclusions[cohort.exclusions["file"] == "field_tests.csv"]
    assert cohort.pairs.empty
    assert set(left["reason"]) == {"missing_value"}
    assert left["message"].str.contains("mass_kg").all()


def test_exertion_on_the_other_scale_is_no_criterion(folder):
    folder.runs = folder.runs[:1]
    folder.lab[0]["rpe_max"] = 9
    cohort = folder.read()
    assert cohort.laboratory.frame["criterion_rpe"].tolist() == ["not known"]
    assert any("scale of 0 to 10" in what for what in notes(cohort, "rpe_max"))


def breath_rows(n=120):
    return [f"{2.5 * i},{min(1000 + 25 * i, 3500)}" for i in range(n)]


def test_spikes_of_130_do_not_reach_the_laboratorys_value(folder):
    folder.runs = folder.runs[:1]
    rows = breath_rows()
    for at in (60, 115):
        rows[at] = f"{2.5 * at},9100"
    folder.lab[0]["averaging_rule"] = "moving 3 breaths"
    folder.breaths = {"T.csv": "\n".join(["t_s,vo2_ml_min", *rows])}
    cohort = folder.read()
    assert cohort.laboratory.frame["lab"].item() == pytest.approx(3500 / 70)
    assert any("2 of 120 breaths were left out" in what for what in notes(cohort, "vo2_ml_min"))


def test_breaths_under_two_header_rows(folder):
    folder.runs = folder.runs[:1]
    folder.breaths = {"T.csv": "\n".join(["t_s,vo2_ml_min", "s,mL/min", *breath_rows()])}
    cohort = folder.read()
    assert cohort.laboratory.frame["lab"].item() == pytest.approx(50, abs=0.5)
    assert any("row 2 holds units" in p.what for p in cohort.problems)


def test_every_unusable_raw_file_is_named_at_once_and_nothing_is_raised(folder):
    folder.runs[2] = folder.runs[2].drop(columns="hr_bpm")
    folder.breaths = {"T.csv": "t_s,vco2_ml_min\n1,1000\n"}
    cohort, problems = inspect_cohort(folder.write())
    assert cohort is None
    stops = {p.file for p in problems if p.severity == "stop"}
    assert stops == {"breaths/T.csv", "samples/S2.csv"}
