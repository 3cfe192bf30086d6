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


def own_name(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


def imports(path: Path) -> Iterator[tuple[int, str]]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            if node.module == "agreement":
                yield from ((node.lineno, f"agreement.{alias.name}") for alias in node.names)
            else:
                yield node.lineno, node.module


@pytest.fixture(scope="module")
def imported() -> list[tuple[Path, int, str]]:
    """Every import of every module, with its line."""
    return [(path, *found) for path in MODULES for found in imports(path)]


def test_a_module_imports_only_from_earlier_stages(imported):
    assert len(imported) > len(MODULES) > 100
    later = [
        f"{own_name(path)}, line {line}: {name}"
        for path, line, name in imported
        if name.startswith("agreement.")
        and name.split(".")[1] in STAGES
        and stage((name.split(".")[1],)) > stage(path.relative_to(PACKAGE).parts)
    ]
    assert later == []


def test_only_figures_import_matplotlib_or_seaborn(imported):
    drawing = {
        path.relative_to(PACKAGE).parts[0]
        for path, _, name in imported
        if name.split(".")[0] in {"matplotlib", "seaborn"}
    }
    assert drawing == {"figures"}


def test_a_module_is_short_enough_to_read():
    long = [own_name(p) for p in MODULES if len(p.read_text(encoding="utf-8").splitlines()) > 400]
    assert long == []
