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
        level = 1
        for cell in rest:
            if cell["cell_type"] == "markdown":
                parts.append(_text(cell))
                level = len(re.findall("^#+", parts[-1], flags=re.MULTILINE)[-1])
            else:
                parts += _shown(cell, level + 1)
        pages[f"notebook-{kind}.md"] = "\n\n".join(parts) + "\n"
    return pages


def _shown(cell: dict[str, Any], level: int) -> list[str]:
    """Return the lines of a cell and what they show, whose headings are of a level of the page."""
    shown = [one["data"].get("text/html", "") for one in cell["outputs"] if "data" in one]
    told = (re.sub(r"<(/?)h[123]\b", rf"<\1h{level}", str(html)) for html in shown if html)
    return [f"```python\n{_text(cell)}\n```", *map(_raw, told)]


def _text(cell: dict[str, Any]) -> str:
    return "".join(cell["source"])


def _raw(html: str) -> str:
    return f"````{{raw}} html\n{html}\n````"
