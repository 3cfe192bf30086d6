"""What was found in a study folder or in exports, as text for people and as JSON for programs."""

import json
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from textwrap import shorten
from typing import TYPE_CHECKING, Final

from agreement.errors import Problem
from agreement.terms import counted

if TYPE_CHECKING:
    from agreement.tables.proposal import Proposed


MOST_SHOWN: Final = 20  # of one kind; the rest is counted
_HEADINGS: Final = {
    "stop": "Stops the run",
    "set_aside": "Set aside, the run goes on without these rows",
    "note": "Worth knowing",
}


def grouped_findings(problems: Iterable[Problem]) -> str:
    """Return findings by severity and kind, at most 20 of a kind with the count of the rest."""
    kinds: dict[tuple[str, str], list[Problem]] = {}
    for problem in problems:
        kinds.setdefault((problem.severity, problem.reason), []).append(problem)
    parts = []
    for severity, title in _HEADINGS.items():
        groups = [found for (kind, _), found in kinds.items() if kind == severity]
        if groups:
            lines = [line for found in groups for line in _listed(found)]
            parts.append("\n".join([f"{title} ({sum(map(len, groups))}):", *lines]))
    return (
        "\n\n".join(parts)
        or "Nothing stops the run, nothing was set aside, and there is nothing to note."
    )


def _listed(found: list[Problem]) -> list[str]:
    """Return one line for each problem of a kind, cut after a number."""
    lines = [f"  {problem}" for problem in found[:MOST_SHOWN]]
    rest = len(found) - MOST_SHOWN
    return [*lines, f"  ... and {rest} more of this kind."] if rest > 0 else lines


def findings_json(problems: Iterable[Problem]) -> str:
    """Return findings as one JSON array."""
    return json.dumps([asdict(problem) for problem in problems], indent=1)


_WIDE: Final = 44


def proposal_text(found: "Proposed", folder: Path) -> str:
    """Return the table of columns, the files that were not used, and the next command."""
    names = list(found.preview.columns)
    whole = [[shorten(str(c), 200) for c in row] for row in found.preview.to_numpy()]
    rows = [[c if len(c) <= _WIDE else f"{c[: _WIDE - 4]} ..." for c in row] for row in whole]
    widths = [max(len(r[i]) for r in [names, *rows]) for i in range(len(names))]
    lines = [
        "  ".join(c.ljust(w) for c, w in zip(r, widths, strict=True)).rstrip()
        for r in [names, *rows]
    ]
    lines += ["", *found.remarks] if found.remarks else []
    open_ = counted(found.questions, "line") if found.questions else "Nothing"
    lines += ["", f"{open_} of study.toml to decide; next: agreement check {folder}"]
    return "\n".join(lines)
