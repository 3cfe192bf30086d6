"""One meaning for each name: no two modules define a class, a type or a constant of one name, or share their own."""

import ast
from collections import Counter, defaultdict
from collections.abc import Iterator
from pathlib import Path

import agreement
from agreement import __main__, signals

PACKAGE = Path(agreement.__file__).parent
# what every analysis has by this name; and what stands before anything of ours may be imported
IN_EACH = {"RECORD", "RECORDS", "OF_REPORTS", "SIGNALLED"}

# one idea at two stages: computed and drawn, read and used, planned and asked for
AT_TWO_STAGES = {
    *("averaging_curve", "averaging_rule", "budget", "change", "closer", "ledger", "planning"),
    *("reading", "regression", "thresholds"),
}


def defined(tree: ast.Module) -> Iterator[str]:
    """Names of classes, types and constants at the top of a module that others may import."""
    for one in tree.body:
        if isinstance(one, ast.ClassDef):
            yield one.name
        elif isinstance(one, ast.Assign | ast.AnnAssign) and not is_variable(one.value):
            for target in one.targets if isinstance(one, ast.Assign) else [one.target]:
                yield from (part.id for part in ast.walk(target) if isinstance(part, ast.Name))


def is_variable(value: ast.expr | None) -> bool:
    """A type variable holds within its module."""
    called = value.func if isinstance(value, ast.Call) else None
    return isinstance(called, ast.Name) and called.id == "TypeVar"


def test_no_name_is_defined_in_two_modules():
    where = defaultdict(list)
    for path in sorted(PACKAGE.rglob("*.py")):
        for name in set(defined(ast.parse(path.read_text(encoding="utf-8")))):
            if not name.startswith("_") and name not in IN_EACH:
                where[name].append(path.relative_to(PACKAGE).as_posix())
    assert len(where) > 500
    assert not {name: files for name, files in where.items() if len(files) > 1}


def test_no_two_modules_share_a_name_but_for_one_idea_at_two_stages():
    names = Counter(path.stem for path in PACKAGE.rglob("*.py") if path.stem != "__init__")
    assert {name for name, often in names.items() if often > 1} == AT_TWO_STAGES
    assert max(names.values()) == 2


def test_what_must_stand_twice_is_the_same():
    assert __main__.SIGNALLED == signals.SIGNALLED
