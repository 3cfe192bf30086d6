from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from invented_runner import HR_MAX, PER_VO2, SPEEDS, heart_rate

from agreement.errors import TableError
from agreement.physiology import session_estimates as estimates_module
from agreement.physiology.laboratory import laboratory_values
from agreement.physiology.readings import field_readings
from agreement.physiology.session_estimates import windows
from agreement.physiology.session_records import reduced_session
from agreement.physiology.session_samples import clean_heart_rate, steady_points
from agreement.tables.options import Extrapolation, ProfileOptions, StudyOptions

DAY = pd.Timestamp("2026-03-02")


def run(speed_km_h=10.0, minutes=40, seed=0):
    """Return one-second samples of a steady run with the small unrest of a real heart."""
    rng = np.random.default_rng(seed)
    n = minutes * 60
    return pd.DataFrame(
        {
            "t_s": np.arange(n, dtype=float),
            "hr_bpm": np.rint(heart_rate(speed_km_h) + rng.normal(0, 1, n)),
            "speed_m_s": speed_km_h / 3.6 + rng.normal(0, 0.05, n),
            "grade": 0.0,
        }
    )


# --- cleaning ---------------------------------------------------------------------------------------


def valid_share(samples):
    clean = clean_heart_rate(samples["t_s"].to_numpy(), samples["hr_bpm"].to_numpy())
    return clean.seconds[clean.valid].sum() / clean.seconds.sum(), clean


def test_a_good_recording_is_valid():
    share, clean = valid_share(run())
    assert share == 1
    assert np.isnan(clean.step_at_s)


@pytest.mark.parametrize("value", [0.0, np.nan, 12.0, 251.0])
def test_dropouts_and_impossible_values_are_not_valid(value):
    samples = run()
    samples.loc[600:899, "hr_bpm"] = value
    assert valid_share(samples)[0] == pytest.approx(1 - 300 / 2400)


def test_six_minutes_of_one_value_are_not_valid():
    samples = run()
    samples.loc[600:959, "hr_bpm"] = 85.0
    assert valid_share(samples)[0] == pytest.approx(1 - 360 / 2400, abs=0.001)


def test_heart_rate_locked_to_the_steps_is_not_valid():
    samples = run()
    rng = np.random.default_rng(9)
    samples.loc[900:1499, "hr_bpm"] = 172 + rng.integers(-1, 2, 600)
    share, clean = valid_share(samples)
    assert share == pytest.approx(1 - 600 / 2400, abs=0.001)
    assert np.isnan(clean.step_at_s)


def test_locked_from_the_first_minute_on():
    samples = run()
    samples.loc[:599, "hr_bpm"] = 182 + np.random.default_rng(9).integers(-1, 2, 600)
    assert valid_share(samples)[0] == pytest.approx(1 - 600 / 2400, abs=0.001)


def test_locked_from_start_to_end_while_the_speed_rises():
    samples = run()
    rng = np.random.default_rng(9)
    samples["speed_m_s"] = np.linspace(2.5, 4.0, len(samples))
    followed = reduced_session(samples.assign(hr_bpm=np.linspace(130, 165, 2400).round()), "run")
    samples["hr_bpm"] = 172.0 + rng.integers(-1, 2, len(samples))
    # two-minute means from minute 6 to the end, by hand: 2.762 to 3.963 m/s about 3.362
    assert (
        "within 6 bpm while the work rate changes by 36 %"
        in reduced_session(samples, "run").unusable
    )
    assert followed.unusable is None
    # an even run, a short one, and hills whose grade is known are answered by an even heart rate
    even = samples.assign(speed_m_s=3.0 + rng.normal(0, 0.1, len(samples)))
    hills = samples.assign(grade=np.linspace(0.04, -0.04, len(samples)))
    assert [reduced_session(one, "run").unusable for one in (even, samples[:900], hills)] == [
        None
    ] * 3


def test_a_spike_is_not_valid():
    samples = run()
    samples.loc[700:704, "hr_bpm"] = 220.0
    assert valid_share(samples)[0] == pytest.approx(1 - 5 / 2400, abs=1e-6)


def test_a_change_of_sensor_is_told():
    samples = run()
    wandering = 30 + 8 * np.sin(np.arange(1200) / 100)  # too lively to be locked to the steps
    samples.loc[1200:, "hr_bpm"] += np.rint(wandering)
    assert valid_share(samples)[1].step_at_s == 1200


def test_a_real_rise_of_heart_rate_is_valid():
    samples = run()
    samples["hr_bpm"] = np.rint(100 + 80 * np.minimum(samples["t_s"] / 120, 1)) + (
        samples["t_s"] % 3
    )
    assert valid_share(samples)[0] == 1


# --- steady stretches -------------------------------------------------------------------------------


def points(samples):
    columns = [samples[c].to_numpy() for c in ("t_s", "hr_bpm", "speed_m_s", "grade")]
    t, hr, speed, grade = columns
    points = steady_points(t, hr, np.isfinite(hr) & (hr > 30), speed, grade)
    return SimpleNamespace(
        **dict(zip(("hr_bpm", "work", "grade", "minutes"), points.T, strict=True))
    )


def test_one_even_run_is_one_point_from_minutes_6_to_20():
    samples = run()
    samples.loc[: 6 * 60 - 1, "hr_bpm"] = 100.0  # rising heart rate at the start does not count
    samples.loc[20 * 60 :, "hr_bpm"] = 185.0  # nor does drift
    found = points(samples)
    assert found.minutes.tolist() == [14]
    assert found.hr_bpm.item() == pytest.approx(heart_rate(10), abs=0.2)
    assert found.work.item() == pytest.approx(10 / 3.6, abs=0.01)


def test_a_faster_second_half_is_two_points():
    samples = pd.concat([run(10, 12), run(12, 28, seed=1).assign(t_s=lambda f: f.t_s + 720)])
    found = points(samples.reset_index(drop=True))
    assert found.hr_bpm == pytest.approx([heart_rate(10), heart_rate(12)], abs=0.3)
    assert found.minutes.tolist() == [6, 6]  # the first block at the new speed is not yet steady


def test_intervals_are_not_steady():
    samples = run()
    samples["speed_m_s"] = np.where(samples["t_s"] // 30 % 2 == 0, 5.0, 2.0)
    assert points(samples).hr_bpm.size == 0


@pytest.mark.parametrize("grade", [0.08, -0.04])
def test_hills_are_left_out(grade):
    assert points(run().assign(grade=grade)).hr_bpm.size == 0


def test_a_short_session_has_no_point():
    assert points(run(minutes=6)).hr_bpm.size == 0


# --- rolling window ---------------------------------------------------------------------------------


@pytest.mark.parametrize("at_once", [1, 7, 250_000])
def test_windows_against_brute_force(at_once, monkeypatch):
    monkeypatch.setattr(estimates_module, "POINTS_AT_ONCE", at_once)
    rng = np.random.default_rng(6)
    n = 40
    sessions = pd.DataFrame(
        {
            "athlete_id": rng.choice(["A", "B", "C"], n),
            "mode": rng.choice(["run", "cycle"], n),
            "date": DAY + pd.to_timedelta(rng.integers(0, 60, n), "D"),
        }
    )
    sessions["instant"] = sessions["date"] + pd.to_timedelta(rng.integers(0, 24, n), "h")
    per_session = pd.DataFrame({"session": np.repeat(np.arange(n), rng.integers(0, 3, n))})
    found = windows(per_session, sessions, 14)
    own = sessions.loc[per_session["session"]].reset_index(drop=True)
    keys = own[["athlete_id", "mode", "date"]].drop_duplicates()
    assert found.session.size == len(keys)
    in_window = {}
    for days, of_day, of_point in found.blocks():
        for day, point in zip(of_day + days.start, of_point, strict=True):
            in_window.setdefault(day, []).append(point)
    for i, session in enumerate(found.session):
        day = sessions.loc[session]
        same = (own["athlete_id"] == day["athlete_id"]) & (own["mode"] == day["mode"])
        ago = (day["date"] - own["date"]).dt.days
        expected = set(np.flatnonzero(same & (ago >= 0) & (ago < 14)))
        assert sorted(in_window[i]) == sorted(expected)
        latest = own[same & (ago == 0)]["instant"].max()
        assert day["instant"] == latest


# --- whole sessions ---------------------------------------------------------------------------------


@pytest.fixture
def season(make_study, tmp_path):
    """Return a maker of readings from sample files of one runner's sessions."""

    def compute(tables, *, extrapolation=None, hr_max=HR_MAX, **session):
        (tmp_path / "samples").mkdir(exist_ok=True)
        rows, files = [], {}
        for i, table in enumerate(tables):
            name = f"S{i + 1}"
            files[name] = tmp_path / "samples" / f"{name}.csv"
            table.iloc[::5].to_csv(files[name], index=False)  # every fifth second is enough
            date = DAY + pd.Timedelta(days=i)
            rows.append(
                {"session_id": name, "athlete_id": "A", "mode": "run", "date": date}
                | {"instant": date + pd.Timedelta(hours=7), "duration_min": 40}
                | {"sensor": "chest_strap"}
                | session
            )
        test = {"lab_test_id": "T", "athlete_id": "A", "date": DAY + pd.Timedelta(days=7)}
        test |= {"mode": "run", "vo2max": 51.0, "hr_max_bpm": hr_max, "mass_kg": 70}
        options = StudyOptions(extrapolation=extrapolation or Extrapolation())
        study = make_study(
            options=options,
            athletes=[{"athlete_id": "A", "age_years": 30}],
            lab_tests=[test],
            sessions=rows,
            samples=files,
        )
        laboratory = laboratory_values(study)
        return field_readings(study, laboratory)

    return compute


def test_sessions_on_one_line_give_its_maximum(season):
    found = season([run(speed, 22, seed=i) for i, speed in enumerate(SPEEDS)])
    assert found.frame["method"].tolist() == ["sessions_hr"] * 2
    assert found.frame["field"].tolist() == pytest.approx([52, 52], abs=0.3)
    assert found.frame["set_hr_max_bpm"].tolist() == [HR_MAX] * 2
    assert found.frame["sensor"].tolist() == ["chest_strap"] * 2
    assert found.heart_rate_based == {"sessions_hr": True}
    last = found.members[found.members["reading"] == 1]
    assert last["id"].tolist() == ["S1", "S2", "S3", "S4", "S5", "S6"]
    assert (
        found.set_aside.empty
    )  # the first days are refused, but their sessions stand behind later


def test_sessions_go_to_the_age_formula_without_a_measured_maximum(season):
    found = season([run(speed, 22, seed=i) for i, speed in enumerate(SPEEDS)], hr_max=np.nan)
    assert found.frame["set_hr_max_bpm"].tolist() == [187] * 2  # 208 - 0.7 * 30
    line = found.session_lines.iloc[-1]
    assert line["standard_error"] == pytest.approx(10.8 / PER_VO2, rel=0.1)  # 10.8 bpm of spread
    (note,) = [p for p in found.problems if p.reason == "hr_max_by_age"]
    assert "1 athlete has no measured HRmax" in note.what
    assert "208_minus_0.7_age_2001 (Tanaka 2001; people scatter around it by 10.8 bpm)" in note.what


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"tag": "illness"}, "illness"),
        ({"temperature_c": 31}, "31 degrees"),
        ({"altitude_m": 1900}, "1900 m"),
    ],
)
def test_days_that_were_not_fair_are_left_out(season, change, words):
    found = season([run(speed, 22) for speed in SPEEDS[:2]], **change)
    assert found.frame.empty
    assert set(found.set_aside["reason"]) == {"session_quality"}
    assert found.set_aside["message"].str.contains(words).all()


def test_too_many_dropouts_are_left_out(season):
    tables = [run(speed, 22) for speed in SPEEDS]
    for table in tables[:3]:
        table.loc[:197, "hr_bpm"] = 0.0
    found = season(tables)
    lines = found.set_aside[found.set_aside["reason"] == "session_quality"]
    assert lines["id"].tolist() == ["S1", "S2", "S3"]
    assert lines["message"].str.contains("Only 85 %").all()


def test_sessions_too_much_alike_are_refused_with_the_reason(season):
    found = season([run(11.0, 22, seed=i) for i in range(6)])
    assert found.frame.empty
    assert set(found.set_aside["reason"]) == {"extrapolation_refused"}
    assert found.set_aside["message"].iloc[-1].startswith("Heart rates span")


def test_a_mode_without_cost_equation_is_said(season):
    found = season([run(speed, 22) for speed in SPEEDS[:2]], mode="ski")
    assert set(found.set_aside["reason"]) == {"extrapolation_refused"}


def test_training_above_the_measured_maximum_is_noted_once(season):
    found = season([run(speed, 22, seed=i) for i, speed in enumerate(SPEEDS)], hr_max=150)
    (note,) = [p for p in found.problems if "HRmax in use (150 bpm)" in p.what]
    assert note.row == 4  # 156 bpm on the third day; 152 on the second is within 5 bpm


def test_every_unusable_file_is_named_at_once(season):
    tables = [run(speed, 22) for speed in SPEEDS]
    tables[0] = tables[0].drop(columns="hr_bpm")
    tables[3] = tables[3].drop(columns="t_s")
    with pytest.raises(TableError) as stopped:
        season(tables)
    assert {p.file for p in stopped.value.problems} == {"samples/S1.csv", "samples/S4.csv"}


def test_progress_is_told(make_study, tmp_path):
    path = tmp_path / "S1.csv"
    run().to_csv(path, index=False)
    row = {"session_id": "S1", "athlete_id": "A", "mode": "run", "date": DAY, "duration_min": 40}
    study = make_study(
        options=StudyOptions(profile=ProfileOptions(use="stated")),
        sessions=[row],
        samples={"S1": path},
    )
    told = []
    laboratory_values(study, progress=lambda done, of: told.append((done, of)))
    assert told == [(1, 1)]


def test_a_session_that_barely_lacks_heart_rate_shows_that_it_does():
    beats = 140 + np.arange(1000) % 7
    beats[::10] = beats[5] = beats[15] = 0  # 102 of 1000 lost
    told = {"t_s": np.arange(0, 2000, 2.0), "hr_bpm": beats, "speed_m_s": 3.0, "grade": 0.0}
    reduced = reduced_session(pd.DataFrame(told | {"power_w": np.nan}), "run")
    assert reduced.unusable.startswith("only 89.8 % of the time")
