"""Pairing steps 1 to 3 on tables solved by hand. Day 0 is a Monday; tests are mostly on day 40."""

import pytest

# --- step 1: copies -------------------------------------------------------------------------------


def test_equal_values_at_one_instant_are_copies_of_the_first_row(study):
    study.lab("A1", 40).reading("A1", 37, "52").reading("A1", 37, "52.0").reading("A1", 37, " 52 ")
    study.reading("A1", 38, 54)
    paired = study.pair()
    assert paired.reasons() == {3: "copy", 4: "copy"}
    assert paired.one().field == 53


def test_unequal_values_at_one_instant_all_leave(study):
    study.lab("A1", 40).reading("A1", 36, 52).reading("A1", 36, 52).reading("A1", 36, 53)
    study.reading("A1", 37, 52).reading("A1", 38, 54)
    paired = study.pair()
    assert paired.reasons() == dict.fromkeys((2, 3, 4), "conflicting_copy")
    assert paired.one().field == 53


@pytest.mark.slow
def test_method_mode_and_athlete_keep_readings_of_one_instant_apart(study):
    for athlete in ("A1", "A2"):
        study.lab(athlete, 40)
        for when in (37, 38):
            study.reading(athlete, when, 52 + when / 8)
            study.reading(athlete, when, 50 + when / 8, method="other")
            study.reading(athlete, when, 48 + when / 8, mode="walk")
    paired = study.pair()
    assert set(paired.reasons().values()) == {"mode_mismatch"}
    assert len(paired.pairs) == 4


@pytest.mark.slow
def test_a_row_set_aside_does_not_conflict(study):
    study.lab("A1", 40).reading("A1", 37, 130).reading("A1", 37, 52).reading("A1", 38, 54)
    paired = study.pair()
    assert paired.reasons() == {2: "out_of_range"}
    assert paired.one().field == 53


@pytest.mark.slow
def test_values_in_different_units_are_compared_in_one_unit(study):
    study.lab("A1", 40).reading("A1", 37, 50, set_mass_kg=70)
    study.reading("A1", 37, "", vo2max_l_min=3.5, set_mass_kg=70)
    study.reading("A1", 38, 54)
    assert study.pair().reasons() == {3: "copy"}


# --- step 2: stale runs ---------------------------------------------------------------------------


def test_a_run_longer_than_allowed_counts_once(study):
    study.toml = "[pairing]\nstale_after_days = 3\nminimum_days = 1\n"
    study.lab("A1", 40)
    study.reading("A1", 34, 52).reading("A1", "2026-04-05T11:00:00", 52)  # day 34 twice
    for when in (35, 36, 37):
        study.reading("A1", when, 52)
    study.reading("A1", 38, 56)
    paired = study.pair()
    assert paired.reasons() == dict.fromkeys((3, 4, 5, 6), "stale")
    assert paired.one().field == 54
    assert paired.one().n_days == 2


@pytest.mark.slow
def test_shorter_runs_stay(study):
    study.toml = "[pairing]\nstale_after_days = 3\n"
    series = [
        [(34, 52), (35, 52), (36, 52)],  # exactly as long as allowed
        [(33, 52), (34, 52), (36, 52), (37, 52)],  # a day without reading ends the run
        [(33, 52), (34, 52), (35, 51), (36, 52), (37, 52)],  # another value ends it
    ]
    for i, readings in enumerate(series):
        study.lab(f"A{i}", 40)
        for when, value in readings:
            study.reading(f"A{i}", when, value)
    paired = study.pair()
    assert paired.reasons() == {}
    assert list(paired.pairs.n_estimates) == [3, 4, 5]


@pytest.mark.slow
def test_a_day_with_two_values_ends_a_run(study):
    study.toml = "[pairing]\nstale_after_days = 3\n"
    study.lab("A1", 40)
    for when in (33, 34, 35, 36, 37):
        study.reading("A1", when, 52)
    study.reading("A1", "2026-04-06T11:00:00", 53)  # day 35
    assert study.pair().reasons() == {}


@pytest.mark.slow
def test_a_run_is_found_over_the_whole_series_not_inside_a_window(study):
    study.toml = "[pairing]\nstale_after_days = 3\n"
    study.lab("A1", 40)
    for when in (23, 24, 25, 26, 27):  # gaps 17 to 13: only two days are inside the window
        study.reading("A1", when, 52)
    study.two("A1", 40, 54)
    assert study.pair().reasons() == {2: "outside_window"} | dict.fromkeys((3, 4, 5, 6), "stale")


@pytest.mark.slow
def test_a_steady_athlete_with_a_reading_on_each_of_21_days_is_not_lost(study):
    study.lab("A1", 40)
    for when in range(19, 40):
        study.reading("A1", when, 52)
    paired = study.pair()
    assert "stale" not in set(paired.reasons().values())
    assert paired.one().n_days == 7


@pytest.mark.slow
def test_methods_have_runs_of_their_own(study):
    study.toml = "[pairing]\nstale_after_days = 3\n"
    study.lab("A1", 40)
    for when in (34, 36):
        study.reading("A1", when, 52).reading("A1", when + 1, 52, method="other")
    study.reading("A1", 38, 52).reading("A1", 39, 52, method="other")
    assert study.pair().reasons() == {}


# --- step 3: units and candidates -----------------------------------------------------------------


@pytest.mark.slow
def test_a_unit_reaches_from_its_first_test_only(study):
    # Days 40, 48 and 54: 48 is 8 after 40 and joins; 54 is 14 after 40 and does not.
    study.lab("A1", 40, 50).lab("A1", 48, 53).lab("A1", 54, 60)
    study.two("A1", 40, 52).two("A1", 54, 58)
    paired = study.pair()
    first, second = paired.one(lab_test_id="T1"), paired.one(lab_test_id="T3")
    assert (first.lab, second.lab) == (51.5, 60)
    assert first.lab_date == "2026-04-11"
    assert paired.counts("lab_tests.csv") == (3, 1, 2, 0)


def test_the_last_day_of_a_repeat(study):
    study.lab("A1", 40, 50).lab("A1", 50, 53).lab("A2", 40, 50).lab("A2", 51, 53)
    study.two("A1", 40, 52).two("A2", 40, 52)
    paired = study.pair()
    assert paired.one(athlete_id="A1").lab == 51.5
    assert paired.one(athlete_id="A2").lab == 50


@pytest.mark.slow
def test_tests_of_one_day_join_in_order_of_their_id_as_text(study):
    study.lab("A1", 40, 50, lab_test_id="T2", averaging_rule="moving 30 s")
    study.lab("A1", 40, 54, lab_test_id="T10").two("A1", 40, 52)
    pair = study.pair().one()
    assert (pair.lab_test_id, pair.lab) == ("T10", 52)


@pytest.mark.slow
def test_modes_that_may_pair_are_still_no_repeats(study):
    study.toml = '[pairing]\nmode_match = [["run", "walk"]]\n'
    study.lab("A1", 40, 50).lab("A1", 44, 46, mode="walk").two("A1", 40, 52)
    pair = study.pair().one()
    assert (pair.lab_test_id, pair.lab) == ("T1", 50)


@pytest.mark.slow
def test_max_confirmed_of_a_unit(study):
    yes = {"plateau": "yes"}  # below: every criterion known and none met
    no = {"plateau": "no", "rer_max": 1.0, "hr_max_bpm": 150, "rpe_max": 12, "lactate_mmol_l": 4}
    for i, (first, second) in enumerate(((yes, yes), (yes, no), (yes, {}), ({}, no))):
        athlete = f"A{i}"
        study.athlete(athlete, age_years=30).two(athlete, 40, 52)
        study.lab(athlete, 40, 50, **first).lab(athlete, 44, 50, **second)
    assert list(study.pair().pairs.max_confirmed) == ["yes", "no", "unknown", "no"]


def both_sides(study):
    study.toml = "[pairing]\ndays_after = 10\nminimum_days = 1\nsummary_days = 10\n"
    return study


def test_a_reading_serves_the_nearest_unit_only(study):
    both_sides(study).lab("A1", 40).lab("A1", 60)
    study.reading("A1", 49, 52).reading("A1", 51, 54)
    paired = study.pair()
    assert paired.one(lab_test_id="T1").field == 52
    assert paired.one(lab_test_id="T2").field == 54


@pytest.mark.slow
def test_a_tie_between_units_goes_to_the_later_date(study):
    both_sides(study).lab("A1", 40).lab("A1", 60).reading("A1", 50, 52)
    pair = study.pair().one()
    assert (pair.lab_test_id, pair.gap_days) == ("T2", 10)


@pytest.mark.slow
def test_a_tie_between_units_goes_to_the_equal_mode_first(study):
    both_sides(study)
    study.toml += 'mode_match = [["run", "walk"]]\n'
    study.lab("A1", 40).lab("A1", 60, mode="walk").reading("A1", 50, 52)
    pair = study.pair().one()
    assert (pair.lab_test_id, pair.gap_days) == ("T1", -10)


@pytest.mark.slow
def test_the_nearer_unit_wins_over_the_equal_mode(study):
    both_sides(study)
    study.toml += 'mode_match = [["run", "walk"]]\n'
    study.lab("A1", 40).lab("A1", 60, mode="walk").reading("A1", 51, 52)
    assert study.pair().one().lab_test_id == "T2"


@pytest.mark.slow
def test_a_tie_of_date_and_mode_goes_to_the_smaller_id_as_text(study):
    both_sides(study)
    study.lab("A1", 40, lab_test_id="T9").lab("A1", 40, mode="walk", lab_test_id="T10")
    study.reading("A1", 38, 52, mode="resting")
    assert study.pair().one().lab_test_id == "T10"


def test_a_reading_is_not_freed_when_its_pair_fails(study):
    # Day 51 belongs to the test of day 60 (gap 9 against -11), whose only day it is: no pair there,
    # and the test of day 40, one day short, does not get it back.
    study.toml = "[pairing]\ndays_after = 14\nsummary_days = 14\nminimum_days = 2\n"
    study.lab("A1", 40).lab("A1", 60).reading("A1", 38, 52).reading("A1", 51, 54)
    paired = study.pair()
    assert paired.pairs.empty
    assert paired.reasons() == {2: "too_few_readings", 3: "too_few_readings"}
    assert paired.reasons("lab_tests.csv") == {2: "too_few_readings", 3: "too_few_readings"}
