"""What spoilt folders once broke, each in the smallest folder that shows it."""

import gzip
import io
import re

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from examining import examine, examined
from opened import open_report
from pyarrow import parquet as pq
from small_study import BARE, small_study, write_folder

from agreement.report.page.numbers import Numbers
from agreement.report.run.any_size import check_study, in_parts
from agreement.report.run.templates import stated_kind
from agreement.report.sections.published import published_block
from agreement.tables.paths import toml_inside
from agreement.terms import RESULT_COLUMNS

ESTIMATES = BARE["field_estimates.csv"]


def said(root):
    """Return every message of a folder, after all that `examine` asks of it."""
    return examined(root)[1]


def stating(line):
    """Return the bare study with one more line in its study file."""
    return BARE | {"study.toml": b"[study]\n" + line + b"\n[files.lab_tests]\npath='lab.csv'\n"}


@pytest.mark.parametrize("name", ["d/" * 3000 + "x", "x" * 300, "a\\u0000b", "../zoneinfo"])
def test_no_zone_is_looked_up_without_end(tmp_path, name):
    root = write_folder(stating(f'time_zone = "{name}"'.encode()), tmp_path / "study")
    assert "must be the name of a time zone" in said(root)


@pytest.mark.parametrize("name", ["zlib", "rot13", "hex", "undefined", "a\\u0000b", "no such"])
def test_what_encodes_no_text_is_no_encoding(tmp_path, name):
    lines = f'[files.field_estimates]\nencoding = "{name}"\n'.encode()
    root = write_folder(BARE | {"study.toml": BARE["study.toml"] + lines}, tmp_path / "study")
    assert "must be the name of a text encoding" in said(root)


@pytest.mark.parametrize("name", ["utf-8", "latin-1", "cp1252", "utf-16", "utf-8-sig"])
def test_what_encodes_text_is_an_encoding(tmp_path, name):
    lines = f'[files.field_estimates]\nencoding = "{name}"\n'.encode()
    recoded = {"field_estimates.csv": ESTIMATES.decode().encode(name)}
    folder = BARE | recoded | {"study.toml": BARE["study.toml"] + lines}
    assert examine(write_folder(folder, tmp_path / "study"))


def estimates_as(**columns):
    """Return the bare study with its estimates as Parquet, some columns in other types."""
    frame = pd.read_csv(io.BytesIO(ESTIMATES), dtype={"athlete_id": str}, keep_default_na=False)
    return with_parquet(pa.table(frame.to_dict("list") | columns))


def with_parquet(table, **how):
    data = io.BytesIO()
    pq.write_table(table, data, **how)
    rest = {name: content for name, content in BARE.items() if name != "field_estimates.csv"}
    return rest | {"field_estimates.parquet": data.getvalue()}


@pytest.mark.parametrize("values", [[np.inf] * 8, [1e300] * 8, [45000] * 8, [2.5] * 8, [True] * 8])
def test_a_number_is_no_date(tmp_path, values):
    root = write_folder(estimates_as(taken_at=values), tmp_path / "study")
    assert "column 'taken_at'" in said(root)


@pytest.mark.parametrize("values", [[1e300] * 8, [np.inf] * 8, [7.0] * 8])
def test_a_number_of_any_size_may_be_an_id(tmp_path, values):
    root = write_folder(estimates_as(athlete_id=values), tmp_path / "study")
    assert examine(root)


def test_values_whose_sum_is_too_large_are_refused_with_their_middle(tmp_path):
    text = ESTIMATES.replace(b",50\n", b",1e308\n").replace(b",51\n", b",1.5e308\n")
    lines = text.splitlines(keepends=True)[:3]
    root = write_folder(BARE | {"field_estimates.csv": b"".join(lines)}, tmp_path / "study")
    assert "middle value 1.25e+308" in said(root)


def test_one_folder_cannot_be_two_tables(tmp_path):
    lines = b"[files.samples]\npath = 'breaths'\n"
    folder = small_study()
    folder["study.toml"] += lines
    root = write_folder(folder, tmp_path / "study")
    assert "read as breaths and as samples" in said(root)


def test_no_study_file_is_followed_out_of_the_folder(tmp_path):
    (tmp_path / "secret.toml").write_text("[report]\nkind = 'audit'\n[source]\ncitation = 'SECRET'")
    (tmp_path / "field_estimates").mkdir()
    links = {"study.toml": "../secret.toml", "published.toml": "../secret.toml"}
    root = write_folder(links | {"field_estimates": "../field_estimates"}, tmp_path / "study")
    assert stated_kind(root) == "squad"
    assert not in_parts(root)
    assert not check_study(root)[0]
    page = published_block(root, Numbers(pd.DataFrame(columns=RESULT_COLUMNS))).html
    assert "SECRET" not in page
    assert "leads out of the study folder" in page


@pytest.mark.parametrize("text", ["x = " + "[" * 3000, "x = 9" + "9" * 5000, "\0", "x = 1\nx = 2"])
def test_no_study_file_ends_a_command_with_a_traceback(tmp_path, text):
    root = write_folder({"study.toml": text.encode()}, tmp_path / "study")
    assert stated_kind(root) == "squad"
    with pytest.raises(ValueError, match=r"."):
        toml_inside(root, "study.toml")


PATHS = ("d/" * 3000, "x" * 5000, "a\\u0000b", "..", "/etc", "", "~")


@pytest.mark.parametrize("path", PATHS, ids=lambda p: p[:5])
def test_no_path_of_the_estimates_ends_a_command_with_a_traceback(tmp_path, path):
    lines = f'[files.field_estimates]\npath = "{path}"\n'.encode()
    root = write_folder(BARE | {"study.toml": BARE["study.toml"] + lines}, tmp_path / "study")
    assert not check_study(root)[0]


FIGURE = "[[figure]]\nanalysis='limits_of_agreement'\nmethod='a/b'\nmode='run'\nstatistic='bias'\n"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("figure = 3", "must be a table"),
        ("figure = [3, 'x']", "must be a table"),
        ("source = 3", r"\[source\] must be a table"),
        (FIGURE + "value = nan\ndigits = 1", "value must be a number"),
        (FIGURE + "value = 'x'\ndigits = 1", "value must be a number"),
        (FIGURE + "value = 1\ndigits = 1.5", "digits must be a whole number"),
        (FIGURE + "value = 1\ndigits = -99999", "digits must be a whole number"),
        (FIGURE + "value = 1\ndigits = inf", "digits must be a whole number"),
        (FIGURE + "value = 1\ndigits = 1\nconvention = { a = 1 }", "convention must be one of"),
        (FIGURE + "value = 1\ndigits = 1", "a/b"),
        ("<script>", "cannot be read"),
    ],
)
def test_any_printed_figures_give_a_table_or_a_reason(tmp_path, text, expected):
    (tmp_path / "published.toml").write_text(text, encoding="utf-8")
    html = published_block(tmp_path, Numbers(pd.DataFrame(columns=RESULT_COLUMNS))).html
    assert re.search(expected, html), html
    assert "<script" not in html


def test_a_method_all_of_whose_athletes_take_a_drug_has_a_section(tmp_path):
    folder = BARE | {
        "athletes.csv": b"athlete_id,hr_limiting_drug\n007,yes\nNA,yes\nK3,yes\n",
        "study.toml": BARE["study.toml"] + b"[methods.m]\nheart_rate_based = true\n",
    }
    report = open_report(write_folder(folder, tmp_path / "study"))
    assert len(report.cohort.pairs)
    assert "calibration line" in report.regression().html


def test_a_study_without_a_usable_laboratory_value_has_no_cards(tmp_path):
    folder = BARE | {"lab.csv": re.sub(rb",[\d.]+\n", b",\n", BARE["lab.csv"])}
    assert open_report(write_folder(folder, tmp_path / "study")).cards.empty


def test_a_packed_sample_file_that_is_spoilt_is_named(tmp_path):
    packed = gzip.compress(b"t_s,hr_bpm\n" + b"".join(b"%d,%d\n" % (i, i % 97) for i in range(999)))
    broken = packed[:40] + bytes(byte ^ 0xFF for byte in packed[40:80]) + packed[80:]
    whole = small_study()
    samples = next(name for name in whole if name.startswith("samples/"))
    folder = {name: content for name, content in whole.items() if name != samples}
    folder[samples.removesuffix(".gz").removesuffix(".csv") + ".csv.gz"] = broken
    assert "cannot be read" in said(write_folder(folder, tmp_path / "study"))


# --- more than any table -------------------------------------------------------------------------


def long_table(rows):
    """Return a Parquet table whose few kilobytes stand for very many rows."""
    words = {"athlete_id": "007", "taken_at": "2026-02-25", "method": "m", "mode": "run"}
    columns = {
        name: pa.DictionaryArray.from_arrays(pa.array(np.zeros(rows, np.int32)), pa.array([word]))
        for name, word in words.items()
    }
    return pa.table(columns | {"vo2max_ml_kg_min": np.full(rows, 50.0)})


def test_millions_of_rows_in_a_few_kilobytes_are_no_table(tmp_path):
    folder = with_parquet(long_table(3_000_000), compression="zstd")
    assert len(folder["field_estimates.parquet"]) < 200_000
    root = write_folder(folder, tmp_path / "study")
    assert "holds 3 000 000 rows in" in said(root)
    (root / "field_estimates").mkdir()  # the same as a part, which is read piece by piece
    (root / "field_estimates.parquet").rename(root / "field_estimates" / "1.parquet")
    usable, problems = check_study(root, workers=1)
    assert not usable
    assert "holds 3 000 000 rows in" in " ".join(map(str, problems))


def test_a_list_of_millions_in_one_row_is_no_table(tmp_path):
    values = pa.ListArray.from_arrays(pa.array([0, 3_000_000]), pa.array(np.zeros(3_000_000)))
    table = long_table(1).set_column(4, "vo2max_ml_kg_min", values)
    root = write_folder(with_parquet(table, compression="zstd"), tmp_path / "study")
    assert "holds 3 000 000 rows in" in said(root)


def test_a_text_of_a_hundred_megabytes_in_one_cell_is_no_table(tmp_path):
    table = long_table(1).set_column(2, "method", pa.array(["m" * 100_000_000]))
    folder = with_parquet(table, compression="zstd", use_dictionary=False, write_statistics=False)
    root = write_folder(folder, tmp_path / "study")
    assert "unpack to" in said(root)


def test_declared_sizes_that_are_not_true_are_refused(tmp_path):
    data = bytearray(with_parquet(long_table(10))["field_estimates.parquet"])
    for place in range(len(data) - 400, len(data) - 8, 49):  # where the file says what it holds
        changed = data.copy()
        changed[place] = 0x7F
        folder = with_parquet(long_table(1)) | {"field_estimates.parquet": bytes(changed)}
        examine(write_folder(folder, tmp_path / "study"))


def test_a_packed_file_of_a_hundred_megabytes_of_nothing_is_no_table(tmp_path):
    packed = gzip.compress(b"t_s,vo2_ml_min\n" + b"\n" * 100_000_000, compresslevel=1, mtime=0)
    root = write_folder(BARE | {"breaths/T1.csv.gz": packed}, tmp_path / "study")
    assert "unpack to more than" in said(root)


@pytest.mark.parametrize("names", ["distinct", "the same", "empty"])
def test_a_million_columns_are_refused_at_once(tmp_path, names):
    word = {"distinct": ",c{}", "the same": ",x", "empty": ","}[names]
    head, _, rest = ESTIMATES.partition(b"\n")
    wide = head + "".join(map(word.format, range(1_000_000))).encode() + b"\n" + rest
    root = write_folder(BARE | {"field_estimates.csv": wide}, tmp_path / "study")
    assert "row 1, the header, does not end within" in said(root)


def test_thousands_of_columns_are_told_apart(tmp_path):
    lines = ESTIMATES.decode().splitlines()
    wide = [lines[0] + "".join(f",c{i}" for i in range(3000)), *(x + "," * 3000 for x in lines[1:])]
    data = "\n".join(wide).encode()
    assert "Not read, because unknown: 'c0'" in said(
        write_folder(BARE | {"field_estimates.csv": data}, tmp_path / "study")
    )
    twice = data.replace(b",c1,", b",taken_at,", 1)
    assert "'taken_at' stands over 2 columns" in said(
        write_folder(BARE | {"field_estimates.csv": twice}, tmp_path / "study")
    )
