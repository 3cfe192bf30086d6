"""Raw files as laboratories have them: times of day, doubled headers, columns named beside ours."""

import numpy as np
import pytest

from agreement.errors import TableError
from agreement.tables.options import FileFormat
from agreement.tables.part_folders import read_breaths


def breaths(tmp_path, text, form=None):
    path = tmp_path / "T1.csv"
    path.write_text(text, encoding="utf-8")
    return read_breaths(path, form=form)


@pytest.mark.parametrize(
    ("times", "seconds"),
    [
        (["12:41:34", "12:41:36", "12:42:01"], [0, 2, 27]),
        (["23:59:58", "00:00:01", "00:00:03"], [0, 3, 5]),
        (["0:05", "1:02", "101:02.5"], [0, 57, 6057.5]),
        (["9:00:00.250", "", "9:00:02.750"], [0, np.nan, 2.5]),
    ],
)
def test_times_of_day_become_seconds_and_are_told(tmp_path, times, seconds):
    rows = "".join(f"{t},{1000 + i}\n" for i, t in enumerate(times))
    frame, notes = breaths(tmp_path, "t_s,vo2_ml_min\n" + rows)
    assert frame["t_s"].tolist() == pytest.approx(seconds, nan_ok=True)
    assert any(n.reason == "format_found" and n.column == "t_s" for n in notes)


def test_a_word_among_times_of_day_stops_with_its_row(tmp_path):
    with pytest.raises(TableError) as caught:
        breaths(tmp_path, "t_s,vo2_ml_min\n12:41:34,1000\nsoon,1010\n")
    assert {(p.row, p.column) for p in caught.value.problems} >= {(3, "t_s")}


def test_a_stated_column_wins_over_one_that_is_named_like_ours(tmp_path):
    text = "t_s,vo2_ml_min,Phase,test_phase\n1,1000,odd,rest\n2,1010,odd,exercise\n"
    frame, notes = breaths(tmp_path, text, FileFormat(columns={"phase": ("test_phase",)}))
    assert frame["phase"].astype(str).tolist() == ["rest", "exercise"]
    assert any("Phase" in str(n) for n in notes)  # told that it is not read


def test_a_doubled_header_stops_only_where_it_is_read(tmp_path):
    unread = "t_s,vo2_ml_min,extra,extra\n1,1000,a,b\n"
    assert len(breaths(tmp_path, unread)[0]) == 1
    with pytest.raises(TableError) as caught:
        breaths(tmp_path, "t_s,vo2_ml_min,vo2_ml_min\n1,1000,1001\n")
    assert {p.reason for p in caught.value.problems} == {"duplicate_column"}
