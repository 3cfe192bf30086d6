"""Doubts about single tables. The shapes are those of an attack on this program."""

import datetime as dt
import os
from io import BytesIO
from types import SimpleNamespace

import openpyxl
import pytest
from openpyxl.styles import Font
from turns import slowly

from agreement.cohort import inspect_cohort

NAMES = ["J.Smith", "Smith.J", "j.smith", "JohnSmith", "anna_berg", "Anna.Berg"]
ADDRESSES = ["anna@example.org"]
NUMBERS = ["+4791234567", "0171 2345678", "01017012345", "010170-1234"]
CODES = [
    "A-007",
    "crew-7",
    "S001",
    "K3",
    "p028",
    "2026-01",
    "AB",
    "NA",
    "x_1",
    "M45",
    "007",
    "Crew7",
]


def rename(study, new, old="A002"):
    for rows in (study.athletes, study.lab, study.field):
        for row in rows:
            if row["athlete_id"] == old:
                row["athlete_id"] = new


@pytest.mark.parametrize(
    "identity", [*NAMES[::2], *ADDRESSES, *NUMBERS[::2], *slowly(NAMES[1::2] + NUMBERS[1::2])]
)
def test_ids_that_look_like_people_stop(identity, sound, stops):
    rename(sound, identity)
    found = stops(sound)
    assert set(found) == {"ids_are_codes"}
    assert not any(identity in said for said in found["ids_are_codes"])
    sound.toml["confirm"] = 'ids_are_codes = { reason = "Codes by lot", on = 2026-06-01 }'
    assert stops(sound) == {}


@pytest.mark.parametrize("identity", slowly(CODES))
def test_a_code_passes(identity, sound, stops):
    rename(sound, identity)
    assert stops(sound) == {}


def test_codes_pass(sound, stops):
    for number, code in enumerate(CODES):
        rename(sound, code, old=f"A{number:03}")
    assert stops(sound) == {}


@pytest.mark.parametrize(
    ("table", "codes"),
    [
        ("athletes", '{ withdrawn = { yes = "no" } }'),
        ("athletes", '{ withdrawn = { "1" = "no", "0" = "yes" } }'),
        ("athletes", '{ hr_limiting_drug = { ja = "no" } }'),
        ("athletes", '{ sex = { male = "female" } }'),
    ],
)
def test_a_code_turned_into_its_opposite_stops(table, codes, sound, stops):
    sound.toml[f"files.{table}"] = f"codes = {codes}"
    assert "codes_turned" in stops(sound)


def test_plain_codes_pass(sound, stops):
    sound.toml["files.athletes"] = (
        'codes = { sex = { "1" = "male", "m" = "male", "x" = "unknown" } }'
    )
    assert stops(sound) == {}


def field_tests(study, times):
    rows = ["athlete_id,date,protocol,time_min"]
    for i, time in enumerate(times):
        day = dt.date.fromisoformat(study.lab[2 * i]["date"]) - dt.timedelta(days=3)
        rows.append(f"A{i:03},{day},run_1_5mile_inverse_time,{time}")
    study.files["field_tests.csv"] = ("\n".join(rows) + "\n").encode()


def test_minutes_and_seconds_as_decimals_stop(sound, stops):
    field_tests(sound, [f"{10 + i % 4}.{(7 + 13 * i) % 60:02}" for i in range(16)])
    assert "clock_times" in stops(sound)


def test_decimal_minutes_pass(sound, stops):
    field_tests(sound, [f"{10 + i % 4}.{(7 + 13 * i) % 100:02}" for i in range(16)])
    assert "clock_times" not in stops(sound)


def test_a_clock_that_was_set_back_doubts_nothing(sound, stops, monkeypatch):
    class Back(dt.date):
        @classmethod
        def today(cls):
            return cls(2001, 1, 1)

    clock = SimpleNamespace(date=Back, timedelta=dt.timedelta)
    monkeypatch.setattr("agreement.tables.doubts.dt", clock)
    assert stops(sound) == {}


@pytest.mark.parametrize("day", ["1969-03-02", "2062-03-02"])
def test_a_day_before_1970_or_after_tomorrow_stops(day, sound, stops):
    sound.lab[4]["date"] = day
    found = stops(sound)
    assert "odd_dates" in found
    assert f"first {day}" in found["odd_dates"][0]
    assert "row 6" in found["odd_dates"][0]


def workbook(study, mark):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(list(study.lab[0]))
    for row in study.lab:
        sheet.append(list(row.values()))
    mark(sheet)
    content = BytesIO()
    book.save(content)
    study.files["lab_tests.xlsx"] = content.getvalue()
    study.lab = []


def strike(sheet):
    for cell in sheet[5]:
        cell.font = Font(strike=True)


def hide(sheet):
    sheet.row_dimensions[5].hidden = True


def strike_one_cell(sheet):
    sheet.cell(5, 9).font = Font(strike=True)


@pytest.mark.parametrize(
    ("mark", "said"),
    [(strike, "struck out"), (hide, "hidden"), (strike_one_cell, "struck out in part")],
)
def test_rows_that_a_person_does_not_count_stop(mark, said, sound, stops):
    workbook(sound, mark)
    found = stops(sound)
    assert set(found) == {"hidden_rows"}
    assert f"row 5: The row is {said} in the workbook" in found["hidden_rows"][0]


@pytest.mark.parametrize("mark", ["#", "// "])
def test_rows_marked_as_remarks_stop(mark, sound, stops):
    for row in sound.lab[2:4]:
        row["lab_test_id"] = mark + row["lab_test_id"]
    found = stops(sound)
    assert set(found) == {"hidden_rows"}
    assert "row 4: 2 of 60 rows begin like a remark" in found["hidden_rows"][0]


def test_ids_that_all_begin_with_a_mark_pass(sound, stops):
    for row in sound.lab:
        row["lab_test_id"] = "#" + row["lab_test_id"]
    assert stops(sound) == {}


@pytest.mark.parametrize("make", [os.mkfifo, lambda path: path.symlink_to("/nowhere/x.csv")])
def test_a_table_that_is_no_file_stops(make, sound, tmp_path):
    study = sound.write(tmp_path)
    make(study / "field_tests.csv")
    _, problems = inspect_cohort(study)
    (said,) = [str(p) for p in problems if p.severity == "stop"]
    assert said.startswith("field_tests.csv: It is a link that leads nowhere, or no file")


@pytest.mark.parametrize("rows", [2, 5])
def test_header_rows_that_swallow_data_stop(rows, sound, stops):
    sound.toml["files.lab_tests"] = f"header_rows = {rows}"
    found = stops(sound)
    assert "row 2" in found["rows_above_header"][0]


def test_units_and_descriptions_below_the_header_pass(sound, stops):
    sound.toml["files.athletes"] = "header_rows = 2"
    sound.athletes.insert(0, dict.fromkeys(sound.athletes[0], "") | {"mass_kg": "kg"})
    assert stops(sound) == {}


def test_a_doubt_about_a_field_test_names_the_file_of_field_tests(sound, stops):
    field_tests(sound, ["11.2"] * 30)
    (said,) = stops(sound)["constant_device"]
    assert said.startswith("field_tests.csv: 'run_1_5mile_inverse_time' (run)")
