"""The same study gives the same bytes: whatever the order, locale, zone, hash seed and workers."""

import json
import os
import platform
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from opened import open_report
from small_study import small_study, write_folder

PLACES = (
    {"PYTHONHASHSEED": "1", "TZ": "Pacific/Auckland", "LC_ALL": "C"},
    {"PYTHONHASHSEED": "77", "TZ": "America/St_Johns", "LC_ALL": "de_DE.UTF-8", "LANG": "tr_TR"},
)


def written(study, out, environment, command=("report",), more=()):
    """Run a command in an environment and return its files, the notebook without its time."""
    done = subprocess.run(
        [sys.executable, "-m", "agreement", *command, study, "--out", out, *more],
        env=os.environ | environment, check=False, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    files = {p.relative_to(out).as_posix(): p.read_bytes() for p in out.rglob("*") if p.is_file()}
    made = json.loads(files.pop("provenance.json"))["created"].encode()
    return {name: content.replace(made, b"") for name, content in files.items()}


@pytest.mark.slow
def test_a_report_does_not_depend_on_hash_seed_zone_locale_or_time(tmp_path):
    study = write_folder(small_study(), tmp_path / "crew")
    first, second = (written(study, tmp_path / str(i), place) for i, place in enumerate(PLACES))
    assert {"results.csv", "pairs.csv", "report.ipynb", "report.html"} <= set(first)
    assert [n for n in first if n.endswith(".svg")]
    assert set(first) == set(second)
    assert [name for name in first if first[name] != second[name]] == []


@pytest.mark.slow
def test_pairs_do_not_depend_on_hash_seed_zone_or_locale(tmp_path):
    study = write_folder(small_study(), tmp_path / "crew")
    first, second = (
        written(study, tmp_path / str(i), place, ("pair",)) for i, place in enumerate(PLACES)
    )
    assert first == second


def shuffled(content, seed):
    head, *lines = content.decode("utf-8").splitlines()
    order = np.random.default_rng(seed).permutation(len(lines))
    return "\n".join([head, *(lines[i] for i in order)]).encode() + b"\n"


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
def test_tables_and_figures_do_not_depend_on_the_order_of_rows(tmp_path, seed):
    folder = small_study()
    texts = []
    for name in ("plain", "shuffled"):
        if name == "shuffled":
            tables = ("athletes.csv", "lab.csv", "field_estimates.csv", "field_tests.csv",
                      "sessions.csv", "ids.csv")  # fmt: skip
            folder |= {table: shuffled(folder[table], seed) for table in tables}
        out = tmp_path / f"{name} out"
        out.mkdir()
        report = open_report(write_folder(folder, tmp_path / name), save=out)
        report.differences()
        report.save()
        left_out = pd.read_csv(out / "exclusions.csv", dtype=str).drop(columns="row")
        left_out = left_out.sort_values(list(left_out)).to_csv(index=False)
        (out / "exclusions.csv").write_text(left_out, encoding="utf-8")
        (out / "provenance.json").unlink()  # has the checksums of the inputs, which do differ
        history = pd.read_csv(out / "history.csv", dtype=str).drop(columns="provenance")
        history.to_csv(out / "history.csv", index=False)  # its hash is of them too
        texts.append({p.relative_to(out): p.read_bytes() for p in out.rglob("*") if p.is_file()})
    names = {path.name for path in texts[0]}
    assert {"results.csv", "pairs.csv", "flow.csv", "exclusions.csv"} <= names
    assert any(name.endswith(".svg") for name in names)
    assert texts[0].keys() == texts[1].keys()
    assert [name for name in texts[0] if texts[0][name] != texts[1][name]] == []


@pytest.mark.slow
@pytest.mark.parametrize("command", ["pair", "report"])
def test_a_registry_does_not_depend_on_the_number_of_workers(tmp_path, command):
    rng = np.random.default_rng(4)
    folder = {"study.toml": b"[study]\ntime_zone = 'UTC'\n"}
    who = [f"p{i:02}" for i in range(30)]
    tests = [f"t{i},{name},2026-03-20,run,{40 + i % 9}" for i, name in enumerate(who)]
    head = "lab_test_id,athlete_id,date,mode,vo2max_ml_kg_min"
    folder["lab_tests.csv"] = "\n".join([head, *tests, ""]).encode()
    for part in range(4):
        rows = [
            f"{who[rng.integers(30)]},2026-03-{rng.integers(5, 20):02}T{rng.integers(24):02}:00,w,run,"
            f"{rng.normal(44, 3):.1f}"
            for _ in range(200)
        ]
        head = "athlete_id,taken_at,method,mode,vo2max_ml_kg_min"
        folder[f"field_estimates/part-{part}.csv"] = "\n".join([head, *rows, ""]).encode()
    pytest.importorskip("pyarrow", reason="studies in parts need the extra `scale`")
    study = write_folder(folder, tmp_path / "registry")
    one, two = (written(study, tmp_path / n, {}, (command,), ("--workers", n)) for n in ("1", "2"))
    assert len(one["pairs.csv"].splitlines()) > 20
    assert one == two


def older_processor():
    """Return the environment in which numpy and OpenBLAS use the instructions of 2008 only."""
    from numpy._core._multiarray_umath import __cpu_dispatch__, __cpu_features__

    newer = " ".join(name for name in __cpu_dispatch__ if __cpu_features__.get(name))
    return {"OPENBLAS_CORETYPE": "Nehalem", "NPY_DISABLE_CPU_FEATURES": newer}


@pytest.mark.slow
@pytest.mark.skipif(platform.machine() not in ("x86_64", "AMD64"), reason="other instructions")
def test_another_processor_gives_the_same_numbers_and_verify_says_so(tmp_path):
    study = write_folder(small_study(), tmp_path / "crew")
    here = written(study, tmp_path / "here", {})
    there = written(study, tmp_path / "there", older_processor())
    assert set(here) == set(there)
    assert [name for name in here if name.endswith(".svg") and here[name] != there[name]] == []
    one, other = (
        pd.read_csv(tmp_path / place / "results.csv").set_index(
            ["analysis", "method", "mode", "group", "statistic"]
        )
        for place in ("here", "there")
    )
    pd.testing.assert_frame_equal(one, other, rtol=1e-11)
    done = subprocess.run(
        [sys.executable, "-m", "agreement", "verify", tmp_path / "here", "--study", study],
        env=os.environ | older_processor(), check=False, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "nothing differs" in done.stderr


@pytest.mark.slow
def test_the_figures_of_training_do_not_depend_on_the_order_of_sessions(tmp_path):
    demo = Path(__file__).parents[2] / "demo_cohort"
    drawn = []
    for name in ("plain", "shuffled"):
        study = tmp_path / name / "demo_cohort"
        shutil.copytree(demo, study)
        if name == "shuffled":
            path = study / "sessions.csv"
            path.write_bytes(shuffled(path.read_bytes(), 3))
        (tmp_path / name / "out").mkdir()
        report = open_report(study, save=tmp_path / name / "out")
        for section in ("differences", "profiles", "why", "change"):
            getattr(report, section)()
        drawn.append({p.name: p.read_bytes() for p in (tmp_path / name).rglob("*.svg")})
    assert any(name.startswith("why") for name in drawn[0])
    assert drawn[0] == drawn[1]
