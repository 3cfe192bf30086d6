import numpy as np
import pandas as pd
import pytest

from agreement.physiology.averaging import vo2max_under_rule
from agreement.physiology.breath_editing import artefacts, edited_breaths
from agreement.physiology.laboratory import laboratory_values
from agreement.tables.options import Reference, StudyOptions

DAY = pd.Timestamp("2026-03-02")


@pytest.fixture
def breaths(breath_frame):
    """Return a maker of 200 breaths rising to 3500 mL/min with even noise."""

    def make(n=200, **columns):
        rng = np.random.default_rng(8)
        t = np.cumsum(rng.uniform(1.5, 3.5, n))
        vo2 = np.minimum(1000 + 20 * np.arange(n), 3500) + rng.normal(0, 80, n)
        return breath_frame(**({"t_s": t, "vo2_ml_min": vo2} | columns))

    return make


@pytest.fixture
def laboratory(make_study, tmp_path):
    """Return the laboratory values of one test with this recording."""

    def compute(frame, *, rule=None, reference=None, **test):
        (tmp_path / "breaths").mkdir(exist_ok=True)
        path = tmp_path / "breaths" / "T1.csv"
        frame.dropna(axis=1, how="all").to_csv(path, index=False)
        row = {"lab_test_id": "T1", "athlete_id": "A", "date": DAY, "mode": "run", "mass_kg": 70}
        options = StudyOptions(reference=reference or Reference(averaging_rule=rule))
        return laboratory_values(
            make_study(options=options, breaths={"T1": path}, lab_tests=[row | test])
        )

    return compute


def test_spikes_leave_and_are_counted(breaths):
    frame = breaths()
    clean = edited_breaths(frame)
    frame.loc[[40, 120], "vo2_ml_min"] = 130 * 70.0
    edited = edited_breaths(frame)
    assert edited.wrong.sum() == clean.wrong.sum() + 2
    assert edited.kept(edit=True)["vo2_ml_min"].max() < 4000
    assert (
        edited.kept(edit=False)["vo2_ml_min"].max() == 9100
    )  # without a mass nothing is impossible


def test_a_spike_that_lasts_is_still_no_breath(breaths):
    frame = breaths()
    frame.loc[60:100, "vo2_ml_min"] = 130 * 70.0  # longer than the window around each breath
    edited = edited_breaths(frame, mass_kg=70)
    assert edited.kept(edit=False)["vo2_ml_min"].max() < 100 * 70


def test_a_steady_rise_keeps_every_breath():
    assert not artefacts(1000 + 20.0 * np.arange(120)).any()
    assert not artefacts(np.full(50, 2000.0)).any()
    assert artefacts(np.r_[np.full(30, 2000.0), 2600.0, np.full(30, 2000.0)]).sum() == 1


def test_times_that_repeat_or_run_backwards_leave(breaths):
    frame = breaths()
    frame.loc[50, "t_s"] = frame.loc[49, "t_s"]
    frame.loc[90, "t_s"] = frame.loc[20, "t_s"]
    edited = edited_breaths(frame)
    assert edited.backward == 2
    assert edited.breaths["t_s"].is_monotonic_increasing


def test_phases_are_cut_at_their_marks(breaths):
    phase = ["rest"] * 20 + ["warmup"] * 20 + ["exercise"] * 140 + ["recovery"] * 20
    frame = breaths(phase=phase)
    frame.loc[185, "vo2_ml_min"] = 3600.0
    assert len(edited_breaths(frame).breaths) == 140


def test_the_studys_rule_wins_and_travels_with_the_value(breaths, laboratory):
    frame = breaths()
    found = laboratory(frame, rule="moving 15 breaths", averaging_rule="moving 30 s").frame
    assert found["averaging_rule"].item() == "moving 15 breaths"
    clean = edited_breaths(frame).breaths["vo2_ml_min"]
    assert found["lab"].item() == pytest.approx(clean.rolling(15).mean().max() / 70)
    own = laboratory(frame, averaging_rule="moving 5 breaths").frame
    assert own["averaging_rule"].item() == "moving 5 breaths"
    assert laboratory(frame).frame["averaging_rule"].item() == "moving 30 s"


def test_the_one_rule_that_the_tests_carry(make_study, breaths, tmp_path):
    path = tmp_path / "T1.csv"
    breaths().dropna(axis=1, how="all").to_csv(path, index=False)
    row = {"athlete_id": "A", "date": DAY, "mode": "run", "mass_kg": 70}
    typed = row | {"vo2max": 50, "averaging_rule": "fixed 20 s"}
    unknown = row | {"lab_test_id": "T1", "averaging_rule": "unknown"}
    one = make_study(breaths={"T1": path}, lab_tests=[unknown, typed | {"lab_test_id": "T2"}])
    assert laboratory_values(one).frame["averaging_rule"].tolist() == ["fixed 20 s"] * 2


def test_breaths_beat_a_typed_value(breaths, laboratory):
    near, far = laboratory(breaths(), vo2max=50.5), laboratory(breaths(), vo2max=57)
    assert near.frame["lab"].item() == far.frame["lab"].item() != 57
    assert not any("typed" in p.what for p in near.problems)
    (note,) = [p for p in far.problems if "typed" in p.what]
    assert (note.severity, note.row) == ("note", 2)
    assert "57" in note.what


def test_impossible_breaths_leave_and_are_a_note(breaths, laboratory):
    frame = breaths()
    frame.loc[100, "vo2_ml_min"] = 9100.0
    found = laboratory(frame)
    (note,) = [p for p in found.problems if "above what anybody reaches" in p.what]
    assert note.file == "breaths/T1.csv"
    assert note.what.startswith("1 of 200 breaths was left out")
    assert found.frame["lab"].item() == pytest.approx(laboratory(breaths()).frame["lab"].item())


def test_breaths_stay_unless_asked_and_are_told(breaths, laboratory):
    frame = breaths()
    frame.loc[150, "vo2_ml_min"] = 6300.0  # 90 mL/kg/min: no breath
    frame.loc[90, "t_s"] = frame.loc[20, "t_s"]  # out of time order: leaves either way
    wrong = int(edited_breaths(frame, mass_kg=70).wrong.sum())
    rule = "moving 5 breaths"
    found = laboratory(frame, reference=Reference(averaging_rule=rule, edit_breaths=False))
    raw = frame.drop(index=90)["vo2_ml_min"].rolling(5).mean().max() / 70  # by pandas
    assert found.frame["lab"].item() == pytest.approx(raw)
    chosen = Reference(averaging_rule=rule, edit_breaths=True)
    edited = laboratory(frame, reference=chosen)
    assert found.frame["lab"].item() > edited.frame["lab"].item() + 5
    stay = "stays" if wrong == 1 else "stay"
    told = [p.what for p in found.problems if p.reason == "breaths_edited"]
    assert told == [
        (
            f"{wrong} of 200 breaths {stay} in: far from their neighbours. Without them VO2max would be "
            f"{edited.frame['lab'].item():.1f} mL/kg/min for {raw:.1f}."
        ),
        "1 of 200 breaths was left out: their time repeats or runs backwards.",
    ]


def test_breaths_that_nobody_reaches_leave_no_value(breaths, laboratory):
    frame = breaths()
    frame.loc[8:, "vo2_ml_min"] = 130 * 70.0
    found = laboratory(frame)
    assert found.frame["lab"].isna().all()
    assert found.set_aside["reason"].tolist() == ["missing_value"]


def test_fixed_bins_from_the_first_breath_or_the_clock(breath_frame, laboratory):
    # a breath a second from 5 to 65 s: the last whole bin is 35 to 64, or by the clock 31 to 60
    t = np.arange(5.0, 66)
    frame = breath_frame(t_s=t, vo2_ml_min=3000.0 + 5 * t, vco2_ml_min=1.2 * (3000.0 + 5 * t))
    usual = Reference(averaging_rule="fixed 30 s")
    clock = Reference(averaging_rule="fixed 30 s", fixed_bins_from="clock")
    ours, theirs = (laboratory(frame, reference=one).frame.iloc[0] for one in (usual, clock))
    assert ours["lab"] * 70 == pytest.approx(3000 + 5 * np.arange(35, 65).mean())
    assert theirs["lab"] * 70 == pytest.approx(3000 + 5 * np.arange(31, 61).mean())
    assert ours["criterion_rer"] == theirs["criterion_rer"] == "met"


def test_breaths_without_mass_give_no_value(breaths, laboratory):
    assert laboratory(breaths(), mass_kg=np.nan).set_aside["reason"].tolist() == ["no_mass"]


def test_criteria_are_filled_from_the_breaths(breaths, laboratory):
    frame = breaths(hr_bpm=np.linspace(100, 190, 200))
    frame["vco2_ml_min"] = 1.15 * frame["vo2_ml_min"]
    found = laboratory(frame).frame
    assert found["hr_max_bpm"].item() == pytest.approx(189, abs=1.5)
    assert found["criterion_rer"].item() == "met"
    typed = laboratory(frame, hr_max_bpm=171, rer_max=1.02).frame
    assert typed["hr_max_bpm"].item() == 171
    assert typed["criterion_rer"].item() == "not met"


def test_a_ratio_or_heart_rate_that_nobody_reaches_is_unknown_and_noted(breaths, laboratory):
    frame = breaths(hr_bpm=np.full(200, 3.1))  # beats per second
    frame["vco2_ml_min"] = 0.0011 * frame["vo2_ml_min"]  # L/min
    found = laboratory(frame)
    row = found.frame.iloc[0]
    assert (row["criterion_rer"], row["criterion_hr"]) == ("not known", "not known")
    odd = [p for p in found.problems if "Taken as unknown" in p.what]
    assert [(p.file, p.column) for p in odd] == [
        ("breaths/T1.csv", "vco2_ml_min"),
        ("breaths/T1.csv", "hr_bpm"),
    ]


def test_many_edited_tests_share_one_note_with_the_count(make_study, breaths, tmp_path):
    files, rows = {}, []
    for i in range(5):
        frame = breaths()
        frame["t_s"] *= 1 + i / 100  # another test has other times
        frame.loc[100 : 100 + i, "vo2_ml_min"] = 9100.0
        files[f"T{i}"] = tmp_path / f"T{i}.csv"
        frame.dropna(axis=1, how="all").to_csv(files[f"T{i}"], index=False)
        rows.append({"lab_test_id": f"T{i}", "athlete_id": "A", "date": DAY, "mass_kg": 70})
    found = laboratory_values(make_study(breaths=files, lab_tests=rows))
    (note,) = [p for p in found.problems if "above what anybody" in p.what]
    spikes = 1 + 2 + 3 + 4 + 5
    assert note.file == "breaths"
    assert note.what.startswith(f"{spikes} of 1000 breaths of 5 tests")
    assert "Most: 5 of 200" in note.what


def test_a_plateau_of_long_stages_is_a_criterion(breath_frame, laboratory):
    # three stages of 3 min, 11, 12 and 13 km/h: 200 mL/min per kg and km/h, the last one adds 50
    t = 2.0 * np.arange(270)
    stage = np.repeat([0, 1, 2], 90)
    vo2 = np.array([3000.0, 3230.0, 3280.0])[stage] + 40 * np.sin(t)
    frame = breath_frame(t_s=t, vo2_ml_min=vo2, speed_m_s=(11 + stage) / 3.6)
    found = laboratory(frame)
    assert found.frame["criterion_plateau"].item() == "met"
    assert found.frame["max_confirmed"].item() == "yes"
    (note,) = [p for p in found.problems if p.reason == "plateau"]
    assert note.what.startswith("The last step raised oxygen uptake by 5")
    # 0.2 x 1000/60 = 3.33 mL/kg/min at 70 kg
    assert "233 were to be expected: a plateau" in note.what
    stated = laboratory(frame, plateau="no")
    assert stated.frame["criterion_plateau"].item() == "not met"
    assert not [p for p in stated.problems if p.reason == "plateau"]


def ramp(rng):
    """Return times and uptake of an invented ramp: breaths of symmetric noise, nothing wrong."""
    t = np.cumsum(rng.uniform(0.8, 1.2, 1000) * np.linspace(3.2, 1.4, 1000))
    t = t[t < 720]
    true = np.minimum(900 + t / 720 * 2800, rng.uniform(3300, 3700))
    return t, true * (1 + 0.08 * rng.normal(size=t.size))


@pytest.mark.parametrize("rule", ["moving 30 s", "fixed 30 s", "moving 15 breaths"])
def test_taking_breaths_out_moves_no_test_in_which_nothing_is_wrong(rule):
    rng = np.random.default_rng(72)
    moved = []
    for _ in range(72):
        t, vo2 = ramp(rng)
        edited = np.where(artefacts(vo2), np.nan, vo2)
        moved.append((vo2max_under_rule(t, edited, rule) - vo2max_under_rule(t, vo2, rule)) / 70)
    assert abs(np.mean(moved)) <= 0.02


@pytest.mark.parametrize("cough", [500.0, 8000.0])
def test_a_cough_leaves_and_its_time_is_unknown(cough):
    t, vo2 = np.arange(1.0, 301), np.full(300, 3000.0)
    vo2[280] = cough
    edited = np.where(artefacts(vo2), np.nan, vo2)
    assert vo2max_under_rule(t, edited, "moving 30 s") == 3000.0
    steps = np.where(t > 150, 3200.0, 3000.0)
    steps[290:296] = np.nan  # six of the last 30 s: as many as may be missing
    assert vo2max_under_rule(t, steps, "fixed 30 s") == 3200.0
    steps[151:289] = 3000.0
    assert vo2max_under_rule(t, steps, "fixed 30 s") == pytest.approx((19 * 3000 + 5 * 3200) / 24)


def test_a_last_bin_that_would_decide_is_told_and_can_be_kept(breath_frame, laboratory):
    t = np.arange(1.0, 111)
    vo2 = np.where(t > 90, 3990.0, 3500.0)  # the last of four bins has 20 of 30 seconds
    frame = breath_frame(t_s=t, vo2_ml_min=vo2, vco2_ml_min=1.2 * vo2)
    dropped = laboratory(frame, reference=Reference(averaging_rule="fixed 30 s"))
    (note,) = [p for p in dropped.problems if p.reason == "last_bin"]
    assert "VO2max is 50.0 mL/kg/min, with it 57.0." in note.what
    assert 'last_bin = "keep at least half"' in note.remedy
    keep = Reference(averaging_rule="fixed 30 s", last_bin="keep at least half")
    kept = laboratory(frame, reference=keep)
    assert (dropped.frame["lab"].item(), kept.frame["lab"].item()) == (50.0, 57.0)
    assert not [p for p in kept.problems if p.reason == "last_bin"]
    short = laboratory(frame[t <= 104], reference=keep)  # 14 of 30 seconds: less than half
    assert short.frame["lab"].item() == 50.0


def test_breaths_at_whole_seconds_all_stay(breath_frame):
    frame = breath_frame(
        t_s=[1.0, 2.0, 2.0, 2.0, 3.0, 5.0, 5.0], vo2_ml_min=[900, 950, 960, 970, 980, 1000, 1000]
    )
    cut = edited_breaths(frame)
    assert cut.backward == 1  # the last row is written twice
    assert cut.breaths["t_s"].tolist() == pytest.approx([1, 2, 2 + 1 / 3, 2 + 2 / 3, 3, 5])
    assert cut.breaths["vo2_ml_min"].tolist() == [900, 950, 960, 970, 980, 1000]


# --- start and end of exercise, as stated for the test --------------------------------------------


def test_only_breaths_of_the_stated_exercise_count(laboratory, breath_frame):
    # a breath a second: 2000 to second 299, 3000 to 599, then 4000 (a verification bout)
    t = np.arange(900.0)
    vo2 = np.select([t < 300, t < 600], [2000.0, 3000.0], 4000.0)
    frame = breath_frame(t_s=t, vo2_ml_min=vo2)
    for stated, highest in (
        ({}, 4000),
        ({"exercise_start_s": 0, "exercise_end_s": 599}, 3000),
        ({"exercise_end_s": 599}, 3000),
        ({"exercise_start_s": 100, "exercise_end_s": 250}, 2000),
        ({"exercise_start_s": 650}, 4000),
    ):
        found = laboratory(frame, rule="moving 30 s", **stated)
        assert found.frame["lab"].item() == pytest.approx(highest / 70)


def test_the_stated_exercise_wins_over_phases_and_starts_the_fixed_bins(laboratory, breath_frame):
    t = np.arange(300.0)
    vo2 = np.where((t >= 110) & (t < 140), 3000.0, 2000.0)  # one bin only if bins start at 110
    frame = breath_frame(t_s=t, vo2_ml_min=vo2, phase=np.where(t < 50, "exercise", "recovery"))
    found = laboratory(frame, rule="fixed 30 s", exercise_start_s=110, exercise_end_s=250)
    assert found.frame["lab"].item() == pytest.approx(3000 / 70)


def test_a_stated_exercise_outside_the_recording_gives_no_value_and_is_told(breaths, laboratory):
    found = laboratory(breaths(), exercise_start_s=2000, exercise_end_s=2400)
    assert found.set_aside["reason"].tolist() == ["missing_value"]
    (note,) = [p for p in found.problems if p.column == "exercise_start_s"]
    assert "2000 to 2400 s" in note.what
    assert (note.file, note.row) == ("lab_tests.csv", 2)


def test_a_recording_that_ends_long_before_the_stated_end_is_told(breaths, laboratory):
    found = laboratory(breaths(), exercise_start_s=0, exercise_end_s=1200)
    (note,) = [p for p in found.problems if p.column == "exercise_end_s"]
    assert "1200 s, is after the last breath" in note.what


def test_tests_of_one_long_file_are_cut_apart(make_study, breath_frame, tmp_path):
    t = np.arange(120.0)
    parts = [breath_frame(t_s=t, vo2_ml_min=t * 0 + 70.0 * value) for value in (40, 50)]
    ids = ["T1", "T2"]
    long = pd.concat([one.assign(lab_test_id=i) for i, one in zip(ids, parts, strict=True)])
    path = tmp_path / "breaths.csv"
    long.sort_values("t_s").dropna(axis=1, how="all").to_csv(path, index=False)  # rows interleaved
    rows = [
        {"lab_test_id": i, "athlete_id": i, "date": DAY, "mode": "run", "mass_kg": 70} for i in ids
    ]
    study = make_study(breaths=dict.fromkeys(ids, path), lab_tests=rows)
    assert laboratory_values(study).frame["lab"].tolist() == pytest.approx([40, 50])
