"""The report notebooks as pages: the squad report run on the demo, the others as they are written.

Each run costs as much as the rest of the documentation, and the cells are alike: one is run here.
"""

import json
import re
from pathlib import Path
from typing import Any, get_args

from agreement.figures.inline import figure_css
from agreement.report.run.here import run_here
from agreement.report.run.templates import template
from agreement.tables.options import Kind

RUN = "squad"
DEMO = Path(__file__).resolve().parents[1] / "demo_cohort"


def notebook_pages() -> dict[str, str]:
    """Return a page for each kind of report, by file name."""
    pages = {}
    for kind in get_args(Kind):
        told = f"The notebook `{kind}.ipynb` of the {kind} report"
        if kind == RUN:
            given = {"study": str(DEMO), "save": None}
            notebook = run_here(template(kind), given, kept={"study": DEMO.name, "save": None})
            told += ", run on the demo, whose people are invented."
        else:
            notebook = json.loads(template(kind))
            told += f". What its cells show is seen in the [{RUN} report](notebook-{RUN}.md)."
        told += " Each line works in a script of one's own, and each argument can be changed."
        _, *rest = notebook["cells"]  # its heading is that of the page, which is made of it
        parts = [f"# Notebook: {kind} report", told, _raw(f"<style>{figure_css()}</style>")]
        parts += [part for cell in rest for part in _cell(cell)]
        pages[f"notebook-{kind}.md"] = "\n\n".join(parts) + "\n"
    return pages


def _cell(cell: dict[str, Any]) -> list[str]:
    """Return a cell's words, or its lines and what they show."""
    if cell["cell_type"] == "markdown":
        return [_text(cell)]
    shown = [one["data"].get("text/html", "") for one in cell["outputs"] if "data" in one]
    return [f"```python\n{_text(cell)}\n```", *map(_raw, filter(None, shown))]


def _text(cell: dict[str, Any]) -> str:
    return "".join(cell["source"])


def _raw(html: str) -> str:
    """Return markup for a page that has a first heading and sections of its own."""
    plain = re.sub(r"<(/?)h[123]\b", r"<\1h4", str(html))
    return f"````{{raw}} html\n{plain}\n````"
