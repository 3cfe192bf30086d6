"""A proposed study, told on the command line: the columns as a table, and what is left to decide."""

from pathlib import Path
from textwrap import shorten
from typing import Final

from agreement.tables.proposal import Proposed
from agreement.terms import counted

_WIDE: Final = 44


def proposal_text(found: Proposed, folder: Path) -> str:
    """Return the table of columns, the files that were not used, and the next command."""
    names = list(found.preview.columns)
    rows = [
        [shorten(str(c), 200, placeholder=" ...")[:_WIDE] for c in row]
        for row in found.preview.to_numpy()
    ]
    widths = [max(len(r[i]) for r in [names, *rows]) for i in range(len(names))]
    lines = [
        "  ".join(c.ljust(w) for c, w in zip(r, widths, strict=True)).rstrip()
        for r in [names, *rows]
    ]
    lines += ["", *found.remarks] if found.remarks else []
    open_ = counted(found.questions, "line") if found.questions else "Nothing"
    lines += ["", f"{open_} of study.toml to decide; next: agreement check {folder}"]
    return "\n".join(lines)
