"""One study in every form that a file may have: delimiter, decimals, encoding, line ends, format."""

import datetime as dt
import gzip

import pandas as pd
import pytest

METHOD = "hår"  # not ASCII, so that an encoding read wrongly shows in the pairs


def two_people(study):
    """Lab 50.5 and 60.25; field means 52.75 and 61.5."""
    study.lab("A1", 20, "50.5").lab("A2", 20, "60.25")
    for athlete, first, second in (("A1", "52.5", "53"), ("A2", "61.25", "61.75")):
        study.reading(athlete, 17, first, method=METHOD)
        study.reading(athlete, 19, second, method=METHOD)
    return study


def assert_paired_as_written(study):
    paired = study.pair()
    assert list(paired.pairs.athlete_id) == ["A1", "A2"]
    assert set(paired.pairs.method) == {METHOD}
    assert list(paired.pairs.lab) == [50.5, 60.25]
    assert list(paired.pairs.field) == [52.75, 61.5]
    assert list(paired.pairs.difference) == [2.25, 1.25]
    return paired


def comma_decimals(text):
    return text.replace(".", ",")


FORMS = {
    "comma and dot": lambda t: t.encode(),
    "byte order mark": lambda t: b"\xef\xbb\xbf" + t.encode(),
    "latin-1": lambda t: t.encode("latin-1"),
    "semicolon and dot": lambda t: t.replace(",", ";").encode(),
    "semicolon and comma": lambda t: comma_decimals(t.replace(",", ";")).encode(),
    "semicolon, comma, latin-1": lambda t: comma_decimals(t.replace(",", ";")).encode("latin-1"),
    "tab and dot": lambda t: t.replace(",", "\t").encode(),
    "tab and comma": lambda t: comma_decimals(t.replace(",", "\t")).encode(),
    "carriage return and line feed": lambda t: t.replace("\n", "\r\n").encode(),
    "carriage return alone": lambda t: t.replace("\n", "\r").encode(),
    "no last line end": lambda t: t.rstrip("\n").encode(),
}


QUICK = ("byte order mark", "semicolon, comma, latin-1", "tab and comma", "carriage return alone")


@pytest.mark.parametrize(
    "form", [f if f in QUICK else pytest.param(f, marks=pytest.mark.slow) for f in FORMS]
)
def test_the_form_of_a_file_is_found(study, form):
    two_people(study)
    for name in ("lab_tests", "field_estimates"):
        study.text(f"{name}.csv", FORMS[form](study.table_text(name)))
    assert_paired_as_written(study)


@pytest.mark.slow
def test_quoted_decimal_commas_in_a_comma_file(study):
    two_people(study).save()
    text = study.table_text("lab_tests").replace("50.5", '"50,5"').replace("60.25", '"60,25"')
    study.text("lab_tests.csv", text)
    assert_paired_as_written(study)


def test_a_stated_form_is_used(study):
    two_people(study)
    study.toml = """
[files.lab_tests]
path = "from the lab.txt"
separator = "|"
decimal = ","
encoding = "latin-1"
"""
    text = comma_decimals(study.table_text("lab_tests", "|"))
    study.text("from the lab.txt", text.encode("latin-1"))
    study.text("field_estimates.csv", study.table_text("field_estimates"))
    paired = assert_paired_as_written(study)
    assert paired.counts("from the lab.txt") == (2, 2, 0, 0)


@pytest.mark.slow
def test_two_header_rows_and_the_row_of_a_problem(study):
    two_people(study)
    study.toml = "[files.lab_tests]\nheader_rows = 2\n"
    header, *rows = study.table_text("lab_tests").splitlines()
    units = ",".join("-" for _ in header.split(","))
    bad = rows[0].replace("T1", "T9").replace("50.5", "150")
    study.text("lab_tests.csv", "\n".join([header, units, *rows, bad]) + "\n")
    paired = assert_paired_as_written(study)
    assert paired.reasons("lab_tests.csv") == {5: "out_of_range"}
    assert paired.counts("lab_tests.csv") == (3, 2, 0, 1)


@pytest.mark.slow
def test_a_spreadsheet_with_dates_times_and_a_named_sheet(study):
    two_people(study)
    study.toml = '[files.lab_tests]\nsheet = "2026"\n'
    lab = pd.DataFrame(study.rows["lab_tests"])
    lab["date"] = [dt.datetime(2026, 3, 22)] * 2  # a cell has no zone
    lab["vo2max_ml_kg_min"] = [50.5, 60.25]
    field = pd.DataFrame(study.rows["field_estimates"])
    field["taken_at"] = pd.to_datetime(field["taken_at"])
    field["vo2max_ml_kg_min"] = field["vo2max_ml_kg_min"].astype(float)
    with pd.ExcelWriter(study.root / "lab_tests.xlsx") as book:
        pd.DataFrame({"note": ["not this sheet"]}).to_excel(book, sheet_name="cover", index=False)
        lab.to_excel(book, sheet_name="2026", index=False)
    field.to_excel(study.root / "field_estimates.xlsx", index=False)
    paired = assert_paired_as_written(study)
    assert set(paired.pairs.lab_date) == {"2026-03-22"}
    assert paired.counts("field_estimates.xlsx") == (4, 0, 4, 0)


@pytest.mark.slow
def test_ids_in_a_spreadsheet_stay_as_they_look(study):
    two_people(study)
    for name in ("lab_tests", "field_estimates"):
        frame = pd.DataFrame(study.rows[name])
        frame["athlete_id"] = frame["athlete_id"].map({"A1": "007", "A2": "NA"})
        frame.to_excel(study.root / f"{name}.xlsx", index=False)
    assert list(study.pair().pairs.athlete_id) == ["007", "NA"]


def test_estimates_as_parquet(study):
    pytest.importorskip("pyarrow")
    two_people(study)
    frame = pd.DataFrame(study.rows["field_estimates"])
    frame["vo2max_ml_kg_min"] = frame["vo2max_ml_kg_min"].astype(float)
    frame["taken_at"] = pd.to_datetime(frame["taken_at"])
    frame.to_parquet(study.root / "field_estimates.parquet")
    study.text("lab_tests.csv", study.table_text("lab_tests"))
    paired = assert_paired_as_written(study)
    assert paired.counts("field_estimates.parquet") == (4, 0, 4, 0)


@pytest.mark.slow
def test_columns_under_other_names(study):
    two_people(study)
    study.toml = """
[files.lab_tests.columns]
vo2max_ml_kg_min = "VO2 (mL/kg/min)"
athlete_id = "Subject"
"""
    text = study.table_text("lab_tests")
    text = text.replace("vo2max_ml_kg_min", "VO2 (mL/kg/min)").replace("athlete_id", "Subject")
    study.text("lab_tests.csv", text)
    assert_paired_as_written(study)


def test_a_name_mapped_to_a_column_that_is_not_there_stops(study):
    two_people(study)
    study.toml = '[files.lab_tests]\ncolumns = { vo2max_ml_kg_min = "VO2 peak" }\n'
    checked = study.check()
    assert checked.code == 2
    assert "VO2 peak" in checked.text("stop")


def test_an_unreadable_file_stops(study):
    two_people(study)
    study.text("lab_tests.xlsx", b"this is no spreadsheet")
    checked = study.check()
    assert checked.code == 2
    assert checked.find(severity="stop", file="lab_tests.xlsx")


@pytest.mark.parametrize("kind", ["csv", "csv.gz", "parquet"])
def test_a_breath_file_gives_the_value_of_its_test(study, kind):
    # 1000, 1020 ... mL/min at 70 kg: the mean of the last 3 of 120 exercise breaths is 3360 mL/min
    if kind == "parquet":
        pytest.importorskip("pyarrow")
    study.lab("A1", 20, "", averaging_rule="moving 3 breaths", mass_kg=70)
    study.two("A1", 20, 52.75)
    study.toml = '[reference]\naveraging_rule = "moving 3 breaths"\n'
    breaths = pd.DataFrame({"t_s": range(120), "vo2_ml_min": [1000.0 + 20 * i for i in range(120)]})
    breaths["phase"] = "exercise"
    path = study.root / "breaths" / f"T1.{kind}"
    path.parent.mkdir()
    if kind == "parquet":
        breaths.to_parquet(path)
    elif kind == "csv":
        breaths.to_csv(path, index=False)
    else:
        path.write_bytes(gzip.compress(breaths.to_csv(index=False).encode()))
    paired = study.pair()
    assert paired.one(athlete_id="A1").lab == pytest.approx(3360 / 70, rel=1e-12)
    assert paired.counts("breaths") == (1, 1, 0, 0)


# --- rows that a spreadsheet counts ---------------------------------------------------------------


@pytest.mark.slow
def test_a_blank_line_is_no_row_but_counts_for_the_number(study):
    two_people(study)
    header, *rows = study.table_text("lab_tests").splitlines()
    bad = rows[0].replace("T1", "T9").replace("50.5", "150")
    study.text("lab_tests.csv", "\n".join([header, rows[0], "", rows[1], bad, ""]) + "\n")
    paired = assert_paired_as_written(study)
    assert paired.reasons("lab_tests.csv") == {5: "out_of_range"}
    assert paired.counts("lab_tests.csv") == (3, 2, 0, 1)


@pytest.mark.slow
def test_a_line_break_inside_a_cell_is_no_new_row(study):
    two_people(study)
    header, *rows = study.table_text("lab_tests").splitlines()
    bad = rows[0].replace("T1", "T9").replace("50.5", "150")
    lines = [header + ",remark", rows[0] + ',"first\nsecond"', rows[1] + ",", bad + ","]
    study.text("lab_tests.csv", "\n".join(lines) + "\n")
    paired = assert_paired_as_written(study)
    assert paired.reasons("lab_tests.csv") == {4: "out_of_range"}


def test_a_row_with_too_many_cells_stops_and_is_named(study):
    two_people(study)
    header, *rows = study.table_text("lab_tests").splitlines()
    study.text("lab_tests.csv", "\n".join([header, rows[0], rows[1] + ",one,two"]) + "\n")
    checked = study.check()
    assert checked.code == 2
    assert checked.find(severity="stop", file="lab_tests.csv", row=3)


def test_points_and_commas_in_one_column_are_not_guessed(study):
    two_people(study)
    text = study.table_text("lab_tests").replace(",", ";").replace("60.25", "60,25")
    checked = study.text("lab_tests.csv", text).check()
    assert checked.code == 2
    assert checked.find(severity="stop", file="lab_tests.csv")


def test_a_table_with_its_header_only_gives_no_pairs(study):
    two_people(study)
    header = study.table_text("field_estimates").splitlines()[0]
    study.text("field_estimates.csv", header + "\n")
    paired = study.pair()
    assert paired.pairs.empty
    assert paired.counts("field_estimates.csv") == (0, 0, 0, 0)


def test_an_empty_file_stops(study):
    two_people(study)
    checked = study.text("field_estimates.csv", "").check()
    assert checked.code == 2
    assert checked.find(severity="stop", file="field_estimates.csv")


def test_a_column_named_twice_stops(study):
    two_people(study)
    header, *rows = study.table_text("lab_tests").splitlines()
    lines = [header + ",vo2max_ml_kg_min", *(row + ",44" for row in rows)]
    checked = study.text("lab_tests.csv", "\n".join(lines) + "\n").check()
    assert checked.code == 2
    assert checked.find(severity="stop", file="lab_tests.csv")


def test_two_files_for_one_table_stop(study):
    two_people(study)
    study.text("lab_tests.csv", study.table_text("lab_tests"))
    study.text("lab_tests.xlsx", b"PK")
    assert study.check().code == 2
