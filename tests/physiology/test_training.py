from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from agreement.physiology.laboratory import laboratory_values
from agreement.physiology.readings import field_readings
from agreement.physiology.training import (
    BALANCED,
    HIGH_INTENSITY,
    INTERMITTENT,
    LOW_INTENSITY,
    Training,
    _lacking,
    nearest_boundary,
    overlap_notes,
    profile_label,
)
from agreement.tables.options import ProfileOptions, StudyOptions
from agreement.terms import NOT_ENOUGH_DATA

TEST_DAY = pd.Timestamp("2026-05-04")
RULES = ProfileOptions()
MIDDLE = Training(top=0.9, intermittent=0.0, z1=0.75, z3=0.1, long=0.1, median_min=60)


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({}, BALANCED),
        ({"top": 0.59}, INTERMITTENT),
        ({"intermittent": 0.40}, INTERMITTENT),
        ({"z1": 0.85, "z3": 0.04, "long": 0.30}, LOW_INTENSITY),
        ({"z1": 0.85, "z3": 0.04, "median_min": 75}, LOW_INTENSITY),
        ({"z1": 0.85, "z3": 0.04}, BALANCED),
        ({"z1": 0.90, "z3": 0.05, "long": 0.50}, BALANCED),
        ({"z3": 0.20, "median_min": 50}, HIGH_INTENSITY),
        ({"z1": 0.60, "median_min": 50}, HIGH_INTENSITY),
        ({"z1": 0.60, "median_min": 51}, BALANCED),
        ({"top": 0.5, "z3": 0.30, "median_min": 40}, INTERMITTENT),  # the first rule wins
    ],
)
def test_profile_rules(change, expected):
    assert profile_label(replace(MIDDLE, **change), RULES) == expected


@pytest.mark.parametrize(
    ("change", "distance", "other"),
    [
        ({"top": 0.63}, 3, INTERMITTENT),
        ({"intermittent": 0.38}, 2, INTERMITTENT),
        ({"z1": 0.83, "z3": 0.02, "long": 0.5}, 2, LOW_INTENSITY),
        ({"z3": 0.16, "median_min": 40}, 4, HIGH_INTENSITY),
        ({"z1": 0.86, "z3": 0.02, "long": 0.5}, 1, BALANCED),
    ],
)
def test_distance_to_the_nearest_boundary(change, distance, other):
    found, label = nearest_boundary(replace(MIDDLE, **change), RULES)
    assert found == pytest.approx(distance, abs=1e-6)
    assert label == other


shares = st.floats(0, 1)


@given(shares, shares, shares, shares, shares, st.floats(10, 200))
def test_no_smaller_change_of_one_share_changes_the_label(top, inter, z1, z3, long, median):
    training = Training(top, inter, z1, z3, long, median)
    label = profile_label(training, RULES)
    distance, other = nearest_boundary(training, RULES)
    assert (other == label) == np.isinf(distance)
    step = min(distance, 100) / 100 - 1e-6
    for name in ("top", "intermittent", "z1", "z3", "long"):
        for sign in (-1, 1):
            moved = replace(training, **{name: getattr(training, name) + sign * max(step, 0)})
            assert profile_label(moved, RULES) == label


# --- from sessions ----------------------------------------------------------------------------------


@pytest.fixture
def profile_of(make_study):
    """Return the laboratory values and readings of one athlete with these sessions."""

    def compute(rows, *, rules=RULES, stated=None):
        sessions = [
            {"session_id": f"S{i}", "athlete_id": "A", "mode": "run", "duration_min": 60}
            | {"zone1_min": 50, "zone2_min": 7, "zone3_min": 3}
            | {"date": TEST_DAY - pd.Timedelta(days=row.pop("ago"))}
            | row
            for i, row in enumerate([dict(r) for r in rows])
        ]
        study = make_study(
            options=StudyOptions(profile=rules),
            athletes=[{"athlete_id": "A", "training_profile": stated}],
            lab_tests=[
                {
                    "lab_test_id": "T",
                    "athlete_id": "A",
                    "date": TEST_DAY,
                    "mode": "run",
                    "vo2max": 50,
                }
            ],
            sessions=sessions,
        )
        laboratory = laboratory_values(study)
        readings = field_readings(study, laboratory)
        return laboratory, readings

    return compute


FOURTEEN = [{"ago": ago} for ago in range(1, 43, 3)]


def test_a_profile_from_zone_minutes(profile_of):
    laboratory, readings = profile_of(FOURTEEN)
    assert laboratory.frame["training_profile"].tolist() == [BALANCED]
    (row,) = laboratory.profiles.to_dict("records")
    assert (row["n_sessions"], row["hours"], row["weeks"]) == (14, 14, 6)
    assert (row["zone1"], row["zone2"], row["zone3"]) == pytest.approx((50 / 60, 7 / 60, 3 / 60))
    assert row["zones"] == "as given"
    assert readings.profile_rows["id"].tolist() == [f"S{i}" for i in range(14)]
    assert set(readings.profile_rows["lab_test_id"]) == {"T"}
    assert readings.set_aside.empty  # behind a profile, so not left out


def test_the_window_is_six_weeks_and_ends_the_day_before(profile_of):
    laboratory, readings = profile_of([*FOURTEEN, {"ago": 0}, {"ago": 43}, {"ago": -1}])
    assert laboratory.profiles["n_sessions"].item() == 14
    assert not set(readings.profile_rows["id"]) & {"S14", "S15", "S16"}
    assert readings.set_aside.empty  # sessions in no window are for the pairing to name


@pytest.mark.parametrize(
    ("rows", "words", "reason"),
    [
        (FOURTEEN[:11], "11 sessions, 12 are needed", "too_few_sessions"),
        (
            [r | {"duration_min": 40, "zone1_min": 30} for r in FOURTEEN],
            "9.3 h",
            "too_few_sessions",
        ),
        ([{"ago": 1 + i} for i in range(14)], "sessions in 2 weeks", "too_few_sessions"),
        (
            [r | {"zone1_min": 40} for r in FOURTEEN],
            "heart rate in 83 % of the time",
            "too_little_heart_rate",
        ),
        ([r | {"zone1_min": 40} for r in FOURTEEN[:11]], "heart rate in 83 %", "too_few_sessions"),
    ],
)
def test_too_little_data_is_no_profile(profile_of, rows, words, reason):
    laboratory, readings = profile_of(rows)
    assert laboratory.frame["training_profile"].tolist() == [NOT_ENOUGH_DATA]
    assert laboratory.frame["profile_borderline"].isna().all()
    assert words in laboratory.profiles["note"].item()
    assert readings.profile_rows.empty
    assert readings.set_aside["reason"].tolist() == [reason] * len(rows)
    assert readings.set_aside["message"].str.contains(words).all()


def test_borderline_and_the_profile_next_door(profile_of):
    near = [
        r | {"zone1_min": 50, "zone2_min": 10, "zone3_min": 0, "duration_min": 60} for r in FOURTEEN
    ]
    near = [
        r | ({"duration_min": 95, "zone1_min": 85} if i < 7 else {}) for i, r in enumerate(near)
    ]
    laboratory, _ = profile_of(near)
    # zone 1: (7 * 85 + 7 * 50) / (7 * 95 + 7 * 60) = 0.871: low-intensity by 2.1 points
    row = laboratory.profiles.iloc[0]
    assert (row["profile"], row["borderline"], row["other_profile"]) == (
        LOW_INTENSITY,
        "yes",
        BALANCED,
    )
    assert row["distance_to_boundary"] == pytest.approx(100 * (945 / 1085 - 0.85), abs=1e-6)
    assert laboratory.frame["profile_borderline"].tolist() == ["yes"]
    strict, _ = profile_of(near, rules=replace(RULES, borderline_points=2))
    assert strict.frame["profile_borderline"].tolist() == ["no"]


def test_stated_instead_of_computed_and_a_note_where_they_differ(profile_of):
    computed, _ = profile_of(FOURTEEN, stated=LOW_INTENSITY)
    assert computed.frame["training_profile"].tolist() == [BALANCED]
    assert any(LOW_INTENSITY in p.what and BALANCED in p.what for p in computed.problems)
    stated, readings = profile_of(
        FOURTEEN, stated=LOW_INTENSITY, rules=replace(RULES, use="stated")
    )
    assert stated.frame["training_profile"].tolist() == [LOW_INTENSITY]
    assert readings.profile_rows.empty
    agree, _ = profile_of(FOURTEEN, stated=BALANCED)
    assert not agree.problems


def test_a_long_and_slow_season_is_ultra(profile_of):
    rows = [
        {"ago": 3 * i + 1, "duration_min": 250, "zone1_min": 250, "zone2_min": 0, "zone3_min": 0}
        for i in range(15)
    ]
    row = profile_of(rows)[0].profiles.iloc[0]
    assert (row["profile"], row["ultra"]) == (LOW_INTENSITY, "no")  # 9.7 h
    rows += [r | {"duration_min": 60, "zone1_min": 60} for r in rows[:4]]
    assert profile_of(rows)[0].profiles["ultra"].item() == "yes"


def test_zones_from_samples(make_study, tmp_path):
    # 30 min at 140, 10 at 160, 20 at 180 bpm; HRmax 190: limits 156.75 and 166.25
    rng = np.random.default_rng(3)
    beats = np.r_[np.full(1800, 140), np.full(600, 160), np.full(1200, 180)] + rng.integers(
        -1, 2, 3600
    )
    ramp = pd.DataFrame({"t_s": np.arange(3600.0), "hr_bpm": beats})
    ramp["hr_bpm"] = ramp["hr_bpm"].rolling(5, min_periods=1).mean()  # no jumps
    path = tmp_path / "S.csv"
    ramp.to_csv(path, index=False)
    ids = [f"S{i}" for i in range(14)]
    sessions = [
        {"session_id": name, "athlete_id": "A", "mode": "run", "duration_min": 60}
        | {"date": TEST_DAY - pd.Timedelta(days=3 * i + 1)}
        for i, name in enumerate(ids)
    ]
    test = {"lab_test_id": "T", "athlete_id": "A", "date": TEST_DAY, "mode": "run"}
    study = make_study(
        lab_tests=[test | {"vo2max": 50, "hr_max_bpm": 190}],
        sessions=sessions,
        samples=dict.fromkeys(ids, path),
    )
    row = laboratory_values(study).profiles.iloc[0]
    assert (row["zone1"], row["zone2"], row["zone3"]) == pytest.approx(
        (30 / 60, 10 / 60, 20 / 60), abs=0.002
    )
    assert row["zones"] == "by default"


@pytest.mark.parametrize(
    ("zones", "used"), [("share of HRmax", "by default"), ("own thresholds", "own thresholds")]
)
def test_training_by_own_thresholds_stands_beside_that_by_hr_max(make_study, tmp_path, zones, used):
    """Heart rates 100 to 179, a minute each: 157 is 82.5 % of 190, 166.25 is 87.5 %."""
    rates = np.repeat(np.arange(100.0, 180.0), 60)
    path = tmp_path / "S.csv"
    noise = np.tile([0.0, 0.25], rates.size // 2)
    pd.DataFrame({"t_s": np.arange(rates.size), "hr_bpm": rates + noise}).to_csv(path, index=False)
    ids = [f"S{i}" for i in range(14)]
    sessions = [
        {"session_id": name, "athlete_id": who, "mode": "run", "duration_min": 80}
        | {"date": TEST_DAY - pd.Timedelta(days=3 * i + 1)}
        for who, names in (("A", ids), ("B", [f"B{i}" for i in ids]))
        for i, name in enumerate(names)
    ]
    test = {"date": TEST_DAY, "mode": "run", "vo2max": 50, "hr_max_bpm": 190}
    own = {"vt1_hr_bpm": 140, "vt2_hr_bpm": 160, "rater2_vt2_hr_bpm": 164}
    study = make_study(
        options=StudyOptions(profile=replace(RULES, zones=zones)),
        lab_tests=[
            test | {"lab_test_id": "T", "athlete_id": "A"} | own,
            test | {"lab_test_id": "U", "athlete_id": "B", "vt1_hr_bpm": 140},  # one does not do
        ],
        sessions=sessions,
        samples=dict.fromkeys([one["session_id"] for one in sessions], path),
    )
    found = laboratory_values(study)
    (both,) = found.zones.to_dict("records")
    assert both["lab_test_id"] == "T"
    by_hr_max, by_own = ([both[f"zone{z}{s}"] for z in (1, 2, 3)] for s in ("", "_own"))
    assert by_hr_max == pytest.approx([57 / 80, 10 / 80, 13 / 80], abs=0.01)
    assert by_own == pytest.approx([40 / 80, 22 / 80, 18 / 80], abs=0.01)  # from 140, from 162
    profiles = found.profiles.set_index("lab_test_id")
    assert profiles["zones"].to_dict() == {"T": used, "U": "by default"}
    assert profiles.loc["T", "zone1"] == (by_own if used == "own thresholds" else by_hr_max)[0]


@pytest.mark.parametrize(("cycled", "used"), [(5, "own thresholds"), (9, "by default")])
def test_thresholds_of_running_are_not_carried_to_cycling(make_study, tmp_path, cycled, used):
    """60 min at 150 bpm: between own thresholds 140 and 160, below 82.5 % of 190 (156.75)."""
    path = tmp_path / "S.csv"
    flat = 150 + np.tile([0.0, 0.25, 0.5], 1200)
    pd.DataFrame({"t_s": np.arange(3600.0), "hr_bpm": flat}).to_csv(path, index=False)
    sessions = [
        {"session_id": f"S{i}", "athlete_id": "A", "duration_min": 60}
        | {"mode": "cycle" if i < cycled else "run"}
        | {"date": TEST_DAY - pd.Timedelta(days=3 * i + 1)}
        for i in range(14)
    ]
    test = {"lab_test_id": "T", "athlete_id": "A", "date": TEST_DAY, "mode": "run"}
    test |= {"vo2max": 50, "hr_max_bpm": 190, "vt1_hr_bpm": 140, "vt2_hr_bpm": 160}
    study = make_study(
        options=StudyOptions(profile=replace(RULES, zones="own thresholds")),
        lab_tests=[test],
        sessions=sessions,
        samples=dict.fromkeys([one["session_id"] for one in sessions], path),
    )
    found = laboratory_values(study)
    (row,) = found.profiles.to_dict("records")
    assert row["zone1"] == pytest.approx(cycled / 14, abs=0.01)
    assert row["zone2"] == pytest.approx(1 - cycled / 14, abs=0.01)
    assert row["zones"] == used  # what most of the time was counted by
    assert len(found.zones) == (used == "own thresholds")


def test_a_profile_that_lacks_all_but_one_session_says_so():
    lacking = _lacking(1, 0.5, 1, 1.0, ProfileOptions())
    assert "; ".join(lacking.values()) == (
        "1 session, 12 are needed; 0.5 h, 10 are needed; sessions in 1 week, 4 are needed"
    )


def test_a_profile_that_barely_lacks_something_shows_that_it_does():
    lacking = _lacking(20, 9.97, 6, 0.897, ProfileOptions())
    assert list(lacking.values()) == [
        "9.97 h, 10 are needed",
        "heart rate in 89.7 % of the time, 90 % is needed",
    ]


def test_a_training_recorded_twice_is_named_and_neighbours_are_not():
    sessions = pd.DataFrame(
        [
            ("A1", "2026-03-02 07:00", 60),
            ("A1", "2026-03-02 07:01", 59),  # by another sensor
            ("A1", "2026-03-02 07:45", 40),  # begins before the first ends: two thirds are its own
            ("A2", "2026-03-02 07:00", 60),  # another athlete
            ("A1", "2026-03-03 07:00", 180),
            ("A1", "2026-03-03 07:30", 10),
            ("A1", "2026-03-03 08:30", 20),  # also inside the long one, not in the one before it
            ("A1", "2026-03-03 23:00", 60),  # midnight in Oslo: dates without a time
            ("A1", "2026-03-03 23:00", 60),
        ],
        columns=["athlete_id", "instant", "duration_min"],
    ).assign(file="sessions.csv", row=range(2, 11))
    sessions["instant"] = pd.to_datetime(sessions["instant"])
    told = overlap_notes(sessions, "Europe/Oslo")
    assert sorted(one.row for one in told) == [3, 7, 8]
    assert sorted(one.row for one in overlap_notes(sessions, None)) == [3, 7, 8, 10]
    assert "keep one of them" in told[0].remedy
    assert overlap_notes(sessions.iloc[:0], None) == ()
