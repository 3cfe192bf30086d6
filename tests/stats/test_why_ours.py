"""Where a number does not come from a general library, one line beside the code says why."""

import ast
import re
from pathlib import Path

import pytest

import agreement.stats

ROOT = Path(agreement.stats.__file__).parent
WHY = re.compile(r"^# Ours: .{20,}\.\n(@.*\n)*(def|class) ", re.MULTILINE)
# what the founding issue names, beside everything that solves equations or seeks a largest value
NAMED = {
    *("basics/bootstrap.py", "basics/intervals.py", "basics/tolerance.py"),
    *("causes/budget_parts.py", "verdict/cautions.py"),
    *("lines/passing_bablok.py", "lines/trend.py", "indices/concordance.py"),
}


def solves(path):
    attributes = {
        node.attr
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute)
    }
    return bool(attributes & {"linalg", "lstsq", "polyfit", "minimize", "minimize_scalar"})


def own():
    found = {path.relative_to(ROOT).as_posix() for path in ROOT.rglob("*.py") if solves(path)}
    return sorted(found | NAMED)


@pytest.mark.parametrize("name", own())
def test_own_code_says_why_it_stays(name):
    assert WHY.search((ROOT / name).read_text(encoding="utf-8"))


def test_wilson_brown_forsythe_welch_and_holm_are_those_of_libraries():
    shares = (ROOT / "basics" / "shares.py").read_text(encoding="utf-8")
    welch = (ROOT / "basics" / "welch.py").read_text(encoding="utf-8")
    assert "stats.binomtest" in shares
    for name in ("stats.levene", "pingouin import welch_anova", "multitest import multipletests"):
        assert name in welch
