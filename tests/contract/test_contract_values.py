"""Ids, units, codes, dates and times as they stand in real files."""

import pytest
from turns import slowly

LB_OF_70_KG = "154.3235835"  # 70 / 0.45359237


# --- ids ------------------------------------------------------------------------------------------


def test_ids_are_text(study):
    odd = ("007", "NA", "nan", "null", "-", ".", "1e3", "N/A", "true")
    for name in odd:
        study.lab(name, 20, lab_test_id=name).two(name, 20, 52)
    pairs = study.pair().pairs
    assert set(pairs.athlete_id) == set(odd)
    assert list(pairs.lab_test_id) == list(pairs.athlete_id)


def test_an_id_that_a_spreadsheet_would_run_is_written_as_text(study):
    study.lab("=1+1", 20, lab_test_id="T1").two("=1+1", 20, 52)
    pairs = study.pair().pairs
    assert list(pairs.athlete_id) == ["'=1+1"]


@pytest.mark.slow
def test_blanks_around_an_id_are_trimmed_with_a_note(study):
    study.lab(" A07 ", 20).two("A07", 20, 52)
    assert study.pair().one(athlete_id="A07").field == 52
    notes = study.check().find(severity="note", file="lab_tests.csv")
    assert any("A07" in p["what"] for p in notes)


def test_unequal_ids_are_listed_but_not_matched(study):
    study.lab("A-07", 20).two("a07", 20, 52)
    assert study.pair().pairs.empty
    notes = [p["what"] + p["remedy"] for p in study.check().find(severity="note")]
    assert any("A-07" in text and "a07" in text and "id_map" in text for text in notes)


@pytest.mark.slow
def test_seven_is_not_seven_with_noughts(study):
    study.lab("007", 20).two("7", 20, 52)
    assert study.pair().pairs.empty


@pytest.mark.slow
def test_an_id_map_joins_unequal_ids(study):
    study.study_keys = 'id_map = "ids.csv"'
    study.text("ids.csv", "found,athlete_id\na07,A-07\n")
    study.lab("A-07", 20).two("a07", 20, 52)
    paired = study.pair()
    assert paired.one(athlete_id="A-07").field == 52
    assert "ids.csv" not in set(paired.flow.file)


# --- units ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("column", "value"), [("vo2max_l_min", "3.5"), ("vo2max_ml_min", "3500")])
def test_laboratory_values_per_minute_are_divided_by_mass(study, column, value):
    study.lab("A1", 20, **{column: value, "mass_kg": 70}).two("A1", 20, 52)
    del study.rows["lab_tests"][0]["vo2max_ml_kg_min"]
    assert study.pair().one().lab == pytest.approx(50, rel=1e-12)


@pytest.mark.slow
def test_mass_is_the_tests_own_else_the_athletes_with_a_note(study):
    study.athlete("A1", mass_kg=80).athlete("A2", mass_kg=80).athlete("A3")
    study.lab("A1", 20, "", vo2max_l_min=4, mass_kg=75).two("A1", 20, 52)
    study.lab("A2", 20, "", vo2max_l_min=4).two("A2", 20, 52)
    study.lab("A3", 20, "", vo2max_l_min=4).two("A3", 20, 52)
    paired = study.pair()
    assert paired.one(athlete_id="A1").lab == pytest.approx(4000 / 75)
    assert paired.one(athlete_id="A2").lab == pytest.approx(50)
    assert paired.one(athlete_id="A2").mass_kg == 80
    assert paired.reasons("lab_tests.csv") == {4: "no_mass"}
    notes = study.check().find(severity="note", file="lab_tests.csv", row=3)
    assert any("mass" in p["what"] for p in notes)
    assert not study.check().find(severity="note", file="lab_tests.csv", row=2)


@pytest.mark.slow
def test_a_field_value_per_minute_uses_its_set_mass_else_that_of_the_paired_test(study):
    for row, set_mass in ((0, 70), (1, "")):
        athlete = f"A{row}"
        study.lab(athlete, 20, mass_kg=80)
        for when, value in ((17, 3.48), (19, 3.52)):
            study.reading(athlete, when, "", vo2max_l_min=value, set_mass_kg=set_mass)
    paired = study.pair()
    assert paired.one(athlete_id="A0").field == pytest.approx(50, rel=1e-12)
    assert paired.one(athlete_id="A1").field == pytest.approx(3500 / 80, rel=1e-12)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("column", "unit", "value", "expected"),
    [
        ("mass_kg", "lb", LB_OF_70_KG, 50),
        ("vo2max_l_min", "mL/min", "3500", 50),
        ("vo2max_ml_kg_min", "L/min", "3.5", 50),
        ("vo2max_ml_kg_min", "mL/min", "3500", 50),
        ("vo2max_ml_kg_min", "MET", "14", 49),
    ],
)
def test_stated_units_are_converted(study, column, unit, value, expected):
    study.lab("A1", 20, "", mass_kg=70).two("A1", 20, 52)
    row = study.rows["lab_tests"][0]
    del row["vo2max_ml_kg_min"]
    if column == "mass_kg":
        row["vo2max_l_min"] = 3.5
    row[column] = value
    study.toml = f'[files.lab_tests]\nunits = {{ {column} = "{unit}" }}\n'
    assert study.pair().one().lab == pytest.approx(expected, rel=1e-7)


@pytest.mark.slow
def test_a_field_value_in_met(study):
    study.lab("A1", 20).reading("A1", 17, 14).reading("A1", 19, 14.5)
    study.toml = '[files.field_estimates.units]\nvo2max_ml_kg_min = "MET"\n'
    assert study.pair().one().field == pytest.approx(14.25 * 3.5, rel=1e-12)


def test_an_unknown_unit_stops(study):
    study.lab("A1", 20, mass_kg=11).two("A1", 20, 52)
    study.toml = '[files.lab_tests.units]\nmass_kg = "stone-ish"\n'
    checked = study.check()
    assert checked.code == 2
    assert "stone-ish" in checked.text("stop")


def test_values_that_look_like_another_unit_stop_and_name_the_key(study):
    for i in range(4):
        study.lab(f"A{i}", 20, 3.5 + i / 10, mass_kg=70).two(f"A{i}", 20, 52)
    checked = study.check()
    assert checked.code == 2
    stops = checked.find(severity="stop", column="vo2max_ml_kg_min")
    assert len(stops) == 1
    assert "units" in stops[0]["remedy"]


@pytest.mark.slow
def test_half_the_values_out_of_range_are_set_aside_one_by_one(study):
    for i, value in enumerate((3.5, 3.6, 50, 51)):
        study.lab(f"A{i}", 20, value).two(f"A{i}", 20, 52)
    paired = study.pair()
    assert paired.reasons("lab_tests.csv") == {2: "out_of_range", 3: "out_of_range"}


# --- codes ----------------------------------------------------------------------------------------


@pytest.mark.slow
def test_stated_codes_are_translated(study):
    study.athlete("A1", sex="1").athlete("A2", sex="2")
    for athlete in ("A1", "A2"):
        study.lab(athlete, 20).two(athlete, 20, 52)
    study.toml = '[files.athletes.codes]\nsex = { "1" = "male", "2" = "female" }\n'
    assert list(study.pair().pairs.sex) == ["male", "female"]


def test_undecided_codes_stop_and_name_the_key(study):
    study.athlete("A1", sex="1").athlete("A2", sex="2")
    study.lab("A1", 20).two("A1", 20, 52)
    checked = study.check()
    assert checked.code == 2
    stops = checked.find(severity="stop", file="athletes.csv", column="sex")
    assert stops
    assert "codes" in stops[0]["remedy"]


@pytest.mark.slow
def test_columns_that_the_user_may_have_and_we_do_not_know_do_no_harm(study):
    study.lab("A1", 20, shoe="blue", latitude_of_lab="north").two("A1", 20, 52)
    assert study.pair().one().field == 52


# --- dates ----------------------------------------------------------------------------------------


def dated(study, *dates):
    for i, text in enumerate(dates):
        study.lab(f"A{i}", text)
    study.reading("A0", "2026-04-01T09:00:00", 51.5).reading("A0", "2026-04-02T09:00:00", 52.5)
    return study


def test_an_undecidable_date_order_stops_and_names_the_key(study):
    checked = dated(study, "03/04/2026", "05/04/2026").check()
    assert checked.code == 2
    stops = checked.find(severity="stop", file="lab_tests.csv", column="date")
    assert stops
    assert "date_order" in stops[0]["remedy"]


@pytest.mark.slow
def test_a_date_that_only_one_order_can_read_decides_the_file(study):
    paired = dated(study, "03/04/2026", "13/04/2026").pair()
    assert paired.one(athlete_id="A0").lab_date == "2026-04-03"


def test_dates_of_both_orders_in_one_file_stop(study):
    assert dated(study, "13/04/2026", "04/13/2026").check().code == 2


@pytest.mark.slow
@pytest.mark.parametrize(("order", "month"), [("day-first", 4), *slowly([("month-first", 3)])])
def test_a_stated_date_order_is_used(study, order, month):
    study.toml = f'[files.lab_tests]\ndate_order = "{order}"\n'
    study.lab("A0", "03/04/2026")
    for d in (1, 2):
        study.reading("A0", f"2026-0{month}-0{d}T09:00:00", 51 + d)
    assert study.pair().one().lab_date == ("2026-04-03" if month == 4 else "2026-03-04")


# --- time zones -----------------------------------------------------------------------------------


def test_a_time_without_offset_and_no_zone_stops_and_names_the_key(study):
    study.zone = ""
    checked = study.lab("A1", 20).two("A1", 20, 52).check()
    assert checked.code == 2
    stops = checked.find(severity="stop", column="taken_at")
    assert stops
    assert "time_zone" in stops[0]["remedy"]


@pytest.mark.slow
def test_no_zone_is_needed_when_every_time_has_its_offset(study):
    study.zone = ""
    study.lab("A1", "2026-03-22")
    study.reading("A1", "2026-03-20T09:00:00+01:00", 51.5)
    study.reading("A1", "2026-03-21T09:00:00+01:00", 52.5)
    assert study.pair().one().field == 52


@pytest.mark.parametrize(
    "taken",
    [
        "2026-03-22T00:30:00",
        "2026-03-21T23:30:00Z",
        *slowly(["2026-03-22T00:30:00+01:00", "2026-03-22 00:30"]),
    ],
)
def test_half_past_midnight_belongs_to_its_local_day(study, taken):
    # In Oslo all four are 22 March, the day of the laboratory test, and so left out as same_day.
    study.zone = "Europe/Oslo"
    study.lab("A1", "2026-03-22")
    study.reading("A1", taken, 53).reading("A1", "2026-03-20T09:00:00", 51.5)
    study.reading("A1", "2026-03-21T09:00:00", 52.5)
    paired = study.pair()
    assert paired.reasons() == {2: "same_day"}
    assert paired.one().field == 52


@pytest.mark.slow
def test_one_instant_in_two_notations_is_one_reading(study):
    study.zone = "Europe/Oslo"
    study.lab("A1", "2026-03-22").reading("A1", "2026-03-20T09:00:00", 51.5)
    study.reading("A1", "2026-03-20T08:00:00Z", 51.5).reading("A1", "2026-03-21T09:00:00", 52.5)
    assert study.pair().reasons() == {3: "copy"}


@pytest.mark.slow
def test_times_that_the_clock_change_skips_or_repeats_keep_their_day(study):
    study.zone = "Europe/Oslo"  # 2026-03-29 02:30 does not exist there, 2026-10-25 02:30 does twice
    study.lab("A1", "2026-03-31").lab("A2", "2026-10-27")
    study.reading("A1", "2026-03-29T02:30:00", 51.5).reading("A1", "2026-03-30T09:00:00", 52.5)
    study.reading("A2", "2026-10-25T02:30:00", 51.5).reading("A2", "2026-10-26T09:00:00", 52.5)
    paired = study.pair()
    assert list(paired.pairs.n_days) == [2, 2]


@pytest.mark.slow
def test_an_unknown_zone_stops(study):
    study.zone = "Europe/Olso"
    checked = study.lab("A1", 20).two("A1", 20, 52).check()
    assert checked.code == 2
    assert "Europe/Olso" in checked.text("stop")
