"""Data flows one way: each stage imports only from the stages before it."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import agreement

STAGES = (
    "arrays",
    "signals",
    "errors",
    "terms",
    "tables",
    "physiology",
    "pairing",
    "stats",
    "scale",
    "figures",
    "cohort",
    "report",
    "cli_talk",
    "cli_several",
    "cli",
    "__main__",
)
PACKAGE = Path(agreement.__file__).parent
MODULES = sorted(p for p in PACKAGE.rglob("*.py") if p != PACKAGE / "__init__.py")


def stage(parts: tuple[str, ...]) -> int:
    return STAGES.index(parts[0].removesuffix(".py"))


def imports(path: Path) -> Iterator[tuple[int, str]]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            if node.module == "agreement":
                yield from ((node.lineno, f"agreement.{alias.name}") for alias in node.names)
            else:
                yield node.lineno, node.module


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_module_imports_only_from_earlier_stages(path):
    own = stage(path.relative_to(PACKAGE).parts)
    later = [
        f"line {line}: {name}"
        for line, name in imports(path)
        if name.startswith("agreement.")
        and name.split(".")[1] in STAGES
        and stage((name.split(".")[1],)) > own
    ]
    assert later == []


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_only_figures_import_matplotlib_or_seaborn(path):
    drawing = [name for _, name in imports(path) if name.split(".")[0] in {"matplotlib", "seaborn"}]
    assert drawing == [] or path.relative_to(PACKAGE).parts[0] == "figures"


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_module_is_short_enough_to_read(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 400
