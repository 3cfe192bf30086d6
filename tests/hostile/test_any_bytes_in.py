"""Any bytes in, one clear answer out: thousands of spoilt study folders through check and pair."""

import gc
import os
import random
import resource
import subprocess
import sys
import traceback
from pathlib import Path

import pandas as pd
import pytest
from examining import examine, examined
from hostile_values import CELLS, TOML_VALUES
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from small_study import BARE, demo_cut, small_study, write_folder
from spoiling import spoil, toml_line, toml_value
from spoiling_binary import hostile_sheets, parquet, workbook

SEED = int(os.environ.get("HOSTILE_SEED", "20260301"))
DEMO = Path(__file__).parents[2] / "demo_cohort"
BINARY = (workbook, parquet)
SOME = 2  # a seed that gives more than the bare study


def spoilt(seed, base=None):
    """Return the folder that a seed stands for, and how it was spoilt."""
    rng = random.Random(seed)
    folder = small_study(rng) if base is None else dict(base)
    return folder, spoil(folder, rng, BINARY)


def failures(seeds, root, base=None):
    """Return one line for each seed whose folder breaks a promise, and how many were usable."""
    gc.collect()
    gc.freeze()  # what the imports left behind need not be looked through again and again
    lines, usable = [], 0
    for seed in seeds:
        folder, ways = spoilt(seed, base)
        write_folder(folder, root)
        try:
            usable += examine(root)
        except Exception as error:  # noqa: BLE001 - whatever it is, it is a failure of this seed
            frames = traceback.extract_tb(error.__traceback__)
            place = [
                f"{Path(f.filename).name}:{f.lineno}" for f in frames if "agreement" in f.filename
            ]
            lines.append(f"seed {seed} ({', '.join(ways)}): {error!r:.300} at {place[-3:]}")
    return lines, usable


def test_15_spoilt_folders_give_an_answer(tmp_path):
    found, usable = failures(range(SEED, SEED + 15), tmp_path / "study")
    assert not found, "\n".join(found)
    assert 1 < usable < 14  # neither harmless nor hopeless


@pytest.mark.long
@pytest.mark.parametrize("part", range(8))
def test_20_000_spoilt_folders_give_an_answer(tmp_path, part):
    first = SEED + 1000 + 2500 * part
    print(f"HOSTILE_SEED={SEED}, seeds {first} to {first + 2499}")  # noqa: T201 - to run it again
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    found, _ = failures(range(first, first + 2500), tmp_path / "study")
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    assert not found, "\n".join(found)
    assert grown < 700_000  # KiB


KINDS = ("squad", "validation", "audit")


@pytest.mark.long
def test_40_spoilt_folders_through_report(tmp_path):
    """By the real command; folders that stop are let through only now and then, as they are many."""
    codes, seed = [], SEED
    while len(codes) < 40:
        seed += 1
        root = write_folder(spoilt(seed)[0], tmp_path / "study")
        if not examine(root) and seed % 6:
            continue
        out = tmp_path / "out" / str(seed)
        run = [sys.executable, "-m", "agreement", "report", root, "--out", out]
        done = subprocess.run(
            [*run, "--report", KINDS[seed % 3]],
            capture_output=True,
            text=True,
            timeout=180,
            check=False,
        )
        said = f"HOSTILE_SEED={SEED}, seed {seed}: {done.stderr[-2000:]}"
        assert done.returncode in (0, 2), said
        assert "Traceback" not in done.stderr, said
        assert out.exists() == (done.returncode == 0), said
        if done.returncode == 0:
            flow = pd.read_csv(out / "flow.csv")
            parts = flow[["used", "summarised", "excluded"]].sum(axis=1)
            assert (flow["rows_read"] == parts).all(), said
        codes.append(done.returncode)
    assert 5 < codes.count(0) < 40


@pytest.mark.slow
def test_the_demo_cut_down_and_spoilt_gives_an_answer(tmp_path):
    base = demo_cut(DEMO)
    print(f"HOSTILE_SEED={SEED}")  # noqa: T201 - to run it again
    found, usable = failures(range(SEED, SEED + 150), tmp_path / "study", base)
    assert not found, "\n".join(found)
    assert usable > 20


HARMFUL = ("declared size", "far cell", "both", "row order", "entities", "outside", "zeros", "deep")


@pytest.mark.parametrize("name", HARMFUL)
def test_workbooks_made_to_harm_are_read_or_refused(tmp_path, name):
    folder = {k: v for k, v in BARE.items() if "estimates" not in k}
    folder["field_estimates.xlsx"] = hostile_sheets()[name]
    _, said = examined(write_folder(folder, tmp_path / "study"))
    assert "root:" not in said
    if name in ("both", "zeros"):
        assert "million cells" in said or "MB" in said


hostile_text = st.one_of(
    st.sampled_from(CELLS),
    st.text(max_size=12),
    st.floats().map(repr),
    st.dates().map(str),
    st.datetimes().map(str),
    st.integers().map(str),
)
few = settings(
    max_examples=10,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@few
@given(cells=st.lists(st.tuples(st.integers(0, 99), st.integers(0, 9), hostile_text), max_size=6))
def test_any_text_in_any_cells_of_the_estimates(tmp_path, cells):
    folder = small_study(random.Random(SOME))
    lines = [line.split(",") for line in folder["field_estimates.csv"].decode().splitlines()]
    for row, column, text in cells:
        line = lines[row % len(lines)]
        line[column % len(line)] = '"' + text.replace('"', '""') + '"'
    data = "\n".join(map(",".join, lines)).encode("utf-8", "replace")
    examine(write_folder(folder | {"field_estimates.csv": data}, tmp_path / "study"))


@few
@given(data=st.binary(max_size=400), name=st.sampled_from(["lab.csv", "study.toml", "ids.csv"]))
def test_any_bytes_instead_of_a_file(tmp_path, data, name):
    folder = small_study(random.Random(SOME)) | {name: data}
    examine(write_folder(folder, tmp_path / "study"))


def test_any_value_under_any_key_of_the_study_file(tmp_path):
    """Only the reading of study.toml: everything else is left out, so that it stops at once."""
    rng = random.Random(SEED)
    for _ in range(40):
        folder = {"study.toml": small_study()["study.toml"]}
        for _ in range(rng.choice((1, 2, 6))):
            (toml_line if rng.random() < 0.3 else toml_value)(folder, rng)
        assert not examine(write_folder(folder, tmp_path / "study"))
    assert len(TOML_VALUES) > 50
