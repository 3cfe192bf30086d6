"""The command line: what goes where, and how it ends."""

import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from agreement import cli
from agreement.errors import OutputError, Problem, TableError
from agreement.report.run.render import SectionError
from agreement.report.run.talk import findings_json, grouped_findings
from agreement.report.run.write import WrittenReport

DEMO = Path(__file__).parents[1] / "demo_cohort"


@pytest.fixture
def run():
    runner = CliRunner()
    return lambda *arguments: runner.invoke(cli.app, list(map(str, arguments)))


def problem(severity="stop", reason="no_file", row=3):
    return Problem(severity, reason, "lab.csv", row, "date", "value x is no date.", "Write ISO.")


def test_help_lists_the_commands_without_heavy_imports():
    code = (
        "import sys\nsys.argv = ['agreement', '--help']\n"
        "from agreement.cli import main\n"
        "try:\n    main()\nexcept SystemExit as end:\n    assert not end.code\n"
        "print(*sorted({name.partition('.')[0] for name in sys.modules}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.splitlines()[-1].split())
    assert not loaded & {"numpy", "pandas", "scipy", "matplotlib", "nbformat", "jupyter_client"}
    for command in ("check", "report", "pair", "estimate", "plan", "new", "protocols"):
        assert f"  {command} " in done.stdout


def test_help_says_of_each_command_all_that_it_does(run, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    listed = run("--help").stdout.partition("Commands:")[2]
    assert len(listed.strip().splitlines()) == len(cli_commands())
    for name in cli_commands():
        whole = " ".join(run(name, "--help").stdout.split("\n\n")[1].split())
        assert f"{name} {whole}" in " ".join(listed.split())


@pytest.mark.parametrize(
    "arguments", [("chekc",), ("report",), ("report", ".", "--report", "essay")]
)
def test_a_wrong_command_line_ends_with_2(run, arguments):
    assert run(*arguments).exit_code == 2


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("chekc x", "No such command 'chekc'. Did you mean 'check'? {all}"),
        ("check", "Missing argument 'STUDY'. {check}"),
        ("report x --workrs 2", "No such option: --workrs (Possible options: --workers). {report}"),
        ("plan --sd 3 --margin -5", "`margin` must be above 0; got -5."),
        (
            "report x --watch --workers 2",
            "--watch reads a study in one process: leave --workers and --scheduler out.",
        ),
        ("open x --port 0", "x is no folder. Name the folder that holds study.toml."),  # any
        ("new nd rows.csv", "files come after --from: `agreement new DIR --from FILE ...`."),
        (
            "new nd --example --from rows.csv",
            "--from makes another study than --example: `agreement new DIR --from FILE ...`.",
        ),
        (
            "new nd --from empty",
            "There is no file to read in empty. Name exports, or their folder.",
        ),
        ("new file.txt", "{file} is a file; name a new folder."),
        (
            "share empty --out x",
            (
                "empty holds no report: its provenance.json is missing or not ours. "
                "Name a folder that `agreement report` wrote."
            ),
        ),
        (
            "tables empty --md",
            "empty holds no report. Name a folder that `agreement report` wrote.",
        ),
        (
            "pool nowhere.toml",
            "nowhere.toml is no pool file in the TOML form: there is no such file.",
        ),
    ],
)
def test_a_wrong_command_line_is_told_in_our_words(monkeypatch, tmp_path, capsys, line, said):
    monkeypatch.setattr(sys, "argv", ["agreement", *line.split()])
    monkeypatch.chdir(tmp_path)
    (tmp_path / "empty").mkdir()
    (tmp_path / "file.txt").touch()
    assert cli.main() == 2
    helps = {one: f"`agreement {one} --help` lists what it takes." for one in cli_commands()}
    helps["all"] = "`agreement --help` lists what it takes."
    helps["file"] = tmp_path / "file.txt"
    assert capsys.readouterr().err == f"Stopped: {said.format_map(helps)}\n"


def test_without_a_command_the_help_is_shown(monkeypatch, capsys):
    monkeypatch.setattr(sys, "argv", ["agreement"])
    assert cli.main() == 2
    told = capsys.readouterr().err
    assert told.startswith("Usage: ")
    assert told.rstrip().endswith("say what differs.")


def cli_commands():
    return [one.name or one.callback.__name__ for one in cli.app.registered_commands]


def failing(monkeypatch, error):
    def fail(*_, **__):
        raise error

    monkeypatch.setattr("agreement.report.run.write.write_report", fail)


def test_table_problems_go_to_stderr_all_at_once(run, monkeypatch):
    failing(monkeypatch, TableError([problem(row=2), problem(reason="other", row=5)]))
    done = run("report", "x")
    assert done.exit_code == 2
    assert done.stdout == ""
    assert "lab.csv, row 2, column 'date': value x is no date. Write ISO." in done.stderr
    assert "row 5" in done.stderr


def test_an_output_that_cannot_be_ends_with_2(run, monkeypatch):
    failing(monkeypatch, OutputError("out is not empty."))
    done = run("report", "x")
    assert (done.exit_code, done.stderr) == (2, "Stopped: out is not empty.\n")


def test_a_failing_section_is_named_and_ends_with_1(run, monkeypatch):
    failing(
        monkeypatch, SectionError("By profile", "ZeroDivisionError", "division by zero", "trace")
    )
    done = run("report", "x")
    assert done.exit_code == 1
    assert "The section 'By profile' could not be made: division by zero" in done.stderr
    assert "Nothing was written" in done.stderr


def test_an_interruption_ends_with_130(run, monkeypatch):
    failing(monkeypatch, KeyboardInterrupt())
    done = run("report", "x")
    assert done.exit_code == 130
    assert "nothing was written" in done.stderr


def test_a_report_tells_verdict_and_remarks_on_stderr_and_paths_on_stdout(
    run, monkeypatch, tmp_path
):
    written = WrittenReport(
        tmp_path, ("flow.csv", "report.html", "results.csv"), ("It is met.",), ("4 rows left out.",)
    )
    monkeypatch.setattr("agreement.report.run.write.write_report", lambda *_, **__: written)
    done = run("report", "x")
    assert done.exit_code == 0
    assert done.stderr.splitlines() == ["It is met.", "4 rows left out."]
    assert done.stdout.split() == [str(tmp_path / "report.html"), str(tmp_path / "results.csv")]


def test_at_most_20_problems_of_a_kind_are_shown_with_the_count_of_the_rest():
    text = grouped_findings([problem(row=row) for row in range(2, 27)] + [problem(reason="b")])
    assert "Stops the run (26 findings):" in text
    assert "leave out more rows" not in text
    assert text.count("lab.csv, row") == 21
    assert "... and 5 more of this kind." in text
    assert text.count("Write ISO.") == 2  # a remedy of many lines is said once, below them


def test_rows_with_the_same_words_share_a_line_and_lines_with_the_same_remedy_share_that():
    set_aside = replace(problem(), severity="set_aside")
    alike = [replace(set_aside, row=row) for row in (*range(2, 602), 700)]
    other = replace(set_aside, what="value y is no date.")
    others = [replace(other, row=800), replace(other, row=None)]
    _, *lines, _ = grouped_findings([*alike, *others]).splitlines()
    assert lines == [
        "  lab.csv, rows 2 to 601, 700, column 'date': value x is no date.",
        "  lab.csv, row 800, column 'date': value y is no date.",
        "  For each of these: Write ISO.",
    ]


def test_findings_as_json_carry_seven_fields():
    (found,) = json.loads(findings_json([problem("note", row=None)]))
    assert set(found) == {"severity", "file", "row", "column", "reason", "what", "remedy"}
    assert found["row"] is None


@pytest.mark.parametrize("package", ["typer", pytest.param("seaborn", marks=pytest.mark.slow)])
def test_a_package_that_is_missing_is_one_sentence_with_what_to_install(tmp_path, package):
    (tmp_path / package).mkdir()
    said = f"raise ModuleNotFoundError('No module named {package}', name='{package}')"
    (tmp_path / package / "__init__.py").write_text(said)
    out, paths = tmp_path / "out", f"{tmp_path}{os.pathsep}{os.environ.get('PYTHONPATH', '')}"
    done = subprocess.run(
        [sys.executable, "-m", "agreement", "report", DEMO, "--out", out, "--no-cache"],
        check=False,
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONPATH": paths},
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert (
        done.stderr
        == f"Stopped: the package {package} is missing: install agreement with its extra.\n"
    )
    assert not out.exists()


def test_protocols_name_inputs_and_source(run):
    text = run("protocols").stdout
    assert "run_12min_1968" in text
    assert "  source, read second-hand: Cooper 1968" in text
    assert "  source, from memory: Bangsbo 2008" in text  # seen how: once, before the source
    assert len(json.loads(run("protocols", "--json").stdout)) >= 15


def test_a_plan_says_how_many_and_when_no_number_would_do(run):
    # 97: exact bound; 83 in print with the 1999 error (Lu et al. 2016, read second-hand)
    done = run("plan", "--sd", 1.129, "--bias", 1.167, "--margin", 4)
    assert "97 athletes" in done.stdout
    assert "no number of athletes" in run("plan", "--sd", 3, "--margin", 3.5).stdout


def test_a_plan_with_several_tests_of_each_athlete_says_what_it_assumed(run):
    numbers = ("plan", "--sd", 2, "--margin", 7, "--pairs-per-athlete", 2)
    known = (*numbers, "--sd-within", 1.9)
    assert "Half of the variance was taken to lie within athletes" in run(*numbers).stdout
    assert "Half of the variance" not in run(*known).stdout
    assumed, stated = (json.loads(run(*a, "--json").stdout) for a in (numbers, known))
    # pairs that differ mostly within an athlete tell more than pairs that repeat each other
    assert stated["athletes"] <= assumed["athletes"] < 20


def test_a_plan_by_precision_is_near_the_approximate_rule(run):
    # n = 3 (z s / h)^2, from the standard error of 1986 (Bland and Altman; memory)
    plan = json.loads(run("plan", "--sd", 3, "--half-width", 1, "--json").stdout)
    assert plan["athletes"] == pytest.approx(3 * (1.96 * 3) ** 2, rel=0.05)


@pytest.mark.parametrize(
    "arguments",
    [("--sd", 1), ("--sd", -1, "--margin", 2), ("--sd", 1, "--margin", 4, "--power", 80)],
)
def test_a_plan_from_impossible_numbers_is_refused(run, arguments):
    assert run("plan", *arguments).exit_code == 2


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="signals differ on Windows")
@pytest.mark.parametrize("after_s", [1.5, 3])  # while libraries load; while the study is read
def test_an_interrupted_report_leaves_nothing(tmp_path, after_s):
    command = [sys.executable, "-m", "agreement", "report", DEMO, "--out", tmp_path / "out"]
    started = subprocess.Popen(
        list(map(str, command)), stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    time.sleep(after_s)
    os.kill(started.pid, signal.SIGINT)
    _, said = started.communicate(timeout=60)
    assert started.returncode == 130, said
    assert list(tmp_path.iterdir()) == []
