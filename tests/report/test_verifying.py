"""A report is run again from its provenance, and what differs is said."""

import json
import os
import shutil
import subprocess
import sys
import tempfile

import pandas as pd
import pytest
from typer.testing import CliRunner

import agreement
from agreement import cli
from agreement.report.privacy.sharing import share_report
from agreement.report.run.folder import PROVENANCE
from agreement.report.run.output_versions import table_differences
from agreement.report.run.own_report import seal
from agreement.report.run.rerun import verified
from agreement.report.run.write import write_report
from agreement.report.run.write_pairs import write_pairs
from agreement.tables.whole_output import clear_left_folders


def run(*arguments):
    return CliRunner().invoke(cli.app, list(map(str, arguments)))


@pytest.fixture
def paired(small_study, tmp_path, monkeypatch):
    """Return a study and what `pair` wrote of it, beside each other."""
    monkeypatch.chdir(tmp_path)
    study = small_study(tmp_path / "crew", athletes=4)
    write_pairs(study, tmp_path / "out")
    return study, tmp_path / "out"


def edited(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def test_what_nobody_touched_is_run_again_and_nothing_differs(paired):
    done = run("verify", paired[1])
    assert (done.exit_code, done.stdout) == (0, "")
    assert "It was run again from" in done.stderr
    assert "nothing differs" in done.stderr
    assert "Every file is as it was written." in done.stderr


KILLED = """\
import os, sys
from agreement.report.run import rerun
rerun.pair_study = lambda *_, **__: os._exit(9)
rerun.verified(sys.argv[1])
"""


def test_what_a_killed_run_made_again_goes_with_the_next(paired, tmp_path, monkeypatch):
    (place := tmp_path / "temporary").mkdir()
    there = os.environ | {"TMPDIR": str(place), "TEMP": str(place)}
    done = subprocess.run([sys.executable, "-c", KILLED, paired[1]], env=there, check=False)
    assert done.returncode == 9
    assert list(place.rglob("again"))
    monkeypatch.setattr(tempfile, "tempdir", str(place))
    clear_left_folders()
    assert list(place.iterdir()) == []


def test_an_edited_cell_is_named_with_its_line_and_column(paired):
    _, out = paired
    pairs = pd.read_csv(out / "pairs.csv", dtype=str)
    line = pairs.iloc[2]
    edited(out / "pairs.csv", line["difference"], "0.25")
    done = run("verify", out)
    assert done.exit_code == 2
    assert "pairs.csv has changed since it was written." in done.stderr
    place = f"wrist/run/{line['lab_test_id']}"
    said = f"pairs.csv, line {place}: difference was '0.25', is now '{line['difference']}'."
    assert said in done.stderr


def test_a_forged_checksum_does_not_hide_an_edit(paired):
    _, out = paired
    lines = (out / "pairs.csv").read_text().splitlines(keepends=True)
    (out / "pairs.csv").write_text("".join(lines[:-1]))
    seal(out)
    found = verified(out)
    assert found.changed == ()
    assert found.differences == ("pairs.csv: line wrist/run/T031 is only in the new run.",)


def test_inputs_and_options_changed_since_are_named(paired):
    study, out = paired
    edited(study / "study.toml", "limit_ml_kg_min = 9", "limit_ml_kg_min = 8")
    lab = pd.read_csv(study / "lab_tests.csv")
    lab.loc[0, "vo2max_ml_kg_min"] += 1
    lab.to_csv(study / "lab_tests.csv", index=False)
    said = verified(out).differences
    assert "Input study.toml has changed since." in said
    assert "Input lab_tests.csv has changed since." in said
    assert "Option margin.limit_ml_kg_min was 9.0, is now 8.0." in said
    assert any(s.startswith("pairs.csv, line wrist/run/T000: lab was ") for s in said)
    assert not [s for s in said if "exclusions" in s]


def test_printed_figures_changed_since_are_named(small_study, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    study = small_study(tmp_path / "crew", athletes=4)
    (study / "published.toml").write_text('[source]\ncitation = "A book"\n', encoding="utf-8")
    out = tmp_path / "out"
    write_pairs(study, out)
    assert verified(out).differences == ()
    edited(study / "published.toml", "A book", "Another")
    assert verified(out).differences == ("Input published.toml has changed since.",)


def test_versions_that_differ_are_named(paired):
    _, out = paired
    content = json.loads((out / PROVENANCE).read_text())
    content["dependencies"]["numpy"] = "1.0"
    content["python"] = "3.2"
    (out / PROVENANCE).write_text(json.dumps(content))
    numpy, python = verified(out).differences[1], verified(out).differences[0]
    assert numpy.startswith("numpy was 1.0, is now ")
    assert python.startswith("Python was 3.2, is now 3.")


def test_the_version_is_named_where_nothing_is_run_again(paired, tmp_path):
    study, out = paired
    study.rename(tmp_path / "moved")
    edited(out / PROVENANCE, f'"version": "{agreement.__version__}"', '"version": "0.0.1"')
    found = verified(out)
    assert found.differences == ()
    assert f"agreement was 0.0.1, is now {agreement.__version__}." in found.remarks


def test_the_same_version_that_wrote_something_else_is_said(paired):
    _, out = paired
    lines = (out / "pairs.csv").read_text().splitlines(keepends=True)
    (out / "pairs.csv").write_text("".join(lines[:-1]))
    assert len(verified(out).remarks) == 1  # the file was edited: that is said
    seal(out)
    assert "another state of agreement" in verified(out).remarks[1]
    content = json.loads((out / PROVENANCE).read_text())
    (out / PROVENANCE).write_text(json.dumps(content | {"version": "0.0.1"}))
    found = verified(out)
    assert found.differences[0] == f"agreement was 0.0.1, is now {agreement.__version__}."
    assert len(found.remarks) == 1


def test_pairs_alone_are_no_report_to_compare(paired, tmp_path):
    done = run("compare", paired[1], shutil.copytree(paired[1], tmp_path / "again"))
    assert done.exit_code == 2
    assert "never had results.csv" in done.stderr
    assert "agreement report" in done.stderr


def test_a_study_that_is_not_found_is_asked_for_and_can_be_named(paired, tmp_path):
    study, out = paired
    study.rename(tmp_path / "moved")
    done = run("verify", out)
    assert done.exit_code == 0
    assert "no study folder 'crew' was found" in done.stderr
    assert run("verify", out, "--study", tmp_path / "nowhere").exit_code == 2
    done = run("verify", out, "--study", tmp_path / "moved")
    assert "nothing differs" in done.stderr
    assert done.exit_code == 0


def test_lines_only_in_one_run_and_lines_without_a_key_are_counted(tmp_path):
    old, new = tmp_path / "old.csv", tmp_path / "new.csv"
    old.write_text("file,rows_read\na,1\nb,2\n")
    new.write_text("file,rows_read\nb,3\nc,4\n")
    assert table_differences("flow.csv", old, new) == [
        "flow.csv, line b: rows_read was '2', is now '3'.",
        "flow.csv: line a is not in the new run.",
        "flow.csv: line c is only in the new run.",
    ]
    assert table_differences("part-1.csv", old, new) == [
        "part-1.csv: 2 lines are not in the new run, 2 are only there."
    ]
    assert table_differences("flow.csv", old, old) == []


@pytest.mark.slow
def test_a_squad_report_and_what_is_shared_of_it_can_be_run_again(squad, tmp_path):
    out = shutil.copytree(squad.written.folder, tmp_path / "squad")
    found = verified(out, squad.study)
    assert (found.changed, found.differences) == ((), ())
    share_report(out, tmp_path / "shared")
    alone = verified(tmp_path / "shared")
    assert "does not say from which study" in alone.remarks[0]
    edited(tmp_path / "shared" / "flow.csv", "lab_tests.csv,28", "lab_tests.csv,29")
    found = verified(tmp_path / "shared", squad.study)
    assert found.changed == ("flow.csv has changed since it was written.",)
    assert found.differences == ("flow.csv, line lab_tests.csv: rows_read was '29', is now '28'.",)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["validation", "audit"])
def test_the_other_kinds_of_report_can_be_run_again(small_study, tmp_path, kind):
    study = small_study(tmp_path / "crew")
    write_report(study, tmp_path / "out", kind=kind)
    before = sorted(path.name for path in study.iterdir())
    found = verified(tmp_path / "out")
    assert (found.changed, found.differences) == ((), ())
    if kind == "audit":
        (study / "pseudonyms.key").unlink()
        (said,) = verified(tmp_path / "out").remarks
        assert "the key of its pseudonyms" in said
        before.remove("pseudonyms.key")
    assert sorted(path.name for path in study.iterdir()) == before
