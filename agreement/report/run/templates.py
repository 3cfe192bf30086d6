"""Find the notebook templates: beside the package in a checkout, inside it in a wheel."""

from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import get_args

from agreement.tables.options import Kind
from agreement.tables.paths import toml_inside


def template_folder() -> Traversable:
    """Return the folder that holds the notebooks."""
    root = Path(__file__).parents[3]
    if (root / "pyproject.toml").is_file():
        return root / "notebooks"
    return files("agreement") / "_notebooks"


def template(kind: Kind) -> str:
    """Return the text of the notebook behind one kind of report."""
    return (template_folder() / f"{kind}.ipynb").read_text(encoding="utf-8")


def workbench_template(name: str) -> str:
    """Return the text of a notebook of the workbench: ``start`` or ``explore``."""
    return (template_folder() / "workbench" / f"{name}.ipynb").read_text(encoding="utf-8")


def stated_kind(study: Path) -> Kind:
    """Return the kind of report that study.toml asks for; its faults are found by the reader."""
    try:
        stated = toml_inside(study, "study.toml").get("report", {}).get("kind", "squad")
    except (ValueError, AttributeError):
        return "squad"
    return stated if stated in get_args(Kind) else "squad"
