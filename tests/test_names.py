"""One meaning for each name: no two modules define a class, a type or a constant of one name."""

import ast
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import agreement
from agreement import __main__, signals

PACKAGE = Path(agreement.__file__).parent
# what every analysis has by this name; and what stands before anything of ours may be imported
IN_EACH = {"RECORD", "RECORDS", "OF_REPORTS", "SIGNALLED"}


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


def test_what_must_stand_twice_is_the_same():
    assert __main__.SIGNALLED == signals.SIGNALLED
