"""study.toml: every key has its effect, an unknown one names the nearest, none reaches outside."""

import pytest
from turns import slowly

MARGIN = "[margin]\nlimit_ml_kg_min = 3.5\n"


def small(study, people=3):
    for i in range(people):
        study.lab(f"A{i}", 40, 50 + i).two(f"A{i}", 40, 52.5 + i)
    return study


# --- what is refused ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("toml", "nearest"),
    [
        ("[margin]\nlimit_ml_kg_mn = 3.5\n", "limit_ml_kg_min"),
        ("[margins]\nlimit_ml_kg_min = 3.5\n", "margin"),
        ("[pairing]\ndays_befor = 3\n", "days_before"),
        ("[pairing]\nminimum_day = 3\n", "minimum_days"),
        ("[pairing.field_test]\ndays_before = 3\n", "field_tests"),
        ("[pairing.field_tests]\nsummarry = 'mean'\n", "summary"),
        ("[reference]\nsem_ml_kg = 2.6\n", "sem_ml_kg_min"),
        ("[change]\nminimum_gap_day = 3\n", "minimum_gap_days"),
        ("[extrapolation]\nminimum_hr_span = 3\n", "minimum_hr_span_bpm"),
        ("[profile]\nuses = 'stated'\n", "use"),
        ('[methods."m"]\nheart_rate_base = true\n', "heart_rate_based"),
        ("[report]\nseeds = 1\n", "seed"),
        ("[files.lab_tests]\nseperator = ';'\n", "separator"),
        ("[files.lab_test]\nseparator = ';'\n", "lab_tests"),
        ("[files.lab_tests.columns]\nvo2max_ml_kg_mn = 'VO2'\n", "vo2max_ml_kg_min"),
    ],
)
def test_an_unknown_key_stops_and_names_the_nearest(study, toml, nearest):
    small(study).toml = toml
    checked = study.check()
    assert checked.code == 2
    stops = checked.find(severity="stop", file="study.toml")
    assert len(stops) == 1
    assert nearest in stops[0]["what"] + stops[0]["remedy"]


@pytest.mark.parametrize(
    "toml",
    [
        MARGIN,  # agreed_on is required with a limit
        MARGIN + 'agreed_on = "soon"\n',
        "[margin]\nlimit_ml_kg_min = -1\nagreed_on = 2026-01-10\n",
        '[pairing]\ndays_before = "14"\n',
        "[pairing]\ndays_before = -1\n",
        '[pairing]\nsummary = "average"\n',
        '[pairing]\nmode_match = [["run", "hop"]]\n',
        "[pairing]\nsame_day = 1\n",
        '[change]\nvisits = "all"\n',
        '[profile]\nuse = "guessed"\n',
        '[report]\nkind = "essay"\n',
        '[reference]\naveraging_rule = "rolling half minute"\n',
        '[files.lab_tests]\ndate_order = "sideways"\n',
        '[files.lab_tests]\npath = "missing.csv"\n',
        '[files.lab_tests]\npath = "../lab_tests.csv"\n',
        '[files.lab_tests]\npath = "/etc/passwd"\n',
        '[files.lab_tests]\npath = "sub/../../lab_tests.csv"\n',
    ],
)
def test_a_value_that_cannot_be_used_stops(study, toml):
    small(study)
    study.text("../lab_tests.csv", study.table_text("lab_tests"))
    study.text("lab_tests.csv", study.table_text("lab_tests"))
    study.toml = toml
    checked = study.check()
    assert checked.code == 2
    assert checked.find(severity="stop")


def test_an_id_map_outside_the_folder_stops(study):
    small(study).study_keys = 'id_map = "../ids.csv"'
    study.text("../ids.csv", "found,athlete_id\nx,A1\n")
    assert study.check().code == 2


def test_an_empty_study_file_is_enough_when_times_have_offsets(study):
    study.lab("A1", "2026-03-22").text("study.toml", "")
    study.reading("A1", "2026-03-20T09:00:00Z", 51.5).reading("A1", "2026-03-21T09:00:00Z", 52.5)
    assert study.pair().one().field == 52


# --- reference ------------------------------------------------------------------------------------


def test_other_averaging_rules_stop_unless_the_study_allows_them(study):
    small(study).rows["lab_tests"][1]["averaging_rule"] = "fixed 15 breaths"
    study.toml = '[reference]\naveraging_rule = "moving 30 s"\n'
    checked = study.check()
    assert checked.code == 2
    assert "allow_mixed" in checked.text("stop")


@pytest.mark.slow
def test_mixed_averaging_rules_when_allowed(study):
    small(study).rows["lab_tests"][1]["averaging_rule"] = "Fixed 15 Breaths"
    study.rows["lab_tests"][2]["averaging_rule"] = ""
    study.toml = '[reference]\naveraging_rule = "moving 30 s"\nallow_mixed = true\n'
    rules = list(study.pair().pairs.averaging_rule)
    assert rules == ["moving 30 s", "fixed 15 breaths", "unknown"]


@pytest.mark.slow
def test_repeat_within_days(study):
    study.toml = "[reference]\nrepeat_within_days = 3\n"
    study.lab("A1", 40, 50).lab("A1", 44, 54).lab("A2", 40, 50).lab("A2", 43, 54)
    study.two("A1", 40, 52).two("A2", 40, 52)
    paired = study.pair()
    assert paired.one(athlete_id="A1").lab == 50
    assert paired.one(athlete_id="A2").lab == 52


def test_the_assumed_laboratory_error_is_used_and_named_when_there_are_no_repeats(study):
    small(study, people=12).toml = "[reference]\nsem_ml_kg_min = 2.6\n"
    numbers = study.numbers()
    row = numbers.row("repeatability", "typical_error", method="laboratory")
    assert row.value == 2.6
    assert "assumed" in row.note
    # the smallest real change is z sqrt 2 typical errors, z = 1.959963984540054
    change = numbers.row("repeatability", "smallest_real_change", method="laboratory")
    assert change.value == pytest.approx(1.959963984540054 * 2**0.5 * 2.6, rel=1e-12)
    floor = numbers.row("averaging_curve", "half_width_laboratory", group="floor")
    assert floor.value == pytest.approx(1.959963984540054 * 2.6, rel=1e-12)


# --- pairing --------------------------------------------------------------------------------------


@pytest.mark.slow
def test_days_before_and_days_after(study):
    study.toml = "[pairing]\ndays_before = 5\ndays_after = 2\nsummary_days = 5\n"
    study.lab("A1", 40)
    for when, value in ((34, 40), (35, 51), (42, 53), (43, 60)):
        study.reading("A1", when, value)
    paired = study.pair()
    assert paired.one().field == 52
    assert paired.reasons() == {2: "outside_window", 5: "after_test"}


@pytest.mark.slow
def test_summary_days_and_minimum_days(study):
    study.toml = "[pairing]\nsummary_days = 3\nminimum_days = 3\n"
    study.lab("A1", 40).lab("A2", 40)
    for athlete, days in (("A1", (36, 37, 38, 39)), ("A2", (36, 37, 38))):
        for when in days:
            study.reading(athlete, when, 50 + when / 8)
    paired = study.pair()
    assert list(paired.pairs.athlete_id) == ["A1"]
    assert paired.one().field == pytest.approx(50 + 38 / 8)
    assert paired.reasons()[2] == "not_summarised"
    assert {paired.reasons()[row] for row in (7, 8)} == {"too_few_readings"}


def run_12min(study, when, metres):
    study.field_test("A1", when, "run_12min_1968", distance_m=metres)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("key", "rows_left_out", "metres"),
    [
        ("days_before = 4", {2: "outside_window", 4: "not_summarised"}, 2700),
        ("days_after = 0", {2: "not_summarised", 4: "after_test"}, 2700),
        ('summary = "mean"', {}, 2750),
        ('summary = "median"', {}, 2700),
        ('summary = "last"', {2: "not_summarised", 3: "not_summarised"}, 2950),
        ("summary_days = 2", {2: "not_summarised", 4: "not_summarised"}, 2700),
    ],
)
def test_field_tests_have_the_same_keys(study, key, rows_left_out, metres):
    study.lab("A1", 40)
    for when, distance in ((35, 2600), (38, 2700), (43, 2950)):
        run_12min(study, when, distance)
    study.toml = f"[pairing.field_tests]\n{key}\n"
    paired = study.pair()
    assert paired.one().field == pytest.approx((metres - 504.9) / 44.73)
    assert paired.reasons("field_tests.csv") == rows_left_out


@pytest.mark.slow
def test_field_tests_on_the_day_and_with_too_few_days(study):
    study.lab("A1", 40)
    run_12min(study, 40, 2600)
    study.toml = "[pairing.field_tests]\nsame_day = false\n"
    assert study.pair().reasons("field_tests.csv") == {2: "same_day"}


@pytest.mark.slow
def test_minimum_days_of_field_tests(study):
    study.lab("A1", 40)
    run_12min(study, 38, 2600)
    study.toml = "[pairing.field_tests]\nminimum_days = 2\n"
    assert study.pair().reasons("field_tests.csv") == {2: "too_few_readings"}


@pytest.mark.slow
def test_the_keys_of_field_tests_leave_estimates_alone(study):
    study.toml = "[pairing.field_tests]\nminimum_days = 9\ndays_before = 0\n"
    assert len(small(study).pair().pairs) == 3


# --- methods --------------------------------------------------------------------------------------


def drug_study(study):
    for i in range(12):
        study.athlete(f"A{i:02}", hr_limiting_drug="yes" if i < 2 else "no")
        study.lab(f"A{i:02}", 40, 50 + i).two(f"A{i:02}", 40, 51 + i + (i % 3))
    return study


def test_a_heart_rate_based_method_leaves_athletes_under_the_drug_out(study):
    assert drug_study(study).numbers().row("limits_of_agreement", "bias").n == 10


@pytest.mark.slow
def test_a_method_that_needs_no_heart_rate_keeps_them(study):
    drug_study(study).toml = '[methods."m"]\nheart_rate_based = false\n'
    assert study.numbers().row("limits_of_agreement", "bias").n == 12


@pytest.mark.slow
def test_a_resting_method_pairs_with_any_mode(study):
    study.toml = '[methods."m"]\nresting = true\n'
    study.lab("A1", 40, mode="cycle").two("A1", 40, 52)
    assert len(study.pair().pairs) == 1


# --- profile --------------------------------------------------------------------------------------


def test_stated_profiles(study):
    study.toml = '[profile]\nuse = "stated"\n'
    study.athlete("A0", training_profile="long and slow")
    study.lab("A0", 40).two("A0", 40, 52)
    assert study.pair().one().training_profile == "long and slow"


def train(study, minutes=(50.0, 8.0, 2.0), count=14, first=0, **more):
    """Add sessions every third day before the test of day 43, with minutes in three zones."""
    study.athlete("A0", training_profile="what the athlete says")
    study.lab("A0", 43, hr_max_bpm=190).two("A0", 43, 52)
    zones = dict(zip(("zone1_min", "zone2_min", "zone3_min"), minutes, strict=True))
    for i in range(count):
        row = {"duration_min": sum(minutes), "intermittent": "no"} | zones | more
        study.session("A0", first + 3 * i + 1, **row)
    return study


def profile_of(study):
    return study.pair().one(method="m").training_profile


def test_profiles_are_computed_when_sessions_exist(study):
    # 14 sessions of 80 min = 18.7 h; zone 1 0.95, zone 3 0.01, median 80 min
    assert profile_of(train(study, (76.0, 3.2, 0.8))) == "low-intensity volume"


@pytest.mark.parametrize(
    ("minutes", "more", "profile"),
    [
        ((50.0, 8.0, 2.0), {}, "balanced"),  # zone 1 0.83
        *slowly(  # tests/physiology/test_training.py has the rules
            [
                # 0.90, 0.02, 80 min
                ((72.0, 6.4, 1.6), {"duration_min": 80}, "low-intensity volume"),
                # zones 2 and 3 0.44
                ((25.0, 12.0, 8.0), {"duration_min": 45}, "short high-intensity"),
                ((50.0, 8.0, 2.0), {"intermittent": "yes"}, "intermittent sport"),
            ]
        ),
    ],
)
def test_the_four_profiles(study, minutes, more, profile):
    assert profile_of(train(study, minutes, **more)) == profile


@pytest.mark.slow
def test_the_profile_counts_the_window_before_the_test_only(study):
    study = train(study)
    for i in range(20):
        study.session("A0", 44 + i, intermittent="yes", zone1_min=60, zone2_min=0, zone3_min=0)
    assert profile_of(study) == "balanced"


@pytest.mark.slow
@pytest.mark.parametrize(("count", "enough"), [(11, False), (12, True)])
def test_too_few_sessions_make_no_profile(study, count, enough):
    assert profile_of(train(study, count=count)) == ("balanced" if enough else "not enough data")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("key", "profile"),
    [
        ("minimum_sessions = 15", "not enough data"),
        ("minimum_hours = 14.5", "not enough data"),
        ("minimum_weeks = 7", "not enough data"),
        ("window_days = 20", "not enough data"),
        (
            "low_zone1_share = 0.80\nlow_zone3_share = 0.10\nlow_median_min = 60",
            "low-intensity volume",
        ),
        ("high_zone23_share = 0.10\nhigh_median_min = 60", "short high-intensity"),
        ("high_zone3_share = 0.02\nhigh_median_min = 60", "short high-intensity"),
        ("intermittent_session_share = 0.0", "intermittent sport"),
        ('use = "stated"', "what the athlete says"),
    ],
)
def test_each_threshold_of_the_profile_has_its_effect(study, key, profile):
    train(study).toml = f"[profile]\n{key}\n"  # 14 h in 14 sessions: 0.83, 0.13, 0.03, 60 min
    assert profile_of(study) == profile


@pytest.mark.slow
def test_a_share_near_its_threshold_is_borderline(study):
    assert train(study, (51.6, 6.6, 1.8)).pair().one(method="m").profile_borderline in {"yes", "no"}
