"""What is written can be read back, to the last digit, and starts no formula."""

import datetime as dt
import io

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agreement.errors import OutputError
from agreement.tables.new_study import new_study
from agreement.tables.study import inspect_study
from agreement.tables.writers import csv_bytes, write_table

numbers = st.lists(st.floats(allow_nan=True, allow_infinity=False), min_size=1, max_size=20)


@given(numbers)
def test_numbers_come_back_bit_for_bit(values):
    frame = pd.DataFrame({"id": "x", "value": values})
    cells = [line.split(",")[1] for line in csv_bytes(frame).decode().splitlines()[1:]]
    back = [float(c) if c else np.nan for c in cells]
    assert np.array_equal(np.array(back), np.array(values), equal_nan=True)


@settings(max_examples=15)  # each example reads a whole study
@given(st.lists(st.floats(15.1, 100.0), min_size=1, max_size=10))  # lower: perhaps MET, asked
def test_a_study_reads_the_numbers_that_were_written(tmp_path_factory, values):
    folder = tmp_path_factory.mktemp("round") / "trip"
    folder.mkdir()
    count = len(values)
    lab = pd.DataFrame(
        {
            "lab_test_id": [f"T{i}" for i in range(count)],
            "athlete_id": [f"{i:03d}" for i in range(count)],
            "date": pd.date_range("2026-03-01", periods=count),
            "mode": "run",
            "vo2max_ml_kg_min": values,
        }
    )
    field = (
        lab.drop(columns=["lab_test_id"]).rename(columns={"date": "taken_at"}).assign(method="m")
    )
    write_table(lab, folder / "lab_tests.csv")
    write_table(field, folder / "field_estimates.csv")
    (folder / "study.toml").write_text("")
    study, problems = inspect_study(folder)
    assert study is not None, problems
    assert study.lab_tests["vo2max"].tolist() == values
    assert study.field_estimates["vo2max"].tolist() == values
    assert study.lab_tests["athlete_id"].tolist() == lab["athlete_id"].tolist()


@pytest.mark.parametrize(
    ("cell", "text"),
    [
        ("=1+1", "'=1+1"),
        ("+47", "'+47"),
        ("-2", "'-2"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("-", "-"),
        ("a=b", "a=b"),
        ("007", "007"),
    ],
)
def test_text_that_starts_a_formula_is_disarmed(cell, text):
    assert csv_bytes(pd.DataFrame({"label": [cell]})).decode() == f"label\n{text}\n"


def test_negative_numbers_dates_and_missing_cells():
    frame = pd.DataFrame(
        {
            "difference": [-1.5, 2.0],
            "count": pd.array([1, None], dtype="Int64"),
            "day": pd.to_datetime(["2026-03-02", None]),
            "instant": pd.to_datetime(["2026-03-02 09:30:00.0", "2026-03-02 09:30:00.5"]),
            "date": [dt.date(2026, 3, 2), None],
            "said": ["one, two", None],
            "known": [True, False],
        }
    )
    assert csv_bytes(frame).decode().splitlines() == [
        "difference,count,day,instant,date,said,known",
        '-1.5,1,2026-03-02,2026-03-02T09:30:00,2026-03-02,"one, two",yes',
        "2,,,2026-03-02T09:30:00.500000,,,no",
    ]


def test_an_empty_table_has_its_header_and_nothing_else():
    assert csv_bytes(pd.DataFrame({"a": [], "b": []})) == b"a,b\n"
    assert b"\r" not in csv_bytes(pd.DataFrame({"a": ["x", "y"]}))


def test_the_index_and_row_labels_are_not_written():
    frame = pd.DataFrame({"a": [1.5, 2.5], "b": ["x", "y"]}, index=[7, 3])
    assert pd.read_csv(io.BytesIO(csv_bytes(frame))).to_dict("list") == {
        "a": [1.5, 2.5],
        "b": ["x", "y"],
    }


def test_a_new_study_passes_once_it_is_filled(tmp_path):
    new_study(tmp_path / "new")
    study, problems = inspect_study(tmp_path / "new")
    assert study is not None
    assert {problem.reason for problem in problems} == {"empty_table"}
    for name, row in {
        "lab_tests": {"lab_test_id": "T1", "athlete_id": "A1", "date": "2026-03-20", "mode": "run",
                      "vo2max_ml_kg_min": "50.5", "averaging_rule": "moving 30 s"},
        "field_estimates": {"athlete_id": "A1", "taken_at": "2026-03-15", "method": "m", "mode": "run",
                            "vo2max_ml_kg_min": "49.5"},
        "athletes": {"athlete_id": "A1", "sex": "female", "withdrawn": "no"},
    }.items():  # fmt: skip
        path = tmp_path / "new" / f"{name}.csv"
        columns = path.read_text().strip().split(",")
        assert set(row) <= set(columns)
        path.write_text(path.read_text() + ",".join(row.get(c, "") for c in columns) + "\n")
    study, problems = inspect_study(tmp_path / "new")
    assert study is not None
    assert problems == ()
    assert len(study.lab_tests) == len(study.field_estimates) == len(study.athletes) == 1


def test_the_guide_names_every_file_and_required_column(tmp_path):
    new_study(tmp_path / "new")
    guide = (tmp_path / "new" / "README.txt").read_text()
    for word in (
        "lab_tests.csv",
        "* taken_at",
        "breaths/<lab_test_id>.csv",
        "withdrawn: yes, no",
        "middle N of M",
        "session_id and lab_test_id are for files that hold many sessions or tests",
    ):
        assert word in guide


def test_a_folder_that_holds_something_is_refused(tmp_path):
    (tmp_path / "mine.txt").write_text("x")
    with pytest.raises(OutputError, match="is not empty"):
        new_study(tmp_path)
    with pytest.raises(OutputError, match="cannot be written"):
        new_study(tmp_path / "mine.txt" / "new")
