"""A notebook run without a kernel: the file that the notebook library would write, the same report."""

import json
import sys
from concurrent.futures import ThreadPoolExecutor

import nbformat
import nbformat.v4 as nb
import pytest

from agreement.errors import AgreementError
from agreement.report.page.html import notebook_page
from agreement.report.run.here import run_here
from agreement.report.run.own_report import checksums
from agreement.report.run.render import SectionError
from agreement.report.run.templates import notebook_text
from agreement.report.run.write import write_report


def template(*sources):
    first = nb.new_code_cell("study = ''\nsave = None", metadata={"tags": ["parameters"]})
    cells = [first, nb.new_markdown_cell("## Numbers"), *map(nb.new_code_cell, sources)]
    return nbformat.writes(nb.new_notebook(cells=cells))


def test_the_file_is_the_one_that_the_notebook_library_writes(squad):
    """Oracle: nbformat, which reads the file, finds it valid and writes it again."""
    text = squad.text("report.ipynb")
    read = nbformat.reads(text, as_version=4)
    nbformat.validate(read)
    assert nbformat.writes(read) + "\n" == text
    options = json.loads(squad.text("provenance.json"))
    told = options["options"]["study"]["title"] or "crew", options["created"][:10]
    assert notebook_page(read, *told) == squad.text("report.html")


def test_a_cell_shows_what_it_prints_and_its_last_value():
    source = template("save\nprint('a\\nb')\nstudy", "x = 1", "x")
    done = run_here(source, {"study": "here"}, kept={"study": "crew"})
    assert "study = 'crew'" in notebook_text(done)
    shown = [cell["outputs"] for cell in done["cells"] if cell["cell_type"] == "code"]
    assert [[one["output_type"] for one in outputs] for outputs in shown[2:]] == [
        ["stream", "execute_result"],
        [],
        ["execute_result"],
    ]
    assert (shown[2][0]["text"], shown[2][1]["data"]["text/plain"]) == ("a\nb\n", "'here'")
    assert [c.get("execution_count") for c in done["cells"]] == [1, 2, None, 3, 4, 5]
    nbformat.validate(nbformat.reads(notebook_text(done), as_version=4))


def test_warnings_and_error_states_of_the_caller_do_not_reach_a_cell():
    code = "import warnings, numpy as np\nwarnings.warn('odd')\nfloat(np.float64(1) / 0)"
    done = run_here(template(code), {}, kept={})
    assert done["cells"][-1]["outputs"][0]["data"]["text/plain"] == "inf"


def test_threads_take_turns(monkeypatch):
    monkeypatch.setattr("agreement.report.run.second._processors", lambda: 1)
    source, before = template("import time\nprint(1)\ntime.sleep(0.1)\nprint(2)"), sys.stdout
    with ThreadPoolExecutor(3) as threads:
        runs = [threads.submit(run_here, source, {}, kept={}) for _ in range(3)]
    said = [one.result()["cells"][-1]["outputs"][0]["text"] for one in runs]
    assert said == ["1\n2\n"] * 3
    assert sys.stdout is before


def test_a_fault_of_the_study_stays_what_it_is_and_another_names_its_section():
    lines = "from agreement.errors import OutputError\nraise OutputError('full')"
    with pytest.raises(AgreementError, match="full"):
        run_here(template(lines), {}, kept={})
    with pytest.raises(SectionError, match="'Numbers' could not be made: division"):
        run_here(template("1 / 0"), {}, kept={})


def test_a_kernel_gives_the_same_files(squad, tmp_path):
    write_report(squad.study, tmp_path / "out", kind="squad", kernel=True)
    created = [
        json.loads((folder / "provenance.json").read_text(encoding="utf-8"))["created"]
        for folder in (tmp_path / "out", squad.written.folder)
    ]
    for name in ("report.ipynb", "report.html"):
        text = (tmp_path / "out" / name).read_text(encoding="utf-8")
        assert text.replace(*created) == squad.text(name)
    same = checksums(squad.written.folder)
    theirs = checksums(tmp_path / "out")
    assert {n for n in same if same[n] != theirs.get(n)} <= {"report.ipynb", "report.html"}
    assert same.keys() == theirs.keys()
