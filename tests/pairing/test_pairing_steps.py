"""Each pairing rule on a study small enough to solve by hand. Day 20 is the day of the test."""

import pandas as pd
import pytest


def one(pairing, **where):
    """Return the single pair that agrees with `where`."""
    hit = pairing.pairs
    for column, value in where.items():
        hit = hit[hit[column] == value]
    assert len(hit) == 1, pairing.pairs.to_string()
    return hit.iloc[0]


# --- 1 copies -------------------------------------------------------------------------------------


def test_of_identical_rows_the_first_stays(study, reasons, said):
    study.lab("A", 20).reading("A", 18, 50).reading("A", 17, 53)
    study.reading("A", 18, 50).reading("A", 18, 50.0)
    found = study.pair()
    assert reasons(found) == {4: "copy", 5: "copy"}
    assert said(found, 4) == "3 identical rows for one athlete and time; kept one, the first."
    assert (one(found).field, one(found).n_estimates) == (51.5, 2)


def test_the_first_row_is_that_of_the_file_not_of_the_frame(study, reasons):
    study.lab("A", 20).reading("A", 18, 50).reading("A", 18, 50).reading("A", 17, 53)
    study.rows.reverse()
    assert reasons(study.pair()) == {3: "copy"}


def test_rows_that_contradict_each_other_all_leave(study, reasons, said):
    study.lab("A", 20).readings("A", (18, 50), (17, 53), (16, 53), (18, 51))
    found = study.pair()
    assert reasons(found) == {2: "conflicting_copy", 5: "conflicting_copy"}
    assert "2 rows for one athlete and time with different values" in said(found, 2)
    assert one(found).field == 53
    listed = [(p.severity, p.row) for p in found.problems if p.reason == "conflicting_copy"]
    assert listed == [("set_aside", 2), ("set_aside", 5)]


@pytest.mark.parametrize(
    "other", [{"hour": 10}, {"method": "w"}, {"mode": "walk"}], ids=["time", "method", "mode"]
)
def test_another_time_method_or_mode_is_no_copy(study, reasons, other):
    study.lab("A", 20).reading("A", 18, 50).reading("A", 18, 51, **other)
    assert "conflicting_copy" not in reasons(study.pair()).values()


def test_values_in_litres_are_compared_after_conversion(study, reasons):
    study.lab("A", 20, mass_kg=70).reading("A", 17, 53)
    study.reading("A", 18, 51).reading("A", 18, None, field_l_min=3.57)  # 3570 / 70 = 51
    study.reading("A", 16, 51).reading("A", 16, None, field_l_min=3.60)
    assert reasons(study.pair()) == {4: "copy", 5: "conflicting_copy", 6: "conflicting_copy"}


# --- 2 stale runs ---------------------------------------------------------------------------------


def stale_study(study, length, *, limit=4):
    """A run of one value that ends on the eve of the test."""
    study.rules(stale_after_days=limit, summary_days=14, minimum_days=1).lab("A", 20)
    return study.readings("A", *((20 - length + i, 50) for i in range(length)))


def test_a_run_beyond_the_limit_counts_once_on_its_first_day(study, reasons, said):
    found = stale_study(study, 5).pair()
    assert reasons(found) == dict.fromkeys((3, 4, 5, 6), "stale")
    assert said(found, 3).startswith("Same value 5 days running (more than 4, `stale_after")
    assert (one(found).n_days, one(found).gap_days) == (1, 5)


def test_a_run_up_to_the_limit_stays(study, reasons):
    found = stale_study(study, 4).pair()
    assert reasons(found) == {}
    assert one(found).n_days == 4


def test_a_day_without_reading_ends_a_run(study, reasons):
    study = stale_study(study, 3)
    study.readings("A", (13, 50), (14, 50), (15, 50))  # day 16 has none
    assert reasons(study.pair()) == {}


def test_a_day_with_two_values_ends_a_run(study, reasons):
    study = stale_study(study, 6)
    study.reading("A", 17, 51, hour=10)  # days 14 to 16 and 18 to 19 remain
    assert reasons(study.pair()) == {}


def test_a_day_with_two_values_belongs_to_no_run(study, reasons):
    study = stale_study(study, 5)
    study.reading("A", 15, 51, hour=10)  # four days remain
    assert reasons(study.pair()) == {}


def test_each_run_is_measured_alone(study, reasons):
    study = stale_study(study, 5)  # days 15 to 19
    study.readings("A", *((day, 50) for day in (10, 11, 12, 13)))
    assert reasons(study.pair()) == dict.fromkeys((3, 4, 5, 6), "stale")


def test_a_run_does_not_go_on_in_the_series_of_the_next_athlete(study, reasons):
    study = stale_study(study, 3).lab("B", 20)  # the last days of the study
    study.readings("B", (8, 50), (9, 50), (10, 50))  # its first days
    assert reasons(study.pair()) == {}


def test_a_day_with_one_value_twice_does_not_end_a_run(study, reasons):
    study = stale_study(study, 5)
    study.reading("A", 15, 50, hour=8).reading("A", 16, 50, hour=8)
    assert reasons(study.pair()) == dict.fromkeys((3, 4, 5, 6, 7, 8), "stale")


def test_a_run_is_looked_for_over_the_whole_series(study, reasons):
    study.rules(stale_after_days=4).lab("A", 20).lab("A", 60)
    study.readings("A", *((day, 50) for day in range(30, 36)), (58, 52), (59, 54))
    assert set(reasons(study.pair()).values()) == {"after_test", "stale"}


def test_field_tests_are_never_stale(study, reasons):
    study.field_test_rules(stale_after_days=1).lab("A", 20)
    for day in range(15, 20):
        study.field_test("A", day, 50, f"f{day}")
    assert "stale" not in reasons(study.pair(), "tests.csv").values()


# --- 3 units and windows --------------------------------------------------------------------------


def test_repeats_are_counted_from_the_first_test_of_a_unit(study):
    for day, value in ((20, 50), (28, 52), (31, 60)):
        study.lab("A", day, value)
    units = study.pair().units
    assert units["lab_test_id"].tolist() == ["T1", "T3"]  # day 31 is 11 after the first, 3 after
    assert units["lab"].tolist() == [51, 60]  # the second: it opens a unit of its own
    assert units["n_tests"].tolist() == [2, 1]


@pytest.mark.parametrize(("days_apart", "n_units"), [(10, 1), (11, 2)])
def test_a_repeat_may_be_ten_days_later(study, days_apart, n_units):
    assert len(study.lab("A", 20).lab("A", 20 + days_apart).pair().units) == n_units


def test_two_tests_on_one_day_are_one_unit_with_the_smaller_id(study):
    study.lab("A", 20, 50, lab_test_id="b").lab("A", 20, 52, lab_test_id="B")
    units = study.pair().units
    assert units["lab_test_id"].tolist() == ["B"]  # by code point
    assert units["lab"].tolist() == [51]


def test_tests_of_another_mode_or_athlete_are_no_repeats(study):
    study.lab("A", 20).lab("A", 21, mode="cycle").lab("B", 21)
    assert len(study.pair().units) == 3


@pytest.mark.parametrize(
    ("answers", "unit"),
    [
        (("yes", "yes"), "yes"),
        (("yes", "no"), "no"),
        (("no", "unknown"), "no"),
        (("yes", "unknown"), "unknown"),
    ],
)
def test_a_unit_is_confirmed_when_all_its_tests_are(study, answers, unit):
    for day, answer in zip((20, 22), answers, strict=True):
        study.lab("A", day, max_confirmed=answer)
    assert study.pair().units["max_confirmed"].tolist() == [unit]


def test_a_unit_has_the_first_known_mass_and_the_highest_heart_rate(study):
    study.lab("A", 20, mass_kg=None, hr_max_bpm=188).lab("A", 21, mass_kg=72, hr_max_bpm=191)
    study.lab("A", 22, mass_kg=74, hr_max_bpm=None)
    units = study.pair().units
    assert (units["mass_kg"].item(), units["hr_max_bpm"].item()) == (72, 191)


def test_repeats_list_every_test_under_the_id_of_its_unit(study):
    study.lab("B", 1, 60).lab("A", 28, 52).lab("A", 20, 50)
    repeats = study.pair().repeats
    assert repeats[["athlete_id", "lab_test_id", "lab"]].to_numpy().tolist() == [
        ["A", "T3", 50],
        ["A", "T3", 52],
        ["B", "T1", 60],
    ]


def test_a_reading_serves_the_nearer_test_only(study):
    study.rules(minimum_days=1, summary_days=14).lab("A", 20).lab("A", 32)
    study.readings("A", (19, 50), (30, 54))
    pairs = study.pair().pairs
    assert pairs["field"].tolist() == [50, 54]  # day 19 also lies in the window of day 32


def test_a_reading_is_not_freed_when_its_pair_fails(study, reasons):
    study.lab("A", 20).lab("A", 32)
    study.readings("A", (19, 50), (29, 54), (31, 56))
    found = study.pair()
    assert reasons(found)[2] == "too_few_readings"
    assert one(found).lab_test_id == "T2"
    assert one(found).n_days == 2


@pytest.mark.parametrize(
    ("tests", "winner"),
    [
        ([("T1", 15, "run"), ("T2", 19, "walk")], "T1"),  # equal mode before the later date
        ([("T1", 15, "walk"), ("T2", 19, "cycle")], "T2"),  # then the later date
        ([("b", 19, "walk"), ("a", 19, "cycle")], "a"),  # then the smaller id
        ([("b", 19, "run"), ("a", 19, "walk")], "b"),  # equal mode before the smaller id
        ([("T1", 14, "run"), ("T2", 19, "walk")], "T2"),  # but nearness comes first of all
    ],
)
def test_ties_between_tests(study, tests, winner):
    study.rules(mode_match=(("run", "walk", "cycle"),), days_after=10, minimum_days=1)
    for name, day, mode in tests:
        study.lab("A", day, lab_test_id=name, mode=mode)
    assert one(study.reading("A", 17, 50).pair()).lab_test_id == winner


# --- 4 summaries ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("summary", "field", "gap", "n_estimates", "n_days"),
    [
        ("mean", (50 + 53 + 56 + 61) / 4, 1, 5, 4),
        ("median", (53 + 56) / 2, 1, 5, 4),
        ("nearest", 56, 1, 1, 1),
        ("last", 61, -2, 1, 1),
    ],
)
def test_summaries_are_over_days(study, summary, field, gap, n_estimates, n_days):
    study.rules(summary=summary, days_after=5).lab("A", 20)
    study.reading("A", 13, 49).reading("A", 13, 51, hour=20)  # mean of the day 50
    study.readings("A", (18, 53), (19, 56), (22, 61), (12, 90))  # day 12 is 8 days before
    pair = one(study.pair())
    assert (pair.field, pair.gap_days) == (field, gap)
    assert (pair.n_estimates, pair.n_days) == (n_estimates, n_days)


def test_the_nearest_day_at_a_tie_is_the_one_before_the_test(study):
    study.rules(summary="nearest", days_after=5).lab("A", 20).readings("A", (22, 61), (18, 53))
    assert (one(study.pair()).field, one(study.pair()).gap_days) == (53, 2)


def test_rows_outside_the_summary_say_so(study, reasons, said):
    study.rules(summary="last").lab("A", 20).readings("A", (12, 50), (17, 51), (19, 52))
    found = study.pair()
    assert reasons(found) == {2: "not_summarised", 3: "not_summarised"}
    assert said(found, 2) == "8 days from the test; the summary takes up to 7 (`summary_days`)."
    assert said(found, 3) == "Another day stands for this test (summary `last`)."


def test_too_few_days_near_the_test(study, reasons, said):
    study.lab("A", 20).reading("A", 19, 50).reading("A", 19, 51, hour=20).reading("A", 10, 52)
    found = study.pair()
    assert found.pairs.empty
    assert reasons(found) == dict.fromkeys((2, 3, 4), "too_few_readings")
    assert (
        said(found, 2)
        == "1 day with a reading within 7 days of the test; 2 are needed (`minimum_days`)."
    )
    assert reasons(found, "lab.csv") == {2: "too_few_readings"}


def test_days_before_averaging_over_days_are_kept(study):
    study.lab("A", 20).lab("B", 20).reading("B", 19, 40)
    study.reading("A", 19, 50).reading("A", 19, 51, hour=20).readings("A", (18, 53), (9, 55))
    daily = study.pair().daily
    assert daily["gap_days"].tolist() == [11, 2, 1]  # all assigned days; B has no pair
    assert daily["field"].tolist() == [55, 53, 50.5]
    assert daily["lab"].tolist() == [50, 50, 50]
    assert daily["date"].tolist() == [pd.Timestamp(f"2026-03-{day}") for day in (11, 20, 21)]


# --- 5 reasons ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("day", "reason", "message"),
    [
        (5, "outside_window", "Nearest laboratory test is 15 days later; the window is 14 before"),
        (20, "same_day", "On the day of a laboratory test"),
        (
            21,
            "after_test",
            "Dated 1 day after the laboratory test; may have been tuned by it (`days_after`).",
        ),
        (34, "after_test", "Dated 14 days after the laboratory test"),
        (35, "outside_window", "Nearest laboratory test is 15 days earlier; the window is 14"),
    ],
)
def test_why_a_reading_serves_no_test(study, reasons, said, day, reason, message):
    found = study.lab("A", 20).reading("A", day).pair()
    assert reasons(found) == {2: reason}
    assert said(found, 2).startswith(message)


def test_a_reading_on_the_day_of_one_test_serves_no_other(study, reasons):
    study.rules(minimum_days=1).lab("A", 20).lab("A", 32).reading("A", 20)
    assert reasons(study.pair()) == {2: "same_day"}


def test_the_same_day_is_admitted_when_asked_for(study):
    study.rules(same_day=True, minimum_days=1).lab("A", 20).reading("A", 20, 51)
    assert one(study.pair()).gap_days == 0


def test_readings_of_athletes_without_test(study, reasons, said):
    found = study.lab("A", 20).reading("B", 19).pair()
    assert reasons(found) == {2: "athlete_without_laboratory_test"}
    assert (
        said(found, 2) == "The athlete has no usable laboratory test; add one, or correct the id."
    )


def test_another_mode_near_the_reading_is_a_mismatch_a_far_one_is_not(study, reasons, said):
    study.lab("A", 20, mode="cycle").reading("A", 19).reading("A", 3)
    found = study.pair()
    assert reasons(found) == {2: "mode_mismatch", 3: "outside_window"}
    assert (
        said(found, 2)
        == "Laboratory on cycle, estimate from run; they pair only where `mode_match` says so, "
        "for field tests that of [pairing.field_tests]."
    )
    assert (
        said(found, 3) == "No laboratory test of the same mode, and none of another mode near it; "
        "test in this mode."
    )


@pytest.mark.parametrize(
    ("day", "reason"),
    [(5, "outside_window"), (6, "mode_mismatch"), (23, "mode_mismatch"), (24, "outside_window")],
)
def test_a_mismatch_needs_the_window_of_the_other_mode(study, reasons, day, reason):
    study.rules(days_after=3).lab("A", 20, mode="cycle").reading("A", day)
    assert reasons(study.pair()) == {2: reason}


# --- 6 field tests and sessions -------------------------------------------------------------------


def test_field_tests_have_rules_of_their_own(study):
    study.lab("A", 20).field_test("A", 30, 55).field_test("A", 20, 54)
    pair = one(study.pair())
    assert (pair.method, pair.field, pair.gap_days, pair.n_days) == ("shuttle", 54, 0, 1)


def test_results_of_one_day_under_two_ids_are_readings_of_one_day(study, reasons):
    study.lab("A", 20).field_test("A", 18, 50, "f1").field_test("A", 18, 53, "f2")
    study.field_test("A", 18, 53, "f3")
    found = study.pair()
    assert reasons(found, "tests.csv") == {}
    assert one(found).field == 52
    assert (one(found).n_estimates, one(found).n_days) == (3, 1)


def test_results_of_one_day_under_one_id_are_copies_or_conflicts(study, reasons):
    study.lab("A", 20).field_test("A", 18, 50, "f1").field_test("A", 18, 50, "f1")
    study.field_test("A", 17, 50).field_test("A", 17, 51)  # neither has an id
    assert reasons(study.pair(), "tests.csv") == {
        3: "copy",
        4: "conflicting_copy",
        5: "conflicting_copy",
    }


def test_the_stages_of_one_result_are_summarised_or_left_out_together(study, reasons):
    study.lab("A", 20).stages("A", 19, 50, 3, "f1").stages("A", 60, 50, 2, "f2")
    found = study.pair()
    assert one(found).n_estimates == 1
    flow = found.flow.set_index("file").loc["tests.csv"]
    assert flow.tolist() == [5, 0, 3, 2]
    assert reasons(found, "tests.csv") == {5: "outside_window", 6: "outside_window"}


def test_session_estimates_follow_the_rules_of_estimates(study):
    study.lab("A", 20)
    for day in (12, 17, 19):
        study.session("A", f"S{day}").session_estimate("A", day, 40 + day, f"S{day}")
    pair = one(study.pair())
    assert (pair.method, pair.field, pair.n_days) == ("sessions_hr", 58, 2)


# --- 7 modes --------------------------------------------------------------------------------------


def test_modes_of_one_group_pair_and_keep_their_own_name(study):
    study.rules(mode_match=(("run", "walk"),), minimum_days=1)
    study.lab("A", 20).reading("A", 19, 50).reading("A", 18, 40, mode="walk")
    assert study.pair().pairs[["mode", "field"]].to_numpy().tolist() == [["run", 50], ["walk", 40]]


def test_two_modes_that_match_a_third_do_not_match_each_other(study, reasons):
    study.rules(mode_match=(("run", "walk"), ("walk", "ski"))).lab("A", 20, mode="ski")
    assert reasons(study.reading("A", 19).pair()) == {2: "mode_mismatch"}


@pytest.mark.parametrize("mode", ["run", "cycle", "other"])
def test_resting_pairs_with_any_mode(study, mode):
    study.rules(minimum_days=1).lab("A", 20, mode=mode).reading("A", 19, 48, mode="resting")
    assert one(study.pair())["mode"] == "resting"


def test_many_tests_lost_to_mode_name_the_key(study):
    for athlete in "ABCDEFGHI":
        study.lab(athlete, 20).readings(athlete, (18, 50), (19, 51))
    study.lab("J", 20, mode="cycle").readings("J", (18, 50), (19, 51))
    assert not [p for p in study.pair().problems if p.reason == "mode_mismatch"]  # 1 of 10
    study.lab("K", 20, mode="cycle").reading("K", 19, 50)
    (note,) = [p for p in study.pair().problems if p.reason == "mode_mismatch"]
    assert note.severity == "note"
    assert "2 of 11 laboratory tests have only estimates of another mode" in note.what
    assert "rows 11, 12" in note.what
    assert 'mode_match = [["cycle", "run"]] under [pairing]' in note.remedy


def test_a_test_far_from_every_reading_has_its_distance(study, reasons, said):
    study.lab("A", 20).lab("A", 2000).lab("B", -3000).readings("A", (18, 50), (19, 51))
    study.reading("B", 18, 50).reading("A", 300, 50)
    found = study.pair()
    assert reasons(found) == {4: "outside_window", 5: "outside_window"}
    assert "3018 days" in said(found, 4)
    assert "280 days" in said(found, 5)
