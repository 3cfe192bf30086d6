"""Pairing steps 4 to 8 on tables solved by hand. Day 0 is a Monday; tests are mostly on day 40."""

import pytest

pytestmark = pytest.mark.slow  # the oracle's first seeds stand for these in a quick run


def both_sides(study):
    study.toml = "[pairing]\ndays_after = 10\nminimum_days = 1\nsummary_days = 10\n"
    return study


# --- step 4: the summary --------------------------------------------------------------------------


def test_readings_of_a_day_are_averaged_before_the_days(study):
    study.lab("A1", 40).reading("A1", 37, 50).reading("A1", "2026-04-08T18:00:00", 54)
    study.reading("A1", 38, 56)
    pair = study.pair().one()
    assert pair.field == 54  # (52 + 56) / 2, not (50 + 54 + 56) / 3
    assert (pair.n_estimates, pair.n_days, pair.gap_days) == (3, 2, 2)


@pytest.mark.parametrize(
    ("summary", "field", "left_out", "gap"),
    [
        ("mean", 54, set(), 1),
        ("median", 53, set(), 1),
        ("nearest", 58, {2, 3, 4}, 1),
        ("last", 58, {2, 3, 4}, 1),
    ],
)
def test_the_four_summaries(study, summary, field, left_out, gap):
    study.toml = f'[pairing]\nsummary = "{summary}"\n'
    study.lab("A1", 40)
    study.reading("A1", 35, 50).reading("A1", "2026-04-06T18:00:00", 52)  # day 35: mean 51
    study.reading("A1", 37, 53).reading("A1", 39, 58)  # mean (51+53+58)/3 = 54, median 53
    paired = study.pair()
    assert paired.one().field == field
    assert paired.one().gap_days == gap
    assert paired.reasons() == dict.fromkeys(left_out, "not_summarised")


def test_nearest_takes_the_day_before_on_a_tie_and_last_takes_the_latest_day(study):
    for summary, field, gap in (("nearest", 52, 2), ("last", 57, -4)):
        study.root = study.parent / summary
        study.root.mkdir()
        study.rows.clear()
        study.toml = f'[pairing]\nsummary = "{summary}"\ndays_after = 7\n'
        study.lab("A1", 40).reading("A1", 42, 54).reading("A1", 38, 52).reading("A1", 44, 57)
        pair = study.pair().one()
        assert (pair.field, pair.gap_days) == (field, gap)


def test_the_edge_of_the_summary(study):
    study.lab("A1", 40).reading("A1", 32, 40).reading("A1", 33, 52).reading("A1", 39, 54)
    paired = study.pair()
    assert paired.one().field == 53
    assert paired.reasons() == {2: "not_summarised"}


def test_too_few_days_make_no_pair(study):
    study.lab("A1", 40).reading("A1", 38, 52).reading("A1", "2026-04-09T18:00:00", 53)
    paired = study.pair()
    assert paired.pairs.empty
    assert paired.reasons() == {2: "too_few_readings", 3: "too_few_readings"}
    assert paired.reasons("lab_tests.csv") == {2: "too_few_readings"}


def test_minimum_days_holds_for_nearest_too(study):
    study.toml = '[pairing]\nsummary = "nearest"\n'
    study.lab("A1", 40).reading("A1", 38, 52)
    study.lab("A2", 40).reading("A2", 38, 52).reading("A2", 36, 51)
    paired = study.pair()
    assert list(paired.pairs.athlete_id) == ["A2"]
    assert paired.reasons() == {2: "too_few_readings", 4: "not_summarised"}


# --- step 5: same day, and why there is no candidate ----------------------------------------------


def test_the_edges_of_the_window(study):
    study.toml = "[pairing]\nsummary_days = 14\n"
    study.lab("A1", 40).reading("A1", 26, 52).reading("A1", 25, 40).reading("A1", 39, 54)
    paired = study.pair()
    assert paired.one().field == 53
    assert paired.reasons() == {3: "outside_window"}


def test_a_reading_on_the_test_day_serves_no_other_test(study):
    both_sides(study).lab("A1", 40).lab("A1", 52).reading("A1", 40, 52).reading("A1", 51, 53)
    paired = study.pair()
    assert paired.reasons() == {2: "same_day"}
    assert paired.one(lab_test_id="T2").field == 53


def test_a_reading_on_the_test_day_counts_where_the_study_says_so(study):
    study.toml = "[pairing]\nsame_day = true\n"
    study.lab("A1", 40).reading("A1", 40, 52).reading("A1", 39, 54)
    pair = study.pair().one()
    assert (pair.field, pair.gap_days) == (53, 0)


def test_another_mode_on_the_day_of_a_test_is_not_same_day(study):
    study.lab("A1", 40, mode="cycle").lab("A1", 42).reading("A1", 40, 52).reading("A1", 41, 54)
    paired = study.pair()
    assert paired.one().lab_test_id == "T2"
    assert paired.one().field == 53
    assert paired.reasons() == {}


def test_why_a_reading_has_no_candidate(study):
    for i, when in enumerate((43, 54, 55, 20)):
        study.lab(f"A{i}", 40).reading(f"A{i}", when, 50)
    assert list(study.pair().reasons().values()) == [
        "after_test",
        "after_test",
        "outside_window",
        "outside_window",
    ]


def test_the_nearest_test_decides_between_after_and_outside(study):
    study.lab("A1", 40).lab("A1", 71)
    study.reading("A1", 54, 50)  # 14 after the first, 17 before the second
    study.reading("A1", 56, 50)  # 16 after the first, 15 before the second
    assert study.pair().reasons() == {2: "after_test", 3: "outside_window"}


def test_another_modes_window(study):
    study.lab("A1", 40, mode="cycle").lab("A1", 30).reading("A1", 38, 50).reading("A1", 60, 50)
    # Day 38 follows the run test by 8 days, but lies inside the window of the cycle test.
    assert study.pair().reasons() == {2: "mode_mismatch", 3: "outside_window"}


# --- step 6: field tests --------------------------------------------------------------------------


def run_2800(study, athlete, when, metres=2800, **more):
    return study.field_test(athlete, when, "run_12min_1968", distance_m=metres, **more)


def test_field_tests_have_windows_of_their_own(study):
    # (2800 - 504.9) / 44.73 = 51.31 (equation: Cooper 1968, form from secondary pages)
    for athlete, when in (("A1", 26), ("A2", 25), ("A3", 40), ("A4", 54), ("A5", 55)):
        study.lab(athlete, 40)
        run_2800(study, athlete, when)
    paired = study.pair()
    assert list(paired.pairs.athlete_id) == ["A1", "A3", "A4"]
    assert set(paired.pairs.method) == {"run_12min_1968"}
    assert set(paired.pairs["mode"]) == {"run"}
    assert paired.pairs.field.tolist() == pytest.approx([(2800 - 504.9) / 44.73] * 3)
    assert list(paired.pairs.gap_days) == [14, 0, -14]
    assert paired.reasons("field_tests.csv") == {3: "outside_window", 6: "outside_window"}


def test_the_nearest_result_counts_and_the_day_before_on_a_tie(study):
    study.lab("A1", 40)
    run_2800(study, "A1", 43, 2600)
    run_2800(study, "A1", 37, 2800)
    paired = study.pair()
    assert paired.one().gap_days == 3
    assert paired.reasons("field_tests.csv") == {2: "not_summarised"}
    assert paired.counts("field_tests.csv") == (2, 1, 0, 1)


def test_results_of_one_day_with_unequal_ids_are_averaged(study):
    study.lab("A1", 40)
    run_2800(study, "A1", 38, 2600, field_test_id="F1")
    run_2800(study, "A1", 38, 2800, field_test_id="F2")
    pair = study.pair().one()
    assert pair.field == pytest.approx((2700 - 504.9) / 44.73)
    assert (pair.n_estimates, pair.n_days) == (2, 1)


def test_results_of_one_day_without_id_are_copies_or_conflicts(study):
    study.lab("A1", 40).lab("A2", 40)
    run_2800(study, "A1", 38)
    run_2800(study, "A1", 38)
    run_2800(study, "A2", 38, 2600)
    run_2800(study, "A2", 38, 2800)
    paired = study.pair()
    assert list(paired.pairs.athlete_id) == ["A1"]
    assert paired.reasons("field_tests.csv") == {
        3: "copy",
        4: "conflicting_copy",
        5: "conflicting_copy",
    }


def test_the_rows_of_a_stage_test_are_one_result(study):
    # 100 W/120 bpm and 150 W/145 bpm at 75 kg, carried to 180 bpm: (100 + 50 * 60/25) = 220 W,
    # 10.8 * 220 / 75 + 7 = 38.68 (reference sheet, worked value).
    study.lab("A1", 40, 45, mode="cycle")
    for stage, (watts, beats) in enumerate(((100, 120), (150, 145)), start=1):
        study.field_test(
            "A1", 38, "cycle_stages_hr", field_test_id="F1", stage=stage, power_w=watts,
            hr_bpm=beats, hr_max_bpm=180, mass_kg=75,
        )  # fmt: skip
    paired = study.pair()
    pair = paired.one()
    assert (pair.method, pair["mode"], pair.n_estimates) == ("cycle_stages_hr", "cycle", 1)
    assert pair.field == pytest.approx(38.68, abs=0.005)
    assert paired.counts("field_tests.csv") == (2, 0, 2, 0)


def test_a_test_that_was_not_completed(study):
    study.lab("A1", 40)
    run_2800(study, "A1", 38, completed="no")
    run_2800(study, "A1", 36, completed="yes")
    paired = study.pair()
    assert paired.reasons("field_tests.csv") == {2: "not_completed"}
    assert paired.one().gap_days == 4


# --- steps 7 and 8: modes, resting, drugs ---------------------------------------------------------


def test_only_equal_modes_pair_unless_the_study_says_so(study):
    for name, toml in (("no", ""), ("yes", '[pairing]\nmode_match = [["run", "cycle"]]\n')):
        study.root = study.parent / name
        study.root.mkdir()
        study.rows.clear()
        study.toml = toml
        study.lab("A1", 40, mode="cycle").two("A1", 40, 52)
        paired = study.pair()
        assert len(paired.pairs) == (name == "yes")
        if name == "yes":
            assert paired.one()["mode"] == "run"  # the reading's own mode
        else:
            assert set(paired.reasons().values()) == {"mode_mismatch"}


def test_resting_readings_pair_with_any_mode(study):
    study.lab("A1", 40, mode="cycle").lab("A2", 40, mode="run")
    study.two("A1", 40, 52, mode="resting").two("A2", 40, 52, mode="resting")
    assert list(study.pair().pairs["mode"]) == ["resting", "resting"]


def test_check_names_the_key_when_many_tests_are_lost_to_mode(study):
    for i in range(10):
        study.lab(f"A{i}", 40, mode="cycle" if i < 2 else "run").two(f"A{i}", 40, 52)
    assert "mode_match" in study.check().text("note")


def test_check_is_silent_when_a_tenth_is_lost_to_mode(study):
    for i in range(10):
        study.lab(f"A{i}", 40, mode="cycle" if i < 1 else "run").two(f"A{i}", 40, 52)
    assert "mode_match" not in study.check().text()


def test_athletes_under_a_heart_rate_limiting_drug_stay_in_the_pairs(study):
    study.athlete("A1", hr_limiting_drug="yes").athlete("A2", hr_limiting_drug="")
    study.lab("A1", 40).two("A1", 40, 52).lab("A2", 40).two("A2", 40, 52)
    assert list(study.pair().pairs.hr_limiting_drug) == ["yes", "unknown"]
