"""
The table of numerical trust: everything this project was compared with, and how close it is.

`python tests/reference/trust_table.py` writes it anew; `test_numerical_trust.py` fails when the
file and the code no longer say the same.
"""

from itertools import groupby
from pathlib import Path

from certified_values import certified_rows
from published_physiology import physiology_rows
from published_values import published_rows
from trust_rows import Row

FILE = Path(__file__).with_name("NUMERICAL_TRUST.md")
HEAD = """# Numerical trust

Made by `python tests/reference/trust_table.py`; `test_numerical_trust.py` computes every line anew
and fails when a line no longer holds.

*Digits* is the log relative error, -log10(|ours - theirs| / |theirs|): the number of leading digits
in common, at most 15. A certified value is given to about 15 digits; a printed one cannot agree
further than it is printed, so there the question is whether ours is within half of the last printed
digit. Where the print itself is off, or the data are stored to fewer digits, the last column says
why. *Seen*: how the value came to us (read, read second-hand, memory).
"""
PARTS = {
    "Certified": certified_rows,
    "Published and handbook: statistics": published_rows,
    "Published and handbook: physiology": physiology_rows,
}


def trust_rows() -> dict[str, list[Row]]:
    """Every row, computed."""
    return {part: list(rows()) for part, rows in PARTS.items()}


def as_markdown(parts: dict[str, list[Row]]) -> str:
    """The document."""
    counts = ", ".join(f"{len(rows)} {part[0].lower()}{part[1:]}" for part, rows in parts.items())
    lines = [HEAD, f"{sum(map(len, parts.values()))} values: {counts}.", ""]
    for part, rows in parts.items():
        lines += [f"## {part}", ""]
        for source, of_source in groupby(rows, lambda row: (row.source, row.provenance)):
            lines += [f"{source[0]} ({source[1]})", ""]
            lines += ["| quantity | theirs | ours | digits | |", "|---|---:|---:|---:|---|"]
            lines += [as_line(row) for row in of_source]
            lines.append("")
    return "\n".join(lines)


def as_line(row: Row) -> str:
    """One row of the table."""
    cells = row.quantity, row.printed, row.as_shown(), f"{row.log_relative_error:.1f}", row.note
    return f"| {' | '.join(cells)} |".replace("|  |", "| |")


if __name__ == "__main__":
    FILE.write_text(as_markdown(trust_rows()), encoding="utf-8")
