"""Samples of many sessions in each file give what one file per session gives."""

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from agreement import cli

DEMO = Path(__file__).parents[2] / "demo_cohort"
pytest.importorskip("pyarrow", reason="parts in Parquet need the extra `scale`")


def run(*args):
    return CliRunner().invoke(cli.app, [str(arg) for arg in args])


def with_parts(study: Path) -> Path:
    """Lay the samples of one study into two parts, one of them with its rows out of order."""
    folder = study / "samples"
    frames = []
    for path in sorted(folder.iterdir()):
        frames.append(pd.read_csv(path).assign(session_id=path.name.split(".")[0]))
        path.unlink()
    half = len(frames) // 2
    pd.concat(frames[:half]).to_csv(folder / "a.csv", index=False)
    # sessions woven into each other; within each the order of time stays
    rest = pd.concat(frames[half:])
    rest.sort_values("t_s", kind="stable").to_parquet(folder / "b.parquet", row_group_size=5000)
    return study


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    """Return the demo with few of its sample files: as they are, and in parts."""
    root = tmp_path_factory.mktemp("samples")
    plain = root / "files"
    shutil.copytree(DEMO, plain)
    for number, path in enumerate(sorted((plain / "samples").iterdir())):
        if number >= 32:
            path.unlink()
    with_parts(shutil.copytree(plain, root / "parts"))
    return root


@pytest.fixture(scope="module")
def studies(folders):
    """Pair both, and a third with its estimates in parts too."""
    root, plain, parts = folders, folders / "files", folders / "parts"
    streamed = shutil.copytree(parts, root / "streamed")
    estimates = pd.read_csv(streamed / "field_estimates.csv", dtype=str, keep_default_na=False)
    (streamed / "field_estimates.csv").unlink()
    (streamed / "field_estimates").mkdir()
    estimates.to_csv(streamed / "field_estimates" / "part.csv", index=False)
    for study in (plain, parts, streamed):
        done = run("pair", study, "--out", root / f"{study.name}-out", "--workers", 1)
        assert done.exit_code == 0, done.output
    return root


@pytest.mark.slow
@pytest.mark.parametrize("name", ["parts", "streamed"])
def test_estimates_and_profiles_from_parts_are_those_from_single_files(studies, name):
    expected, found = (
        pd.read_csv(studies / f"{n}-out" / "pairs.csv", dtype=str) for n in ("files", name)
    )
    assert (expected["method"] == "sessions_hr").sum() >= 3
    numbers = ["lab", "field", "difference"]
    pd.testing.assert_frame_equal(
        found.drop(columns=numbers), expected.drop(columns=numbers), check_dtype=False
    )
    for one in numbers:
        np.testing.assert_allclose(found[one].astype(float), expected[one].astype(float), rtol=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["parts", "streamed"])
def test_each_session_of_a_part_has_its_line_in_the_account(studies, name):
    flows = [
        pd.read_csv(studies / f"{n}-out" / "flow.csv", index_col="file") for n in ("files", name)
    ]
    expected, found = (flow.loc["samples"].tolist() for flow in flows)
    assert expected[0] == 32
    assert found == expected


@pytest.mark.slow
def test_two_workers_read_the_same(studies, tmp_path):
    out = tmp_path / "out"
    assert run("pair", studies / "streamed", "--out", out, "--workers", 2).exit_code == 0
    for name in ("pairs.csv", "flow.csv"):
        assert (out / name).read_bytes() == (studies / "streamed-out" / name).read_bytes()


def break_corrupt(folder):
    (folder / "b.parquet").write_bytes(b"PAR1 this is no parquet file PAR1")


def break_columns(folder):
    path = folder / "a.csv"
    pd.read_csv(path).rename(columns={"session_id": "number"}).to_csv(path, index=False)


def break_empty(folder):
    (folder / "a.csv").write_bytes(b"")


def break_twice(folder):
    pd.read_csv(folder / "a.csv").iloc[:3].to_csv(folder / "c.csv", index=False)


def break_ids(folder):
    path = folder / "a.csv"
    frame = pd.read_csv(path, dtype={"session_id": str})
    frame.loc[7, "session_id"] = None
    frame.to_csv(path, index=False)


@pytest.mark.parametrize(
    ("harm", "file", "sentence"),
    [
        (break_corrupt, "samples/b.parquet", "The file cannot be read (ArrowInvalid)."),
        (break_columns, "samples/a.csv", "column 'session_id' is missing, which samples/b.parquet"),
        (break_empty, "samples/a.csv", "column 'session_id' is missing, which samples/b.parquet"),
        (break_twice, "samples", "has two files: a.csv and c.csv."),
        (break_ids, "samples/a.csv", "session_id is missing in 1 row."),
    ],
)
def test_a_bad_part_stops_the_run(folders, tmp_path, harm, file, sentence):
    study = shutil.copytree(folders / "parts", tmp_path / "study")
    harm(study / "samples")
    done = run("pair", study, "--out", tmp_path / "out")
    assert done.exit_code == 2
    assert file in done.stderr
    assert sentence in " ".join(done.stderr.split())
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
def test_sessions_that_the_table_lacks_are_set_aside_one_by_one(folders, tmp_path):
    study = shutil.copytree(folders / "parts", tmp_path / "study")
    path = study / "samples" / "a.csv"
    some = pd.read_csv(path, dtype={"session_id": str})
    pd.concat([some, some.iloc[:2].assign(session_id="nobody")]).to_csv(path, index=False)
    out = tmp_path / "out"
    assert run("pair", study, "--out", out).exit_code == 0
    lines = pd.read_csv(out / "exclusions.csv", dtype=str)
    own = lines[(lines["file"] == "samples") & (lines["id"] == "nobody")]
    assert own["reason"].tolist() == ["unknown_test"]
    flow = pd.read_csv(out / "flow.csv", index_col="file").loc["samples"]
    assert flow["rows_read"] == 33 == flow["used"] + flow["summarised"] + flow["excluded"]
