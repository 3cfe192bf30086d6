"""The documentation: complete, built without a warning, and every link of it leads somewhere."""

import ast
import re
import subprocess
import sys
from pathlib import Path
from typing import get_args
from urllib.parse import unquote

import pytest

import agreement
from agreement import report
from agreement.stats.catalogue import ANALYSES
from agreement.tables.columns import INPUTS
from agreement.tables.options import Kind

ROOT = Path(__file__).parents[1]
DOCS = ROOT / ".docs"
PLAIN = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / ".github").rglob("*.md"))]


@pytest.fixture(scope="module")
def beside():
    """Have the modules of `.docs` on the path."""
    sys.path.insert(0, str(DOCS))
    yield
    sys.path.remove(str(DOCS))


@pytest.fixture(scope="module")
def pages(request):
    request.getfixturevalue("beside")
    from reference import reference_pages

    return reference_pages()


def test_the_reference_holds_every_name_that_the_program_declares(pages):
    statistics = pages["reference-statistics.md"]
    for analysis in ANALYSES:
        assert f"## {analysis.name}\n" in statistics
        for one in analysis.statistics:
            assert f"`{one.name}`" in statistics
    for table in INPUTS.values():
        for column in table.columns:
            assert f"`{column}`" in pages["reference-input.md"]
    for name in agreement.__all__:
        assert f"agreement.{name}" in pages["api.md"]
    for name in report.__all__:
        assert f"agreement.report.{name}" in pages["api.md"]


def test_docstrings_and_comments_name_what_there_is():
    """`agreement.room.module.name` leads to a module that has the name, and rooms name their files."""
    package, named = ROOT / "agreement", re.compile(r"`agreement((?:\.\w+)+)`")
    gone = []
    for path in package.rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        for dotted in named.findall(text):
            place, (*rooms, last) = package, dotted.split(".")[1:]
            while rooms and (place / rooms[0]).is_dir():
                place /= rooms.pop(0)
            module = place / f"{rooms[0]}.py" if rooms else place / "__init__.py"
            here = module.read_text(encoding="utf-8") if module.exists() else ""
            known = re.search(rf"\b{last}\b", here) or (place / f"{last}.py").exists()
            if not (known or (place / last).is_dir() or last == "py"):
                gone.append((path.name, dotted))
        if path.name == "__init__.py":
            files = {one.stem for one in path.parent.iterdir()}
            words = re.findall(r"`([a-z_]+)`", ast.get_docstring(ast.parse(text)) or "")
            gone += [(str(path.parent), word) for word in words if word not in files]
    assert gone == []


@pytest.mark.parametrize("page", PLAIN, ids=lambda path: path.name)
def test_links_between_plain_files_lead_somewhere(page):
    text = page.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", text):
        if not target.startswith(("http:", "https:", "mailto:")):
            assert (page.parent / unquote(target)).exists(), target


@pytest.mark.slow
def test_the_version_is_that_of_the_citation_and_of_the_last_changes():
    stated = (ROOT / ".github" / "CITATION.cff").read_text(encoding="utf-8")
    changes = (ROOT / "notebooks" / "guide" / "changes.md").read_text(encoding="utf-8")
    assert f"\nversion: {agreement.__version__}\n" in stated
    assert re.findall(r"(?m)^## (.+)$", changes)[0] == agreement.__version__


def test_it_is_built_without_a_warning_and_its_links_lead_somewhere(tmp_path):
    for library in ("sphinx", "myst_parser", "furo"):
        pytest.importorskip(library)
    done = subprocess.run(
        [sys.executable, str(DOCS / "build"), str(tmp_path)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    built = {page.name: page.read_text(encoding="utf-8") for page in tmp_path.glob("*.html")}
    assert {"index.html", "gallery.html", "tutorial.html", "reference-statistics.html"} <= set(
        built
    )
    kinds = {kind: built[f"notebook-{kind}.html"] for kind in get_args(Kind)}
    assert all('class="highlight' in text and "report" in text for text in kinds.values())
    assert kinds["squad"].count("<figure>") > 10  # run; the others are as they are written
    gallery = built["gallery.html"]
    assert gallery.count('src="_images/') == gallery.count("<h2>") > 20
    seen = 0
    for name, text in built.items():
        for target in re.findall(r'(?:href|src)="([^"]+)"', text):
            place, _, anchor = unquote(target).partition("#")
            if place.startswith(("http:", "https:", "mailto:", "data:")):
                continue
            place = place.partition("?")[0] or name
            assert (tmp_path / place).exists(), (name, target)
            if anchor and place in built:
                assert f'id="{anchor}"' in built[place], (name, target)
            seen += 1
    assert seen > 200


def figure_functions():
    """Return every function of agreement.figures that draws, by module."""
    found = set()
    for path in (ROOT / "agreement" / "figures").glob("*.py"):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef) and re.fullmatch(r"plot_\w+|\w+s_svg", node.name):
                found.add(f"{path.stem}.{node.name}")
    return found


@pytest.mark.usefixtures("beside")
def test_the_gallery_shows_every_kind_of_figure():
    from gallery import KINDS

    listed = [name for functions, _ in KINDS.values() for name in functions]
    assert sorted(listed) == sorted(figure_functions())
