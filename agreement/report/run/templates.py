"""Notebooks as files: where ours stand, and their text without the notebook library, half a second of imports."""

import json
import re
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, Final, get_args

from agreement.tables.options import Kind
from agreement.tables.paths import toml_inside

_SPLIT: Final = ("source", "text", "text/html", "text/plain")  # kept as lists of lines in a file


def template_folder() -> Traversable:
    """Return the folder that holds the notebooks: in a checkout, or inside an installed package."""
    root = Path(__file__).parents[3]
    if (root / "pyproject.toml").is_file():
        return root / "notebooks"
    return files("agreement") / "_notebooks"


def template(name: str) -> str:
    """Return the text of the notebook behind one kind of report, or of one of the workbench."""
    return (template_folder() / f"{name}.ipynb").read_text(encoding="utf-8")


def stated_kind(study: Path) -> Kind:
    """Return the kind of report that study.toml asks for; its faults are found by the reader."""
    try:
        stated = toml_inside(study, "study.toml").get("report", {}).get("kind", "squad")
    except (ValueError, AttributeError):
        return "squad"
    return stated if stated in get_args(Kind) else "squad"


def notebook_text(notebook: dict[str, Any]) -> str:
    r"""
    Return a notebook as the text of its file, byte for byte as the notebook library writes it.

    >>> notebook_text({"source": "a\nb"})
    '{\n "source": [\n  "a\\n",\n  "b"\n ]\n}\n'
    """
    text = json.dumps(
        _split_lines(notebook), indent=1, sort_keys=True, ensure_ascii=False, separators=(",", ": ")
    )
    return text + "\n"


def _split_lines(value: Any, key: str = "") -> Any:
    if isinstance(value, dict):
        return {name: _split_lines(one, name) for name, one in value.items()}
    if isinstance(value, list):
        return [_split_lines(one) for one in value]
    return re.findall(r"[^\n]*\n|[^\n]+", value) if key in _SPLIT else value


def joined_lines(value: Any, key: str = "") -> Any:
    """Return a notebook read as JSON with its texts in one piece each."""
    if isinstance(value, dict):
        return {name: joined_lines(one, name) for name, one in value.items()}
    if isinstance(value, list):
        return "".join(value) if key in _SPLIT else [joined_lines(one) for one in value]
    return value
