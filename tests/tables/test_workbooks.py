"""Workbooks: what a person sees in the cells is what is read."""

import datetime as dt
import io
import zipfile

import numpy as np
import openpyxl
import pandas as pd
import pytest

from agreement.tables import workbooks

HEADER = ["lab_test_id", "athlete_id", "date", "mode", "vo2max_ml_kg_min", "averaging_rule"]


def workbook(*rows, sheets=1, shape=None):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "2026"
    for row in rows:
        sheet.append(row)
    if shape:
        shape(sheet)
    for i in range(1, sheets):
        book.create_sheet(f"more {i}")
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


@pytest.fixture
def lab(folder):
    del folder.files["lab_tests.csv"]

    def inspect(*rows, **options):
        return folder.put(lab_tests_xlsx=workbook(HEADER, *rows, **options)).inspect()

    return inspect


def test_typed_cells_are_read_as_they_are_shown(lab):
    found = lab(
        ["T1", 7, dt.datetime(2026, 3, 20), "run", 52.4, "moving 30 s"],
        ["T2", "007", dt.date(2026, 3, 21), "run", 48, "moving 30 s"],
        ["T3", 1.0, "2026-03-22", "run", "61.5", "moving 30 s"],
    )
    tests = found.tables.lab_tests
    assert list(tests["athlete_id"]) == ["7", "007", "1"]
    assert list(tests["date"].dt.day) == [20, 21, 22]
    assert list(tests["row"]) == [2, 3, 4]


def test_numbers_beside_a_decimal_comma_stop_as_mixed(lab):
    found = lab(
        ["T1", "A1", dt.date(2026, 3, 20), "run", 52.4, "moving 30 s"],
        ["T2", "A2", dt.date(2026, 3, 20), "run", "61,5", "moving 30 s"],
    )
    assert found.one("stop", "decimal_mark").column == "vo2max_ml_kg_min"


def test_leading_zeros_that_only_the_format_shows_are_kept(lab):
    def shape(sheet):
        sheet["B2"].number_format = "000"

    found = lab(["T1", 7, dt.date(2026, 3, 20), "run", 52.4, "moving 30 s"], shape=shape)
    assert list(found.tables.lab_tests["athlete_id"]) == ["007"]


def test_empty_rows_and_merged_cells_are_harmless(folder):
    del folder.files["lab_tests.csv"]

    def shape(sheet):
        sheet.merge_cells("A1:C1")

    rows = [["Laboratory"], HEADER, [], ["T1", "A1", dt.date(2026, 3, 20), "run", 52.4, None]]
    found = folder.put(lab_tests_xlsx=workbook(*rows, shape=shape)).inspect()
    assert list(found.tables.lab_tests["row"]) == [4]


def test_the_value_stored_for_a_formula_is_read(folder):
    del folder.files["lab_tests.csv"]
    data = workbook(HEADER, ["T1", "A1", dt.date(2026, 3, 20), "run", "=50+2", "moving 30 s"])
    source = zipfile.ZipFile(io.BytesIO(data))
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as book:
        for name in source.namelist():
            part = source.read(name)
            if name.endswith("sheet1.xml"):
                part = part.replace(b"<f>50+2</f><v></v>", b"<f>50+2</f><v>52</v>")
                part = part.replace(b"<f>50+2</f><v />", b"<f>50+2</f><v>52</v>")
            book.writestr(name, part)
    found = folder.put(lab_tests_xlsx=target.getvalue()).inspect()
    assert list(found.tables.lab_tests["vo2max"]) == [52]


def test_the_sheet_is_stated_when_there_are_several(folder, lab):
    row = ["T1", "A1", dt.date(2026, 3, 20), "run", 52.4, "moving 30 s"]
    stop = lab(row, sheets=2).one("stop", "unreadable_file")
    assert stop.what == "The workbook has 2 sheets: 2026, more 1."
    assert "Set sheet" in stop.remedy
    folder.put(study_toml=f'{folder.ZONE}[files.lab_tests]\nsheet = "2026"\n')
    assert len(lab(row, sheets=2).tables.lab_tests) == 1
    folder.put(study_toml=f'{folder.ZONE}[files.lab_tests]\nsheet = "2025"\n')
    assert "no sheet '2025'" in lab(row, sheets=2).one("stop", "unreadable_file").what


@pytest.mark.parametrize("data", [b"not a workbook", b"PK\x03\x04 broken"])
def test_a_file_that_is_no_workbook_stops(folder, data):
    del folder.files["lab_tests.csv"]
    stop = folder.put(lab_tests_xlsx=data).inspect().one("stop", "unreadable_file")
    assert stop.what == "The file is not an XLSX workbook."


def test_an_archive_of_something_else_stops(folder):
    del folder.files["lab_tests.csv"]
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as book:
        book.writestr("a.txt", "a")
    stop = folder.put(lab_tests_xlsx=buffer.getvalue()).inspect().one("stop", "unreadable_file")
    assert stop.what.startswith("The workbook cannot be read")


def test_a_workbook_that_unpacks_to_too_much_is_refused(lab, monkeypatch):
    monkeypatch.setattr(workbooks, "MOST_WORKBOOK_BYTES", 100)
    stop = lab(["T1", "A1", dt.date(2026, 3, 20), "run", 52.4, None]).one("stop", "unreadable_file")
    assert "are read" in stop.what
    assert "as CSV" in stop.remedy


def test_an_empty_sheet_stops(folder):
    del folder.files["lab_tests.csv"]
    assert (
        folder.put(lab_tests_xlsx=workbook()).inspect().one("stop", "unreadable_file").what
        == "The sheet is empty."
    )


# --- Parquet, the other typed form ------------------------------------------------------------------


def test_parquet_estimates_are_read_with_their_types(folder):
    pytest.importorskip("pyarrow")
    del folder.files["field_estimates.csv"]
    frame = pd.DataFrame(
        {
            "athlete_id": [1, 2, 3],
            "taken_at": pd.to_datetime(["2026-03-14T23:30Z", "2026-03-15T09:00Z", None]),
            "method": "wrist",
            "mode": pd.Categorical(["run", "run", "walk"]),
            "vo2max_ml_kg_min": [50.5, np.nan, np.inf],
            "set_age_years": pd.array([31, None, 25], dtype="Int64"),
        }
    )
    buffer = io.BytesIO()
    frame.iloc[:2].to_parquet(buffer)
    found = folder.put(field_estimates_parquet=buffer.getvalue()).inspect()
    first = found.tables.field_estimates.iloc[0]
    assert (first["athlete_id"], first["mode"], first["row"]) == ("1", "run", 2)
    assert first["date"] == pd.Timestamp("2026-03-15")
    assert first["set_age_years"] == 31
    assert found.reasons() == {3: "missing_value"}
    buffer = io.BytesIO()
    frame.to_parquet(buffer)
    stop = (
        folder.put(field_estimates_parquet=buffer.getvalue()).inspect().one("stop", "not_a_number")
    )
    assert (stop.row, stop.what) == (4, "'inf' is not a number.")


def test_a_broken_parquet_file_stops(folder):
    pytest.importorskip("pyarrow")
    del folder.files["field_estimates.csv"]
    stop = (
        folder.put(field_estimates_parquet=b"PAR1 nothing").inspect().one("stop", "unreadable_file")
    )
    assert stop.what.startswith("The Parquet file cannot be read")
