"""The notebooks are templates: stripped, thin, and each carries the cautions."""

import ast
import json
from inspect import signature
from pathlib import Path

import pytest

from agreement import report
from agreement.report.run.templates import template, template_folder

KINDS = sorted(
    Path(path.name).stem for path in template_folder().iterdir() if path.name.endswith(".ipynb")
)


@pytest.fixture(params=KINDS)
def cells(request):
    return json.loads(template(request.param))["cells"]


def code(cells):
    return ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "code"]


def test_there_is_a_squad_notebook():
    assert "squad" in KINDS


def test_no_outputs_are_stored(cells):
    for cell in cells:
        assert not cell.get("outputs")
        assert cell.get("execution_count") is None


def test_one_cell_is_tagged_parameters_and_holds_literals(cells):
    (tagged,) = [c for c in cells if "parameters" in c["metadata"].get("tags", [])]
    for statement in ast.parse("".join(tagged["source"])).body:
        assert isinstance(statement, ast.Assign)
        ast.literal_eval(statement.value)


def test_a_template_runs_where_it_lies(cells):
    """From a checkout: the study that it names stands there."""
    (tagged,) = [c for c in cells if "parameters" in c["metadata"].get("tags", [])]
    study = ast.literal_eval(ast.parse("".join(tagged["source"])).body[0].value)
    assert (Path(__file__).parents[1] / study / "study.toml").is_file()


def test_cells_are_thin(cells):
    for source in code(cells):
        assert len(source.splitlines()) <= 10
        tree = ast.parse(source)
        forbidden = (ast.FunctionDef, ast.ClassDef, ast.Lambda, ast.BinOp, ast.For, ast.While)
        assert not [node for node in ast.walk(tree) if isinstance(node, forbidden)]


def names_of(tree, kind):
    return [node for node in ast.walk(tree) if isinstance(node, kind)]


def test_cells_use_public_names_and_show_each_choice(cells):
    """Load, call, show: what a cell names is public, and every choice stands in it as an argument."""
    for source in code(cells):
        tree = ast.parse(source)
        for node in names_of(tree, ast.ImportFrom):
            assert (node.module, [one.name for one in node.names]) == ("agreement", ["report"])
        for node in names_of(tree, ast.Attribute):
            assert not node.attr.startswith("_")
        for node in names_of(tree, ast.Call):
            called = ast.unparse(node.func)
            assert called in ("show", "show.save", "cohort.with_options") or called.split(".") == [
                "report",
                called.split(".")[-1],
            ]
            if called.startswith("report."):
                function = getattr(report, node.func.attr)
                taken = signature(function).parameters
                bound = signature(function).bind(*map(ast.unparse, node.args), **keywords(node))
                assert bound.arguments.keys() == taken.keys(), called  # nothing is left unsaid


def keywords(call):
    return {one.arg: ast.unparse(one.value) for one in call.keywords}


def test_the_verdict_comes_first_and_the_cautions_are_there(cells):
    sources = code(cells)
    assert sources[2].startswith("show(report.verdict(cohort, ")
    assert any(source.startswith("show(report.cautions(") for source in sources)


def test_the_first_heading_is_the_only_one_of_its_level(cells):
    words = "\n".join("".join(c["source"]) for c in cells if c["cell_type"] == "markdown")
    lines = [line for line in words.splitlines() if line.startswith("# ")]
    assert len(lines) == 1


def test_no_number_of_a_study_is_typed_into_the_words(cells):
    words = " ".join("".join(c["source"]) for c in cells if c["cell_type"] == "markdown")
    for given in (
        "95 %",
        "68 %",
        "VO2max",
        "VO2peak",
        "Below 10 ",
        "below 5 ",
    ):  # rules, no results
        words = words.replace(given, "")
    assert not [letter for letter in words if letter.isdigit()]
