"""The ledger: columns, order, the equation of each file, the first cause, withdrawn people."""

import pytest

PAIRS = [
    "athlete_id",
    "lab_test_id",
    "lab_date",
    "method",
    "mode",
    "lab",
    "field",
    "difference",
    "n_estimates",
    "n_days",
    "gap_days",
    "training_profile",
    "profile_borderline",
    "max_confirmed",
    "averaging_rule",
    "sex",
    "age_years",
    "mass_kg",
    "sensor",
    "mass_mismatch_pct",
    "hr_max_mismatch_bpm",
    "hr_limiting_drug",
    "lab_mode",
]


def assert_adds_up(paired):
    flow = paired.flow
    assert (flow.rows_read == flow.used + flow.summarised + flow.excluded).all(), flow.to_string()
    for file in flow.file:
        lines = paired.exclusions[paired.exclusions.file == file]
        counted = lines.row.notna().sum()
        for message in lines[lines.row.isna()].message:
            counted += next(int(word) for word in message.split() if word.isdigit())
        assert counted == paired.counts(file)[3], file


@pytest.fixture
def messy(study):
    """One study with every common reason in it."""
    study.toml = "[pairing]\nstale_after_days = 3\nminimum_days = 2\n"
    for i in range(1, 9):
        study.athlete(f"A{i}", sex="male", age_years=30 + i, mass_kg=70, withdrawn="no")
    study.rows["athletes"][7]["withdrawn"] = "yes"  # A8
    study.lab("A1", 40, 50).two("A1", 40, 52)
    study.two("A1", 40, 50, method="other")
    study.lab("A2", 40, 50).lab("A2", 44, 52).two("A2", 40, 53)  # a repeat
    study.lab("A3", 40, 120)  # out of range: A3 has no laboratory test left
    study.lab("A4", 40).reading("A4", 38, 52)  # too few
    study.lab("A5", 40).reading("A5", 10, 52)  # outside
    study.reading("A6", 38, 52)  # no laboratory test
    study.lab("A7", 40, mode="cycle").two("A7", 40, 52)
    study.lab("A8", 40).two("A8", 40, 52)
    study.lab("A9", 40).two("A9", 40, 52)  # not in athletes
    study.reading("A1", 37, 51.875)  # a copy of row 2
    study.reading("A1", 36, 50).reading("A1", 36, 51)  # a conflict
    study.reading("A1", 10, 49).reading("A1", 41, 49).reading("A1", 35, "")
    for when in (20, 21, 22, 23):
        study.reading("A2", when, 47)
    return study


def test_the_messy_study(messy):
    paired = messy.pair()
    assert_adds_up(paired)
    assert list(zip(paired.pairs.athlete_id, paired.pairs.method, strict=True)) == [
        ("A1", "m"),
        ("A2", "m"),
        ("A1", "other"),
    ]
    assert paired.reasons("lab_tests.csv") == {
        5: "out_of_range",
        6: "too_few_readings",
        7: "no_estimate_in_window",
        8: "no_estimate_in_window",
        10: "unknown_athlete",
    }
    assert paired.reasons("athletes.csv") == {
        4: "athlete_without_laboratory_test",
        5: "no_estimate_in_window",
        6: "no_estimate_in_window",
        7: "athlete_without_laboratory_test",
        8: "no_estimate_in_window",
    }
    assert paired.counts("lab_tests.csv") == (9, 1, 2, 6)
    assert paired.counts("athletes.csv") == (8, 2, 0, 6)
    assert paired.reasons() == {
        8: "too_few_readings",
        9: "outside_window",
        10: "athlete_without_laboratory_test",
        11: "mode_mismatch",
        12: "mode_mismatch",
        15: "unknown_athlete",
        16: "unknown_athlete",
        17: "copy",
        18: "conflicting_copy",
        19: "conflicting_copy",
        20: "outside_window",
        21: "after_test",
        22: "missing_value",
        23: "outside_window",
        24: "stale",
        25: "stale",
        26: "stale",
    }
    assert paired.counts("field_estimates.csv") == (25, 0, 6, 19)


def test_columns_of_the_three_tables(messy):
    paired = messy.pair()
    assert list(paired.pairs.columns) == PAIRS
    assert list(paired.exclusions.columns) == ["file", "row", "id", "reason", "message"]
    assert list(paired.flow.columns) == ["file", "rows_read", "used", "summarised", "excluded"]
    assert set(paired.flow.file) == {"athletes.csv", "lab_tests.csv", "field_estimates.csv"}


def test_an_exclusion_carries_the_id_of_its_row_and_says_why(messy):
    lines = messy.pair().exclusions
    lab = lines[(lines.file == "lab_tests.csv") & (lines.row == 5)].iloc[0]
    assert lab.id == "T4"
    field = lines[(lines.file == "field_estimates.csv") & (lines.row == 8)].iloc[0]
    assert field.id == "A4"
    assert lines.message.str.len().min() > 10


def test_withdrawn_people_are_counted_and_named_nowhere(messy, run_quickly):
    paired = messy.pair()
    lines = paired.exclusions[paired.exclusions.reason == "withdrawn"]
    assert set(lines.file) == {"athletes.csv", "lab_tests.csv", "field_estimates.csv"}
    assert lines.row.isna().all()
    assert set(lines.id) == {""}
    counts = dict(zip(lines.file, lines.message, strict=True))
    assert "2" in counts["field_estimates.csv"]
    assert "1" in counts["athletes.csv"]
    everything = paired.pairs.to_csv() + paired.exclusions.to_csv() + paired.flow.to_csv()
    ran = run_quickly("check", messy.root)
    ran_json = run_quickly("check", messy.root, "--json")
    assert "A8" not in everything + ran.stdout + ran.stderr + ran_json.stdout + ran_json.stderr


def test_problems_in_rows_of_withdrawn_people_are_not_shown(study):
    study.athlete("A1", withdrawn="no").athlete("A2", withdrawn="yes", mass_kg=900)
    study.lab("A1", 40).two("A1", 40, 52).lab("A2", 40, 150).two("A2", 40, 152)
    assert "A2" not in str(study.check().problems)
    assert_adds_up(study.pair())


@pytest.mark.slow
def test_a_single_reading_is_used_and_several_are_summarised(study):
    study.toml = "[pairing]\nminimum_days = 1\n"
    study.lab("A1", 40).reading("A1", 38, 52).lab("A2", 40).two("A2", 40, 52)
    paired = study.pair()
    assert paired.counts("field_estimates.csv") == (3, 1, 2, 0)
    assert paired.counts("lab_tests.csv") == (2, 2, 0, 0)


@pytest.mark.slow
def test_a_repeat_without_estimates_leaves_with_both_rows(study):
    study.lab("A1", 40).lab("A1", 45).lab("A2", 40).two("A2", 40, 52)
    paired = study.pair()
    assert paired.reasons("lab_tests.csv") == dict.fromkeys((2, 3), "no_estimate_in_window")
    assert_adds_up(paired)


@pytest.mark.slow
def test_a_test_that_pairs_for_one_method_only_is_used_and_noted(study):
    study.lab("A1", 40).two("A1", 40, 52).reading("A1", 38, 50, method="other")
    paired = study.pair()
    assert paired.reasons("lab_tests.csv") == {}
    assert paired.reasons() == {4: "too_few_readings"}
    assert any("other" in p["what"] for p in study.check().find(severity="note"))


def test_the_first_cause_in_the_order_of_the_list_counts(study):
    study.toml = "[pairing]\nstale_after_days = 3\n"
    study.athlete("A1").lab("A1", 40).two("A1", 40, 52)
    study.reading("A1", 10, 50).reading("A1", 10, 50)  # outside, and a copy of it
    study.reading("X", 38, 50).reading("X", 38, 50)  # unknown, and a copy of it
    for when in (20, 21, 22, 23):
        study.reading("Y", when, 47)  # unknown and stale
    assert study.pair().reasons() == {
        4: "outside_window",
        5: "copy",
        6: "unknown_athlete",
        7: "copy",
        8: "unknown_athlete",
        9: "stale",
        10: "stale",
        11: "stale",
    }


@pytest.mark.slow
def test_a_missing_value_is_no_copy_and_an_unknown_athlete_is_named_before_the_window(study):
    study.athlete("A1").lab("A1", 40).two("A1", 40, 52)
    study.reading("X", 38, "").reading("A1", 37, 51.875)
    assert study.pair().reasons() == {4: "missing_value", 5: "copy"}


@pytest.mark.slow
def test_pairs_are_sorted_by_code_point(study):
    for athlete in ("b", "B", "10", "9", "ä"):
        study.lab(athlete, 40).two(athlete, 40, 52).two(athlete, 40, 51, method="Z")
    pairs = study.pair().pairs
    assert list(pairs.athlete_id) == ["10", "9", "B", "b", "ä"] * 2
    assert list(pairs.method) == ["Z"] * 5 + ["m"] * 5


@pytest.mark.slow
def test_the_pair_does_not_depend_on_the_order_of_rows(study):
    for i in range(6):
        study.lab(f"A{i}", 40, 50.3 + i).lab(f"A{i}", 90, 51.7 + i)
        for when in (35, 37, 39, 86, 88):
            study.reading(f"A{i}", when, 50.1 + i + when / 70)
    first = study.pair()
    study.root = study.parent / "reversed"
    study.root.mkdir()
    for rows in study.rows.values():
        rows.reverse()
    second = study.pair()
    assert first.pairs.equals(second.pairs)


def test_what_a_pair_carries(study):
    study.athlete("A1", sex="female", birth_year=1990, mass_kg=60, hr_limiting_drug="no")
    study.lab("A1", 40, 50, mass_kg=61, hr_max_bpm=185, plateau="yes")
    for when, value in ((37, 51), (39, 53)):
        study.reading("A1", when, value, set_mass_kg=62, set_hr_max_bpm=190)
    pair = study.pair().one()
    assert (pair.lab_date, pair.lab, pair.field, pair.difference) == ("2026-04-11", 50, 52, 2)
    assert (pair.sex, pair.age_years, pair.mass_kg) == ("female", 36, 61)
    assert pair.sensor == "chest_strap"
    assert pair.max_confirmed == "yes"
    assert pair.hr_max_mismatch_bpm == 5
    assert pair.mass_mismatch_pct == pytest.approx(100 / 61)


EFFORT = [
    ({"plateau": "yes"}, "yes"),
    ({"rer_max": 1.10, "rpe_max": 17}, "yes"),
    ({"rer_max": 1.10, "lactate_mmol_l": 8}, "yes"),
    ({"rer_max": 1.09, "rpe_max": 17}, "unknown"),
    ({"hr_max_bpm": 177, "rpe_max": 17}, "yes"),  # 208 - 0.7 x 30 = 187, less 10
    ({"hr_max_bpm": 176, "rpe_max": 17}, "unknown"),
    ({"verification_vo2max_ml_kg_min": 51.4}, "yes"),  # within 3 % of 50
    ({"verification_vo2max_ml_kg_min": 51.6}, "no"),
    ({"verification_vo2max_ml_kg_min": 48.4}, "unknown"),
    ({"plateau": "no"}, "unknown"),
    ({}, "unknown"),
    (
        {
            "plateau": "no",
            "rer_max": 1.0,
            "hr_max_bpm": 186,
            "rpe_max": 15,
            "lactate_mmol_l": 5,
        },
        "no",
    ),
]


def test_whether_a_test_was_maximal(study):
    for i, (facts, _) in enumerate(EFFORT):
        study.athlete(f"A{i:02}", age_years=30).lab(f"A{i:02}", 40, 50, **facts)
        study.two(f"A{i:02}", 40, 52)
    assert list(study.pair().pairs.max_confirmed) == [expected for _, expected in EFFORT]
