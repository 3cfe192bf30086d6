"""`import agreement` stays light: what draws, fits models or runs notebooks comes when it is used."""

import os
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest
from turns import slowly

from agreement.report.run.read_beside import leave_out_arrow
from agreement.report.run.unused import leaving_out

DEMO = Path(__file__).parents[1] / "demo_cohort"
HEAVY = {"matplotlib", "seaborn", "statsmodels", "pingouin", "IPython", "nbformat", "nbclient"}


def test_importing_the_package_and_its_loader_does_not_import_the_heavy_libraries():
    code = "import sys, agreement, agreement.cohort; print(*{m.split('.')[0] for m in sys.modules})"
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert HEAVY.isdisjoint(loaded.stdout.split())


def loaded_after(code):
    """Return the top-level names of what a fresh interpreter has loaded after running `code`."""
    shown = f"{code}; import sys; print(*{{m.split('.')[0] for m, v in sys.modules.items() if v}})"
    done = subprocess.run([sys.executable, "-c", shown], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


def test_the_process_that_waits_for_a_report_computes_and_draws_nothing():
    code = (
        "from agreement.report.run.unused import leave_out_unused; leave_out_unused()"
        "; import agreement.report.run.write, agreement.report.run.any_size, nbformat, nbclient"
    )
    loaded = loaded_after(code)
    assert {"numpy", "pandas", "scipy", "matplotlib", "rfc3987_syntax"}.isdisjoint(loaded)
    assert {"nbformat", "nbclient"} <= loaded


def test_checking_and_pairing_parts_starts_without_the_statistics():
    loaded = loaded_after("import agreement.report.run.write_pairs, agreement.scale.streamed")
    assert (HEAVY | {"scipy"}).isdisjoint(loaded)
    assert "pandas" in loaded


@pytest.mark.slow
def test_the_kernel_of_a_report_loads_only_what_the_report_shows():
    code = (
        "from agreement.report.run.unused import leave_out_unused; leave_out_unused()"
        f"; from agreement import report; cohort = report.read_cohort({str(DEMO)!r})"
        "; report.change(cohort), report.structure(cohort), report.reporting_lists(cohort)"
    )
    loaded = loaded_after(code)
    assert {"pandas", "matplotlib"} <= loaded
    unused = {"nbformat", "nbclient", "typer"}
    assert unused.isdisjoint(loaded)


@pytest.mark.parametrize(
    ("ours", "loaded"), [("leave_out_unused()", "False"), *slowly([("", "True")])]
)
def test_figures_load_no_statistics_where_the_process_is_ours_and_take_nothing_elsewhere(
    ours, loaded
):
    code = (
        "import sys\nfrom agreement.report.run.unused import leave_out_unused, leaving_out\n"
        f"{ours}\nwith leaving_out('scipy.stats', 'scipy.cluster'):\n    import seaborn\n"
        "print('scipy.stats' in sys.modules)\nimport scipy.stats, scipy.cluster"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == [loaded]


@pytest.mark.parametrize(
    ("ours", "written"), [("leave_out_unused()", "False"), *slowly([("", "True")])]
)
def test_libraries_write_no_documentation_where_the_process_is_ours_and_all_of_it_elsewhere(
    ours, written
):
    code = (
        "from agreement.report.run.unused import leave_out_unused, load_bare, load_bare_drawing\n"
        f"{ours}\nload_bare()\nload_bare_drawing()\n"
        "import scipy.stats, matplotlib.lines, numpy.testing, numpy.f2py, pingouin\n"
        "print('Parameters' in scipy.stats.skew.__doc__)\n"
        "print('antialiased' in (matplotlib.lines.Line2D.set.__doc__ or ''))\n"
        "assert callable(numpy.testing.assert_array_equal) and numpy.f2py.__file__\n"
        "line = matplotlib.lines.Line2D([0, 1], [0, 1])\nline.set(lw=3)\n"
        "assert line.get_linewidth() == 3 and scipy.stats.norm.cdf(0.0) == 0.5\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == [written] * 2


def test_nothing_is_taken_from_a_process_that_is_not_ours():
    with leaving_out("no_such_library"):
        assert "no_such_library" not in sys.modules


PLAIN = {"study.toml": "[study]\n", "lab_tests.csv": "a\n"}
WITH_ARROW = [
    ({"field_estimates.parquet": ""}, []),
    ({"breaths/one.PARQUET": ""}, []),
    ({"field_estimates/part-0.csv": "a\n"}, []),
    (
        {"parts/part-0.csv": "a\n", "study.toml": "[files.field_estimates]\npath = 'parts'\n"},
        [],
    ),
    ({"large.csv": "a" * 2**23}, []),
    ({"a.csv": "a" * 2**22, "more/b.csv": "a" * 2**22}, []),
    ({}, ["--watch"]),
    ({}, ["--scheduler=tcp://here"]),
]


def left_out(monkeypatch, *told):
    monkeypatch.delitem(sys.modules, "pyarrow", raising=False)
    ours = leave_out_arrow.__module__
    others = [one for one in sys.meta_path if type(one).__module__ != ours]
    monkeypatch.setattr(sys, "meta_path", others)
    leave_out_arrow(map(str, told))
    try:
        find_spec("pyarrow")
    except ModuleNotFoundError:
        return True
    return False


def written(root, files):
    for name, text in files.items():
        place = root / name
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text(text)
    return root


@pytest.mark.parametrize(("files", "options"), WITH_ARROW)
def test_a_study_that_needs_arrow_finds_it(files, options, tmp_path, monkeypatch):
    study = written(tmp_path / "study", PLAIN | files)
    assert not left_out(monkeypatch, study, *options)


@pytest.mark.parametrize("name", ["study", "of=here"])
def test_a_small_plain_study_loads_pandas_without_arrow(name, tmp_path, monkeypatch):
    study = written(tmp_path / name, PLAIN)
    other = written(tmp_path / "other", {"one.parquet": ""})
    assert left_out(monkeypatch, "--report", "squad", study)
    assert not left_out(monkeypatch, study, "--out", other)
    assert not left_out(monkeypatch, tmp_path / "none")
    assert left_out(monkeypatch, study, "--out", tmp_path / ("long" * 100))  # no name of a folder


def test_a_study_with_links_to_folders_finds_arrow_without_following_them(tmp_path, monkeypatch):
    study = written(tmp_path / "study", PLAIN)
    for name in ("a", "b", "c"):  # followed as far as the system goes: three to the fortieth
        (study / name).symlink_to(".")
    assert not left_out(monkeypatch, study)


@pytest.mark.parametrize(
    ("asked", "told", "used"),
    [
        (["--version"], {}, "1"),
        (["--version"], {"OMP_NUM_THREADS": "3"}, "3"),
        (["open", "--help"], {}, "None"),
    ],
)
def test_a_command_lets_libraries_use_one_thread_but_not_in_what_a_user_opens(asked, told, used):
    child = (
        "import atexit, os, sys\n"
        "from agreement.__main__ import start\n"
        f"sys.argv = {['agreement', *asked]}\n"
        "atexit.register(lambda: print(os.environ.get('OMP_NUM_THREADS'), flush=True))\n"
        "start()\n"
    )
    here = {name: value for name, value in os.environ.items() if name != "OMP_NUM_THREADS"} | told
    done = subprocess.run(
        [sys.executable, "-c", child], capture_output=True, text=True, check=True, env=here
    )
    assert done.stdout.splitlines()[-1] == used
