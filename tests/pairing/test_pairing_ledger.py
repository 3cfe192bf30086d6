"""Every row read is used, summarised or excluded; and what the reader is told on the way."""

from dataclasses import replace

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agreement.stats.limits.limits import FEW_FOR_REPORTS
from agreement.tables.options import FileFormat, Method
from agreement.terms import EXCLUSION_COLUMNS, FLOW_COLUMNS, PAIR_COLUMNS, REASONS


def flow(pairing, file):
    """Return rows_read, used, summarised, excluded of a file."""
    return tuple(pairing.flow.set_index("file").loc[file])


def paired(study, athlete="A", **more):
    """Add a test with two readings that make a pair of 52 mL/kg/min."""
    return study.lab(athlete, 20, **more).readings(athlete, (17, 51), (19, 53))


# --- the account ----------------------------------------------------------------------------------


def test_the_tables_have_their_columns(study):
    found = paired(study).reading("B", 3).pair()
    assert list(found.pairs) == PAIR_COLUMNS
    assert list(found.exclusions) == EXCLUSION_COLUMNS
    assert list(found.flow) == FLOW_COLUMNS


def test_an_empty_study_has_empty_tables_with_their_columns(study):
    found = study.pair()
    assert list(found.pairs) == PAIR_COLUMNS
    assert list(found.exclusions) == EXCLUSION_COLUMNS
    assert list(found.daily)[:2] == ["athlete_id", "lab_test_id"]
    assert len(found.pairs) == len(found.exclusions) == len(found.daily) == 0
    assert flow(found, "lab.csv") == (0, 0, 0, 0)


def test_a_row_alone_behind_a_value_is_used_one_of_several_is_summarised(study):
    study.rules(minimum_days=1).lab("A", 20).lab("A", 24, 51).lab("B", 20)
    study.readings("A", (17, 51), (19, 53)).reading("B", 19)
    found = study.pair()
    assert flow(found, "lab.csv") == (3, 1, 2, 0)
    assert flow(found, "watch.csv") == (3, 1, 2, 0)


def test_a_test_without_pair_for_one_method_but_with_another_is_used_and_noted(study):
    paired(study)
    paired(study, "B").readings("B", (17, 51), (19, 53), method="w")
    found = study.pair()
    assert flow(found, "lab.csv") == (2, 2, 0, 0)
    (note,) = [p for p in found.problems if p.reason == "no_pair_for_method"]
    assert (note.severity, note.file) == ("note", "lab.csv")
    assert note.what == ("1 laboratory test in a pair of another method, but in none of w: row 2.")


@pytest.mark.parametrize(
    ("days", "message"),
    [
        ([-3], "Nearest estimate is 23 days before the test; the window is 14 before to 0 after"),
        ([26, -9], "Nearest estimate is 6 days after the test; the window is 14 before to 0 after"),
        (
            [20],
            "Every estimate in its window was left out or serves a nearer test; see their lines.",
        ),
        ([], "The athlete has no estimate; collect some around the test, or join the id in id_map"),
    ],
)
def test_why_a_laboratory_test_has_no_pair(study, reasons, said, days, message):
    study.lab("A", 20)
    for day in days:
        study.reading("A", day)
    found = study.pair()
    assert reasons(found, "lab.csv") == {2: "no_estimate_in_window"}
    assert said(found, 2, "lab.csv").startswith(message)


def test_an_estimate_after_the_test_that_serves_a_later_one_is_in_its_window(study, said):
    found = (
        study.rules(days_after=25, minimum_days=1).lab("A", 20).lab("A", 40).reading("A", 38).pair()
    )
    assert said(found, 2, "lab.csv").startswith(
        "Every estimate in its window was left out or serves"
    )


def test_the_nearest_estimate_of_either_kind_is_named_with_its_own_window(study, said):
    study.lab("A", 20).reading("A", -3).field_test("A", 38)
    assert said(study.pair(), 2, "lab.csv") == (
        "Nearest estimate is 18 days after the test; the window is 14 before to 14 after the test "
        "(`days_before`, `days_after`)."
    )


def test_a_test_with_estimates_of_another_mode_says_so(study, reasons, said):
    found = study.lab("A", 20, mode="cycle").reading("A", 19).pair()
    assert reasons(found, "lab.csv") == {2: "no_estimate_in_window"}
    assert said(found, 2, "lab.csv").startswith("Laboratory on cycle; the estimates near it are")


def test_all_tests_of_a_unit_without_pair_are_left_out(study, reasons):
    found = study.lab("A", 20).lab("A", 22).pair()
    assert reasons(found, "lab.csv") == dict.fromkeys((2, 3), "no_estimate_in_window")


def test_athletes_are_used_when_in_a_pair(study, reasons):
    paired(study).lab("B", 20).athlete("A").athlete("B").athlete("C")
    found = study.pair()
    assert flow(found, "people.csv") == (3, 1, 0, 2)
    assert reasons(found, "people.csv") == {
        3: "no_estimate_in_window",
        4: "athlete_without_laboratory_test",
    }


def test_lines_of_the_stages_before_join_in_order_of_the_rows(study):
    paired(study).line("laboratory", "lab_tests", "T8", "missing_value").lab("B", 20)
    study.line("tables", "lab_tests", "T9", "no_mass")
    study.line("readings", "field_estimates", "A", "out_of_range")
    found = study.pair()
    assert flow(found, "lab.csv") == (4, 1, 0, 3)
    assert flow(found, "watch.csv") == (3, 0, 2, 1)
    rows = found.exclusions[["file", "row", "reason"]].astype(str).to_numpy().tolist()
    assert rows == [
        ["lab.csv", "3", "missing_value"],
        ["lab.csv", "4", "no_estimate_in_window"],
        ["lab.csv", "5", "no_mass"],
        ["watch.csv", "4", "out_of_range"],
    ]


@pytest.mark.parametrize(("count", "words"), [(1, "1 row removed"), (3, "3 rows removed")])
def test_people_who_withdrew_leave_a_count_and_nothing_else(study, count, words):
    paired(study).withdrawn["watch.csv"] = count
    found = study.pair()
    assert flow(found, "watch.csv") == (2 + count, 0, 2, count)
    line = found.exclusions.iloc[-1]
    assert (line["file"], line["reason"]) == ("watch.csv", "withdrawn")
    assert pd.isna(line["row"])
    assert pd.isna(line["id"])
    assert line["message"] == f"{words} at the participant's own request."


def test_a_withdrawn_line_of_the_tables_stage_is_not_counted_twice(study):
    paired(study).withdrawn["watch.csv"] = 1
    study.lines["tables"] = [
        {"file": "watch.csv", "row": pd.NA, "reason": "withdrawn", "message": "1 row removed."}
    ]
    assert flow(study.pair(), "watch.csv") == (3, 0, 2, 1)


def test_breath_files_follow_their_test(study):
    paired(study).lab("A", 22).lab("B", 20).readings("B", (17, 51), (19, 53)).lab("C", 20)
    study.line("laboratory", "lab_tests", "T9", "missing_value")
    study.breaths = ["T1", "T2", "T3", "T4", "T9"]
    found = study.pair()
    assert flow(found, "breaths") == (5, 1, 2, 2)
    lines = found.exclusions[found.exclusions["file"] == "breaths"]
    assert lines["id"].tolist() == ["T4", "T9"]
    assert lines["row"].isna().all()
    assert lines["reason"].tolist() == ["no_estimate_in_window", "missing_value"]
    assert lines["message"].iloc[1] == "Said by laboratory."


def test_breath_files_set_aside_before_are_counted_once(study):
    paired(study).breaths = ["T1", "T7"]
    study.lines["tables"] = [
        {"file": "breaths/T7.csv", "row": 1, "id": "T7", "reason": "missing_value", "message": "-"}
    ]
    assert flow(study.pair(), "breaths") == (2, 1, 0, 1)


def test_sessions_behind_a_paired_estimate_or_profile_are_summarised(study, reasons, said):
    paired(study).lab("B", 40)
    for name in ("S1", "S2", "S3", "S4", "S5"):
        study.session("A", name)
    study.session("C", "S6").session_estimate("A", 19, 50, "S1", "S2")
    study.session_estimate("A", 18, 50, "S1").session_estimate("A", 50, 50, "S4")
    study.profile("T1", "S3", "S4").profile("T2", "S5").session("A", "S7")
    study.line("readings", "sessions", "S8", "session_quality").samples = ["S1", "S5"]
    found = study.pair()
    assert flow(found, "training.csv") == (8, 0, 4, 4)
    assert reasons(found, "training.csv") == {
        6: "no_estimate_in_window",  # in the profile of a test without pair
        7: "athlete_without_laboratory_test",
        8: "outside_window",
        9: "session_quality",
    }
    assert said(found, 8, "training.csv") == "In the window of no laboratory test (`window_days`)."
    assert flow(found, "samples") == (2, 0, 1, 1)


def test_a_session_left_out_has_the_first_cause_of_its_estimates(study, reasons):
    study.lab("A", 20).session("A", "S1")
    study.session_estimate("A", 21, 50, "S1").session_estimate("A", 60, 50, "S1")
    study.session_estimate("A", 19, 50, "S1")
    assert reasons(study.pair(), "training.csv") == {2: "outside_window"}


def test_rows_that_do_not_add_up_are_a_mistake_of_the_program(study):
    paired(study).rows_of["field_estimates"] += 1
    with pytest.raises(RuntimeError, match=r"watch\.csv: 3 rows read, but 0 used, 2 summarised"):
        study.pair()


def test_a_line_about_a_file_that_is_no_table_is_a_mistake_of_the_program(study):
    paired(study).lines["tables"] = [{"file": "ids.csv", "row": 2, "reason": "copy"}]
    with pytest.raises(RuntimeError, match=r"no table: \['ids.csv'\]"):
        study.pair()


def test_a_breath_file_without_test_is_a_mistake_of_the_program(study):
    paired(study).breaths = ["T77"]
    with pytest.raises(RuntimeError, match="No account of the owner of T77"):
        study.pair()


@settings(max_examples=15)
@given(st.data())
def test_rows_add_up_and_no_reason_or_message_is_missing(new_study, data):
    draw = lambda low, high: data.draw(st.integers(low, high))
    study = new_study()
    for athlete in "AB"[: draw(0, 2)]:
        study.athlete(athlete)
    for i in range(draw(0, 4)):
        study.lab("AB"[draw(0, 1)], draw(15, 40)).session("AB"[draw(0, 1)], f"S{i}")
    for i in range(draw(0, 6)):
        study.reading("ABC"[draw(0, 2)], draw(5, 40), draw(50, 51), hour=draw(1, 2))
        study.stages("AB"[draw(0, 1)], draw(10, 50), 50, draw(1, 3), f"f{i}")
    for session in [each["session_id"] for each in study.session_rows]:
        if draw(0, 1):
            study.session_estimate("A", draw(10, 40), 50, session)
        if draw(0, 1):
            study.profile(study.tests[draw(0, len(study.tests) - 1)]["lab_test_id"], session)
    study.breaths = [test["lab_test_id"] for test in study.tests if draw(0, 1)]
    study.samples = [each["session_id"] for each in study.session_rows if draw(0, 1)]
    for file in ("lab.csv", "watch.csv"):
        study.withdrawn[file] = draw(0, 2)
    found = study.pair()  # raises when a file does not add up
    table = found.flow.set_index("file")
    assert (table["rows_read"] == table[["used", "summarised", "excluded"]].sum(axis=1)).all()
    assert table.loc["lab.csv", "rows_read"] == len(study.tests) + study.withdrawn["lab.csv"]
    lines = found.exclusions
    listed = lines["file"].value_counts().to_dict()
    withdrawn = {file: max(count - 1, 0) for file, count in study.withdrawn.items()}
    for file, excluded in table["excluded"].items():
        assert listed.get(file, 0) + withdrawn.get(file, 0) == excluded
    assert set(lines["reason"]) <= set(REASONS)
    assert (lines["message"].astype(str).str.len() > 10).all()


# --- values and notes -----------------------------------------------------------------------------


def test_a_value_in_litres_takes_the_mass_of_its_test(study, reasons, said):
    study.lab("A", 20, mass_kg=80).lab("B", 20, mass_kg=None).lab("C", 20, mass_kg=40)
    for athlete, litres in (("A", 4.0), ("B", 4.0), ("C", 4.5)):
        for day in (17, 19):
            study.reading(athlete, day, None, field_l_min=litres)
    study.reading("A", 60, None, field_l_min=4.0)
    found = study.pair()
    assert found.pairs["field"].tolist() == [50]
    assert reasons(found) == {
        4: "no_mass",
        5: "no_mass",
        6: "out_of_range",
        7: "out_of_range",
        8: "no_mass",
    }
    assert said(found, 4).startswith("Value in L/min without a body mass")
    assert said(found, 6).startswith("112.5 mL/kg/min with the body mass of the laboratory test")


def test_inputs_are_compared_with_the_laboratory(study):
    more = {"set_mass_kg": 82.0, "set_hr_max_bpm": 201.0, "set_age_years": 27.0}
    study.lab("A", 20, mass_kg=74, hr_max_bpm=183, age_years=30)
    study.readings("A", (17, 51), (19, 53), **more)
    found = study.pair()
    pair = found.pairs.iloc[0]
    assert pair["mass_mismatch_pct"] == pytest.approx(100 * 8 / 74)
    assert pair["hr_max_mismatch_bpm"] == 18
    notes = {p.reason: p for p in found.problems if p.reason != "too_few"}
    assert {(p.file, p.row, p.severity) for p in notes.values()} == {("watch.csv", 2, "note")}
    assert notes["mass_mismatch"].what == "Set to 82 kg; the laboratory has 74 kg."
    assert notes["mass_mismatch"].column == "set_mass_kg"
    assert notes["hr_max_mismatch"].what == "Set to 201 bpm; the laboratory has 183 bpm."
    assert notes["age_mismatch"].what == "Set to 27 years; the laboratory has 30 years."


def test_a_note_names_the_column_as_the_file_calls_it(study):
    file = FileFormat(columns={"set_mass_kg": ("Weight",)})
    study.options = replace(study.options, files={"field_estimates": file})
    paired(study)
    study.rows[0]["set_mass_kg"] = 80.0
    notes = [p for p in study.pair().problems if p.reason == "mass_mismatch"]
    assert [p.column for p in notes] == ["Weight"]


@pytest.mark.parametrize(("told", "noted"), [(71.4, False), (71.41, True), (68.59, True)])
def test_a_mass_mismatch_above_two_per_cent_is_noted(study, told, noted):
    paired(study, mass_kg=70)
    study.rows[0]["set_mass_kg"] = told
    assert ("mass_mismatch" in {p.reason for p in study.pair().problems}) is noted


def test_unknown_inputs_give_empty_cells(study):
    pair = paired(study, mass_kg=None, hr_max_bpm=None).pair().pairs.iloc[0]
    assert pd.isna(pair["mass_mismatch_pct"])
    assert pd.isna(pair["hr_max_mismatch_bpm"])


@pytest.mark.parametrize(
    ("sensors", "answer"),
    [
        (("chest_strap", "chest_strap"), "chest_strap"),
        (("chest_strap", "wrist_optical"), "mixed"),
        ((None, None), "unknown"),
        ((None, "chest_strap"), "mixed"),
    ],
)
def test_the_sensor_of_a_pair(study, sensors, answer):
    study.lab("A", 20)
    for day, sensor in zip((17, 19), sensors, strict=True):
        study.reading("A", day, sensor=sensor)
    assert study.pair().pairs["sensor"].tolist() == [answer]


def test_the_sensor_of_rows_outside_the_summary_does_not_count(study):
    study = paired(study).reading("A", 10, sensor="wrist_optical")
    assert study.pair().pairs["sensor"].tolist() == ["chest_strap"]


def test_copies_and_stale_runs_are_noted_once_for_each_group(study):
    study.rules(stale_after_days=2, minimum_days=1).lab("A", 20)
    study.readings("A", (17, 50), (18, 50), (19, 50), (19, 50))
    notes = [(p.severity, p.reason, p.row, p.what) for p in study.pair().problems if p.row]
    assert notes == [
        (
            *("note", "copy", 5),
            "2 identical rows for A on 2026-03-21, 50 mL/kg/min; kept one, left out row 5.",
        ),
        (
            *("note", "stale", 3),
            "A: same value 50 mL/kg/min on 3 days running; counts as one, left out rows 3, 4.",
        ),
    ]


def test_groups_of_rows_that_count_as_one_name_the_rows_that_the_ledger_leaves_out(study, reasons):
    study.rules(stale_after_days=2).lab("A", 30).lab("B", 30)
    study.reading("A", 1, 50, hour=9).reading("A", 1, 50, hour=8)  # the smaller row number stays
    study.readings("A", (2, 50), (3, 50), (4, 51), (5, 51), (6, 51), (6, 51), (6, 51))
    study.readings("B", (4, 51), (5, 51), (6, 51))
    found = study.pair()
    left = {row for row, why in reasons(found).items() if why in ("copy", "stale")}
    assert left == {3, 4, 5, 7, 8, 9, 10, 12, 13}
    assert [p.what for p in found.problems if p.reason in ("copy", "stale")] == [
        "3 identical rows for A on 2026-03-08, 51 mL/kg/min; kept one, left out rows 9, 10.",
        "A: same value 50 mL/kg/min on 3 days running; counts as one, left out rows 3, 4, 5.",
        "A: same value 51 mL/kg/min on 3 days running; counts as one, left out rows 7, 8.",
        "B: same value 51 mL/kg/min on 3 days running; counts as one, left out rows 12, 13.",
    ]


def test_groups_that_are_not_shown_are_counted_by_their_rows(study):
    study.rules(stale_after_days=5)
    for i in range(22):
        study.lab(f"A{i:02}", 20).readings(f"A{i:02}", *(((on, 50)) for on in range(1, 8)))
    notes = [p for p in study.pair().problems if p.reason == "stale"]
    assert len(notes) == 21
    assert notes[0].what.endswith("on 7 days running; counts as one, left out rows 3 to 8.")
    assert notes[-1].what == "12 more rows have the same problem."


def test_a_method_without_any_pair_is_noted_too(study):
    found = paired(study).reading("A", 19, method="other").pair()
    (note,) = [p for p in found.problems if p.reason == "no_pair_for_method"]
    assert note.what == (
        "Not one value of other is in a pair; the main reason: too few days with a reading around the test."
    )


def test_readings_of_people_outside_the_athletes_table(study, reasons, said):
    study.rules(stale_after_days=1)
    paired(study).athlete("A").readings("X", (3, 50), (3, 50), (4, 50), (8, 50))
    found = study.pair()
    assert reasons(found) == {
        4: "unknown_athlete",
        5: "copy",
        6: "stale",
        7: "unknown_athlete",
    }
    assert said(found, 4) == "The athlete is not in the athletes table."
    listed = [p.row for p in found.problems if p.reason == "unknown_athlete"]
    assert listed == [4, 7]


@pytest.mark.parametrize(("based", "notes"), [(True, 1), (False, 0)])
def test_unknown_drugs_are_counted_where_a_method_rests_on_heart_rate(study, based, notes):
    paired(study, hr_limiting_drug="unknown")
    paired(study, "B")
    paired(study, "C")
    study.heart_rate_based = {"m": based}
    problems = study.pair().problems
    found = [p.what for p in problems if p.reason == "hr_limiting_drug_unknown"]
    assert len(found) == notes
    assert all(what.startswith("1 of 3 athletes with a pair of a heart-rate") for what in found)


def whole_study(study, reason):
    """Return what the notes of one reason say."""
    own = [p for p in study.pair().problems if p.reason == reason]
    assert {(p.severity, p.file, p.row, p.column) for p in own} <= {("note", "lab.csv", None, None)}
    return [p.what for p in own]


def test_tests_without_a_pair_are_counted_with_their_reasons(study):
    paired(study).lab("B", 20).lab("C", 20).lab("D", 20).reading("C", 19).reading("D", 18)
    assert whole_study(study, "no_pair") == [
        (
            "3 of 4 laboratory tests have no pair: rows 3, 4, 5 (1 `no_estimate_in_window`, "
            "2 `too_few_readings`)."
        )
    ]


def test_a_study_without_any_pair_says_so_in_its_own_sentence(study):
    study.lab("A", 20).lab("B", 20).reading("B", -10)
    assert whole_study(study, "no_pair") == [
        (
            "No laboratory test has a pair, so nothing can be compared: rows 2, 3 (2 "
            "`no_estimate_in_window`)."
        )
    ]
    assert whole_study(study, "too_few") == []


def test_one_test_without_a_pair_among_many_is_named(study):
    for i in range(10):
        paired(study, f"A{i}")
    study.lab("B", 20)
    assert whole_study(study, "no_pair") == [
        "1 of 11 laboratory tests has no pair: row 12 (1 `no_estimate_in_window`)."
    ]
    assert whole_study(study, "too_few") == []


def test_a_whole_study_without_faults_has_no_note(study):
    for i in range(FEW_FOR_REPORTS):
        paired(study, f"A{i}")
    assert study.pair().problems == ()


def test_too_few_athletes_for_limits_are_counted_for_each_method_and_mode(study):
    for i in range(9):
        paired(study, f"A{i}")
    study.readings("A1", (17, 51), (19, 53), method="w")
    assert whole_study(study, "too_few") == [
        "m, run: 9 athletes have a pair; limits need 10.",
        "w, run: 1 athlete has a pair; limits need 10.",
    ]


def test_a_drug_that_bars_an_athlete_from_a_method_leaves_one_fewer_for_its_limits(study):
    for i in range(10):
        paired(study, f"A{i}", hr_limiting_drug="yes" if i == 0 else "no")
    assert whole_study(study, "too_few") == []
    study.heart_rate_based = {"m": True}
    assert whole_study(study, "too_few") == [
        "m, run: 9 athletes without a heart-rate-limiting drug have a pair; limits need 10."
    ]


def test_an_athlete_whose_estimates_are_of_another_mode_is_not_sent_to_the_id_map(study, said):
    found = study.lab("A", 20).reading("A", -40, mode="cycle").pair()
    assert said(found, 2, "lab.csv") == (
        "The athlete has no estimate in this mode; collect some around the test."
    )


def test_users_of_heart_rate_limiting_drugs_stay_in_the_pairs(study):
    paired(study, hr_limiting_drug="yes").heart_rate_based = {"m": True}
    assert study.pair().pairs["hr_limiting_drug"].tolist() == ["yes"]


def test_a_method_called_resting_pairs_with_any_mode(study):
    study.options = replace(study.options, methods={"m": Method(resting=True)})
    pairs = paired(study, mode="cycle").pair().pairs
    assert pairs["mode"].tolist() == ["resting"]


def test_pairs_are_sorted_by_code_point(study):
    for athlete in ("b", "B", "é", "10", "9"):
        paired(study, athlete)
    study.readings("b", (17, 51), (19, 53), method="W")
    pairs = study.pair().pairs
    assert pairs["method"].tolist() == ["W", *"mmmmm"]
    assert pairs["athlete_id"].tolist() == ["b", "10", "9", "B", "b", "é"]


def test_messages_hold_neither_ids_nor_dates(study):
    paired(study, "Kestrel-7").reading("Kestrel-7", 60).reading("Osprey-9", 3)
    study.lab("Osprey-9", 40).athlete("Kestrel-7").athlete("Osprey-9")
    text = " ".join(study.pair().exclusions["message"].astype(str))
    assert "Nearest laboratory test is" in text
    assert "Kestrel" not in text
    assert "Osprey" not in text
    assert "2026" not in text
