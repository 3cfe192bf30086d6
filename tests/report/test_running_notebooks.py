"""Running a notebook: parameters are data, a failing cell is named, nothing half-written stays."""

import ast
import json
import time

import nbformat.v4 as nb
import pytest

from agreement.errors import AgreementError, OutputError
from agreement.report.run import write
from agreement.report.run.render import (
    SectionError,
    parameters_source,
    run_notebook,
    section_names,
)
from agreement.report.run.write import write_report


def notebook(*cells):
    first = nb.new_code_cell("study = ''\nsave = None", metadata={"tags": ["parameters"]})
    return json.dumps(nb.new_notebook(cells=[first, *cells]))


def test_parameters_are_literals_that_nothing_can_escape_from():
    names = {"study": 'x\'; import os #\n"""', "save": None, "seed": 3}
    statements = ast.parse(parameters_source(names)).body
    assert {s.targets[0].id: ast.literal_eval(s.value) for s in statements} == names


def test_cells_stand_under_the_heading_before_them():
    cells = [
        nb.new_markdown_cell("# Title"),
        nb.new_code_cell(""),
        nb.new_markdown_cell("## First\n\nwords\n\n### Detail"),
        nb.new_code_cell(""),
    ]
    assert section_names(cells) == ["Reading the study", "Reading the study", "First", "First"]


def test_a_failing_cell_names_section_and_reason_and_leaves_nothing(
    small_study, tmp_path, monkeypatch
):
    broken = notebook(
        nb.new_markdown_cell("## By kind of training"),
        nb.new_code_cell("1 / 0"),
    )
    monkeypatch.setattr(write, "template", lambda _: broken)
    study = small_study(tmp_path / "crew")
    with pytest.raises(SectionError, match="'By kind of training' could not be made: division"):
        write_report(study, tmp_path / "out")
    assert [path.name for path in tmp_path.iterdir()] == ["crew"]


@pytest.mark.slow
def test_where_telling_how_far_it_is_fails_the_notebook_ends(tmp_path):
    def fails(*_):
        raise ConnectionError

    long, start = notebook(nb.new_code_cell("import time\ntime.sleep(60)")), time.monotonic()
    with pytest.raises(ConnectionError):
        run_notebook(long, {}, kept={}, folder=tmp_path, work=tmp_path, progress=fails)
    assert time.monotonic() - start < 40


def test_a_study_that_is_not_there_is_said_before_any_work(tmp_path):
    with pytest.raises(AgreementError, match="is no folder"):
        write_report(tmp_path / "nowhere", tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


def test_a_foreign_folder_is_refused_before_any_work(small_study, tmp_path):
    study = small_study(tmp_path / "crew")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "thesis.txt").write_text("mine")
    with pytest.raises(OutputError, match="not empty"):
        write_report(study, tmp_path / "out")


@pytest.mark.slow
def test_the_same_study_gives_the_same_bytes_from_another_directory(squad, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    written = write_report(squad.study, "again", kind="squad")
    names = [name for name in written.files if name.endswith((".csv", ".svg"))]
    assert len(names) > 8
    for name in names:
        assert (tmp_path / "again" / name).read_bytes() == (
            squad.written.folder / name
        ).read_bytes(), name


@pytest.mark.slow
def test_jupyter_settings_and_start_up_files_of_the_machine_change_nothing(
    small_study, tmp_path, monkeypatch
):
    home = tmp_path / "home"
    startup = home / ".ipython" / "profile_default" / "startup"
    startup.mkdir(parents=True)
    (startup / "00.py").write_text("raise SystemExit('ran')")
    kernels = home / ".local" / "share" / "jupyter" / "kernels" / "python3"
    kernels.mkdir(parents=True)
    (kernels / "kernel.json").write_text('{"argv": ["/bin/false"], "display_name": "no"}')
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setenv("JUPYTER_DATA_DIR", str(kernels.parents[1]))
    monkeypatch.setenv("PYTHONSTARTUP", str(startup / "00.py"))
    shown = notebook(
        nb.new_code_cell("from agreement import report\n"
                         "cohort = report.read_cohort(study, earlier=save)\n"
                         "report.Page(cohort, save=save).save()")
    )  # fmt: skip
    monkeypatch.setattr(write, "template", lambda _: shown)
    study = small_study(tmp_path / "crew", athletes=3)
    (study.parent / "numpy.py").write_text("raise SystemExit('shadowed')")
    written = write_report(study, tmp_path / "out")
    assert "results.csv" in written.files
