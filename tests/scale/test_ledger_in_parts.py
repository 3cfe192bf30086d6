"""Many lines left out: Parquet parts with the lines of the one table, checked and passed on alike."""

import io
import shutil

import pandas as pd
import pyarrow as pa
import pytest
from pyarrow import parquet
from typer.testing import CliRunner

from agreement import cli
from agreement.report.run import write_pairs
from agreement.scale import streamed

COLUMNS = ["file", "row", "id", "reason", "message"]


def run(*args):
    return CliRunner().invoke(cli.app, [str(arg) for arg in args])


@pytest.fixture(scope="module")
def outputs(registry_once, tmp_path_factory):
    """Return the output with one table of lines, and with parts of them."""
    root = tmp_path_factory.mktemp("ledger")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(streamed, "ROWS_PER_BUCKET", 400)
        for name, most in (("few", 100_000), ("many", 10)):
            patch.setattr(write_pairs, "MOST_LINES", most)
            done = run("pair", registry_once, "--out", root / name, "--workers", 1)
            assert done.exit_code == 0, done.stderr
    return root


def table(text):
    lines = pd.read_csv(io.StringIO(text), dtype=str, keep_default_na=False)
    assert list(lines.columns) == COLUMNS
    return lines.sort_values(COLUMNS, ignore_index=True)


def test_the_parts_hold_the_lines_of_the_one_table(outputs):
    few, many = outputs / "few", outputs / "many"
    assert not (few / "exclusions").exists()
    parts = sorted((many / "exclusions").iterdir())
    assert len(parts) > 4
    rows = sum(parquet.read_metadata(part).num_rows for part in parts)
    flow = pd.read_csv(many / "flow.csv", index_col="file")
    assert rows == flow.loc["field_estimates", "excluded"]
    written = run("ledger", many, "--csv")
    assert written.exit_code == 0, written.stderr
    expected = table((few / "exclusions.csv").read_text())
    pd.testing.assert_frame_equal(table(written.stdout), expected)
    pd.testing.assert_frame_equal(table(run("ledger", few, "--csv").stdout), expected)


def test_reason_and_message_are_stored_once_in_a_part_of_rising_rows(outputs):
    for part in (outputs / "many" / "exclusions").iterdir():
        lines = parquet.read_table(part, read_dictionary=["reason", "message"])
        assert lines.column_names == COLUMNS
        assert pa.types.is_dictionary(lines.schema.field("message").type)
        column = parquet.read_metadata(part).row_group(0).column(4)
        assert "RLE_DICTIONARY" in column.encodings
        by_row = lines.to_pandas().groupby("file", observed=True)["row"]
        assert by_row.apply(lambda row: row.is_monotonic_increasing).all()


def test_counts_by_reason_are_those_of_the_lines(outputs):
    told = run("ledger", outputs / "many").stdout.split("\n")
    found = {line.split()[1].rstrip(":"): int(line.split()[0]) for line in told if line}
    lines = pd.read_csv(outputs / "few" / "exclusions.csv")
    assert found == lines["reason"].value_counts().to_dict()


def test_a_part_that_was_changed_is_seen_and_not_passed_on(outputs, tmp_path):
    out = shutil.copytree(outputs / "many", tmp_path / "out")
    part = min((out / "exclusions").iterdir())
    lines = parquet.read_table(part)
    parquet.write_table(lines.slice(1), part)
    done = run("ledger", out, "--csv")
    assert done.exit_code == 2
    assert f"exclusions/{part.name} of the report is not as it was written" in done.stderr
    part.unlink()
    done = run("ledger", out)
    assert done.exit_code == 2
    assert part.name in done.stderr
