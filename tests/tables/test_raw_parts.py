"""Raw files of one test or one session, with the dirt that exports carry."""

import gzip

import numpy as np
import pandas as pd
import pytest

from agreement.errors import TableError
from agreement.tables.options import FileFormat
from agreement.tables.part_folders import read_breaths, read_samples

BREATHS = "t_s,vo2_ml_min,vco2_ml_min,phase\n2.5,286,271,rest\n4.7,1284.5,265,exercise\n"


def write(path, name, content):
    target = path / "breaths" / name
    target.parent.mkdir(exist_ok=True)
    target.write_bytes(content.encode() if isinstance(content, str) else content)
    return target


def test_every_column_is_there(tmp_path):
    frame, notes = read_breaths(write(tmp_path, "T1.csv", BREATHS))
    assert list(frame.columns) == [
        "t_s", "vo2_ml_min", "vco2_ml_min", "ve_l_min", "hr_bpm", "speed_m_s", "grade", "power_w", "phase",
        "ve_stpd_l_min", "vo2_ml_kg_min", "rer",
    ]  # fmt: skip
    assert frame["vo2_ml_min"].tolist() == [286, 1284.5]
    assert frame["phase"].tolist() == ["rest", "exercise"]
    assert frame["hr_bpm"].isna().all()
    assert notes == ()


def test_an_export_with_two_headers_units_and_latin_1(tmp_path):
    text = (
        "Ger\xe4t;;;\nt_s;vo2_ml_min;vco2_ml_min;phase\ns;mL/min;mL/min;\n"
        "2,5;286,0;271,5;Rest\n4,7;1284,5;265,0;EXERCISE\n"
    )
    frame, notes = read_breaths(write(tmp_path, "T1.csv", text.encode("latin-1")))
    plain, _ = read_breaths(write(tmp_path, "T2.csv", BREATHS.replace("271", "271.5")))
    assert frame.equals(plain)
    said = " ".join(n.what for n in notes)
    assert "Column names found in row 2" in said
    assert "row 3 holds units" in said
    assert "latin-1" in said
    assert "decimal comma" in said


def test_packed_and_typed_files_give_the_same(tmp_path):
    plain, _ = read_breaths(write(tmp_path, "T1.csv", BREATHS))
    packed, _ = read_breaths(write(tmp_path, "T1.csv.gz", gzip.compress(BREATHS.encode())))
    assert packed.equals(plain)
    pytest.importorskip("pyarrow")
    target = tmp_path / "T1.parquet"
    plain[["t_s", "vo2_ml_min", "vco2_ml_min", "phase"]].to_parquet(target)
    typed, _ = read_breaths(target)
    assert typed.equals(plain)


def test_what_the_study_file_states_is_used(tmp_path):
    text = "time,hr_bpm,speed_m_s\n1,150,12\n"
    form = FileFormat(columns={"t_s": ("time",)}, units={"speed_m_s": "km/h"})
    frame, _ = read_samples(write(tmp_path, "S1.csv", text), form=form)
    assert frame["t_s"].tolist() == [1]
    assert frame["speed_m_s"][0] == pytest.approx(12 / 3.6)


def test_a_lost_signal_is_data_and_stays(tmp_path):
    frame, notes = read_samples(write(tmp_path, "S1.csv", "t_s,hr_bpm\n1,0\n2,\n3,260\n"))
    assert frame["hr_bpm"].tolist()[::2] == [0, 260]
    assert np.isnan(frame["hr_bpm"][1])
    assert notes == ()


@pytest.mark.parametrize(
    ("content", "reason", "row"),
    [
        ("", "unreadable_file", None),
        ("t_s,vo2_ml_min\n", "unreadable_file", None),
        ("t_s,vo2\n1,300\n", "missing_column", None),
        ("t_s,vo2_ml_min\n1,300\n2,cough\n", "not_a_number", 3),
        ("t_s,vo2_ml_min\n1,300\n2\n", "ragged_row", 3),
        ("t_s,vo2_ml_min,phase\n1,300,rest\n2,310,warm-up\n", "code", 3),
        (b"\x1f\x8b broken", "unreadable_file", None),
    ],
)
def test_files_that_cannot_be_used_say_why(tmp_path, content, reason, row):
    name = "T1.csv.gz" if isinstance(content, bytes) else "T1.csv"
    with pytest.raises(TableError) as error:
        read_breaths(write(tmp_path, name, content))
    first = error.value.problems[0]
    assert (first.reason, first.row, first.file) == (reason, row, f"breaths/{name}")
    assert isinstance(pd.Series([first.what, first.remedy]).str.len().min(), np.integer)
