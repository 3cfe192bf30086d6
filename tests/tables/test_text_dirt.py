"""Text files as laboratories and devices write them: every form gives the same table."""

import pytest

VARIANTS = {
    "semicolon and decimal comma": lambda t: t.replace(",", ";").replace("52.4", "52,4").replace("48.1", "48,1").replace("61.0", "61,0").encode(),
    "tab": lambda t: t.replace(",", "\t").encode(),
    "byte order mark": lambda t: b"\xef\xbb\xbf" + t.encode(),
    "sixteen-bit text": lambda t: t.replace(",", "\t").encode("utf-16"),
    "latin-1": lambda t: t.replace("\nT1", "\nT1").encode("latin-1") .replace(b"averaging_rule\n", b"averaging_rule,temp\xe9rature\n").replace(b"30 s\n", b"30 s,\n"),
    "windows line ends": lambda t: t.replace("\n", "\r\n").encode(),
    "old line ends": lambda t: t.replace("\n", "\r").encode(),
    "mixed line ends": lambda t: t.replace("\n", "\r\n", 2).encode(),
    "no last line end": lambda t: t.rstrip("\n").encode(),
    "empty lines": lambda t: (t + "\n\n").encode(),
    "quotes": lambda t: "\n".join(",".join(f'"{c}"' for c in line.split(",")) for line in t.splitlines()).encode(),
    "header spelling": lambda t: t.replace("lab_test_id,athlete_id", " Lab Test ID ,ATHLETE_ID").encode(),
    "title above": lambda t: ("Laboratory,,,,,\n" + t).encode(),
    "unit row": lambda t: t.replace("averaging_rule\n", "averaging_rule\n,,yyyy-mm-dd,,mL/kg/min,\n").encode(),
    "title and unit row": lambda t: ("Laboratory 2026\n\n" + t.replace("averaging_rule\n", "averaging_rule\n,,,,(ml/min/kg),\n")).encode(),
    "blanks in cells": lambda t: t.replace(",run,", ", run ,").replace("T1,", " T1,").encode(),
}  # fmt: skip


@pytest.mark.parametrize("name", VARIANTS)
def test_every_form_of_a_table_is_the_same_table(folder, name):
    plain = folder.inspect().tables.lab_tests.drop(columns=["row"])
    dirty = folder.put(lab_tests_csv=VARIANTS[name](folder.LAB)).inspect().tables.lab_tests
    assert dirty.drop(columns=["row"]).equals(plain)


def test_the_row_counts_as_a_spreadsheet_does(folder):
    text = "Laboratory\n\n" + folder.LAB.replace("T2,A2", "\nT2,A2")
    rows = folder.put(lab_tests_csv=text).inspect().tables.lab_tests["row"]
    assert list(rows) == [4, 6, 7]


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("semicolon and decimal comma", "Read 52,4 as 52.4: decimal comma in the whole column."),
        ("semicolon and decimal comma", "Read with semicolon between columns."),
        ("tab", "Read with tab between columns."),
        ("latin-1", "Read with text encoded as latin-1."),
        ("header spelling", "Read as 'athlete_id'."),
        ("title above", "Column names found in row 2; the rows above are not read."),
        ("unit row", "Column names found in row 1; row 2 holds units."),
        ("title and unit row", "Column names found in row 3; the rows above are not read; row 4"),
        ("blanks in cells", "Blanks around 1 value were removed, first 'T1'."),
    ],
)
def test_what_was_found_is_reported(folder, name, says):
    found = folder.put(lab_tests_csv=VARIANTS[name](folder.LAB)).inspect()
    assert any(says in p.what for p in found.of("note")), "\n".join(map(str, found.problems))


def test_what_is_stated_is_not_reported(folder):
    form = 'separator = ";"\ndecimal = ","\nencoding = "latin-1"\nheader_rows = 2\n'
    folder.put(study_toml=f"{folder.ZONE}[files.lab_tests]\n{form}")
    text = "title;;;;;\n" + VARIANTS["semicolon and decimal comma"](folder.LAB).decode()
    assert folder.put(lab_tests_csv=text).inspect().problems == ()


@pytest.mark.parametrize(
    ("row", "cells", "where"),
    [
        ("T2,A2,2026-03-20,run,48.1", 5, "there is none for 'averaging_rule'"),
        ("T2,A2,2026-03-20,run,48,1,moving 30 s", 7, "'moving 30 s' stands after the last"),
        ("T2", 1, "there is none for 'athlete_id'"),
    ],
)
def test_a_ragged_row_stops_with_its_row_and_column(folder, row, cells, where):
    text = folder.LAB.replace("T2,A2,2026-03-20,run,48.1,moving 30 s", row)
    stop = folder.put(lab_tests_csv=text).inspect().one("stop", "ragged_row")
    assert stop.row == 3
    assert (
        stop.what
        == f"The row has {cells} cell{'s' if cells > 1 else ''}; the header has 6: {where}."
    )
    assert "quotes" in stop.remedy


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "The file is empty."),
        (b" \n \n", "The file is empty."),
        (b"\x00\x01\x02\x03,\n", "not a text file"),
    ],
)
def test_files_that_are_no_tables_stop(folder, content, says):
    stop = folder.put(lab_tests_csv=content).inspect().one("stop", "unreadable_file")
    assert says in stop.what
    assert stop.file == "lab_tests.csv"


@pytest.mark.parametrize("later", ["", '"T9",A9,2026-03-29,run,44.0,"moving 30 s"\n'])
@pytest.mark.parametrize("at", [1, 2, 3])
def test_a_lone_quotation_mark_stops_with_its_row(folder, at, later):
    rows = folder.LAB.splitlines(keepends=True)
    rows[at] = rows[at].replace(",A", ',"A', 1)
    stop = folder.put(lab_tests_csv="".join(rows) + later).inspect().one("stop", "unreadable_file")
    assert (stop.file, stop.row) == ("lab_tests.csv", at + 1)
    assert "no partner" in stop.what


def test_a_stated_encoding_that_does_not_fit_stops(folder):
    folder.put(
        study_toml=f'{folder.ZONE}[files.lab_tests]\nencoding = "utf-8"\n',
        lab_tests_csv=(folder.LAB + "T4,A\xe9,2026-03-20,run,50,moving 30 s\n").encode("latin-1"),
    )
    assert "not encoded as utf-8" in folder.inspect().one("stop", "unreadable_file").what


def test_one_header_over_two_columns_stops(folder):
    text = folder.LAB.replace("averaging_rule", "mode")
    stop = folder.put(lab_tests_csv=text).inspect().one("stop", "duplicate_column")
    assert stop.what == "The header 'mode' stands over 2 columns."
    text = folder.LAB.replace("averaging_rule", "Mode")
    assert (
        "Two columns are 'mode'"
        in folder.put(lab_tests_csv=text).inspect().one("stop", "duplicate_column").what
    )


def test_columns_of_theirs_are_ours_by_the_study_file(folder):
    folder.put(
        study_toml=f'{folder.ZONE}[files.lab_tests]\ncolumns = {{ vo2max_ml_kg_min = "VO2 (peak)" }}\n',
        lab_tests_csv=folder.LAB.replace("vo2max_ml_kg_min", "VO2 (Peak) "),
    )
    assert list(folder.inspect().tables.lab_tests["vo2max"]) == [52.4, 48.1, 61.0]
    stop = folder.put(lab_tests_csv=folder.LAB).inspect().one("stop", "missing_column")
    assert (
        stop.what
        == "There is no column 'VO2 (peak)', which study.toml names as 'vo2max_ml_kg_min'."
    )


def test_unknown_columns_are_named_with_what_they_may_be(folder):
    text = folder.LAB.replace("averaging_rule", "rer_maks").replace("moving 30 s", "1.1")
    note = folder.put(lab_tests_csv=text).inspect().one("note", "unknown_column")
    assert note.column == "rer_maks"
    assert 'columns = { rer_max = "rer_maks" }' in note.remedy
    text = folder.LAB.replace("averaging_rule", "remark")
    assert "'remark'" in folder.put(lab_tests_csv=text).inspect().one("note", "unknown_column").what


@pytest.mark.parametrize("column", ["latitude", "GPS position", "birth_date", "Surname", "e-mail"])
def test_columns_that_tell_who_or_where_are_warned_of(folder, column):
    text = folder.FIELD.replace("vo2max_ml_kg_min", f"vo2max_ml_kg_min,{column}").replace(
        "\nA", "\nA"
    )
    lines = [line + ("" if i == 0 else ",1") for i, line in enumerate(text.splitlines())]
    note = folder.put(field_estimates_csv="\n".join(lines)).inspect().one("note", "personal_column")
    assert note.column == column
    assert "before sharing" in note.remedy


def test_a_unit_row_that_contradicts_a_name_stops(folder):
    text = folder.LAB.replace("averaging_rule\n", "averaging_rule\n,,,,L/min,\n")
    stop = folder.put(lab_tests_csv=text).inspect().one("stop", "unit")
    assert 'units = { vo2max_ml_kg_min = "L/min" }' in stop.remedy


def test_the_fast_and_the_careful_way_agree(folder, monkeypatch):
    text = folder.LAB + "T4,007,2026-03-22,run, 5.5e1 ,\nT5,NA,2026-03-22,walk,.5e2,fixed 30 s\n"
    folder.put(
        study_toml="[reference]\nallow_mixed = true\n" + folder.ZONE,
        lab_tests_csv=text.replace(",moving 30 s\nT2", ",\nT2"),
    )
    fast = folder.inspect()
    monkeypatch.setattr("agreement.tables.readers.plain_columns", lambda *_: None)
    careful = folder.inspect()
    assert fast.tables.lab_tests.equals(careful.tables.lab_tests)
    assert fast.tables.field_estimates.equals(careful.tables.field_estimates)
    assert fast.problems == careful.problems


@pytest.mark.parametrize("arrow", [True, False])
def test_messages_name_the_first_row_concerned_however_a_file_was_read(folder, monkeypatch, arrow):
    if not arrow:
        monkeypatch.setattr("agreement.tables.readers.plain_columns", lambda *_: None)
    dirty = folder.LAB.replace("run,52.4,moving 30 s", "Zug,52.4,thirty")
    dirty = dirty.replace("run,48.1,moving 30 s", "bike,48.1,half a minute")
    found = folder.put(lab_tests_csv=dirty).inspect()
    told = [(p.row, p.what.partition(" in ")[0]) for p in found.of("stop")]
    assert told == [
        (2, "Unknown codes 'Zug' and 'bike'."),
        (2, "'thirty' is no averaging rule that can be read."),
        (3, "'half a minute' is no averaging rule that can be read."),
    ]
    blanks = folder.LAB.replace("\nT1", "\n T1").replace("\nT2", "\n A2")
    (note,) = (
        folder.put(lab_tests_csv=blanks.replace(",A1,", ", Z1 ,"))
        .inspect()
        .of("note", "trimmed")[1:]
    )
    assert (note.row, note.what) == (2, "Blanks around 1 value were removed, first 'Z1'.")
