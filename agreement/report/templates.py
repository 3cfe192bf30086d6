"""Find the notebook templates: beside the package in a checkout, inside it in a wheel."""

from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from agreement.tables.options import Kind


def template_folder() -> Traversable:
    """Return the folder that holds the notebooks."""
    root = Path(__file__).parents[2]
    if (root / "pyproject.toml").is_file():
        return root / "notebooks"
    return files("agreement") / "_notebooks"


def template(kind: Kind) -> str:
    """Return the text of the notebook behind one kind of report."""
    return (template_folder() / f"{kind}.ipynb").read_text(encoding="utf-8")
