"""Third pass: the lines of estimates left out, one file for each piece that was read."""

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from agreement.scale.spread import LEDGER
from agreement.tables.parts import PART_STEP
from agreement.tables.spills import read_section, taken_up, write_bytes
from agreement.tables.writers import text_lines
from agreement.terms import EXCLUSION_COLUMNS


@dataclass(frozen=True, slots=True)
class LinesPlan:
    """
    What every worker of the third pass needs.

    Attributes
    ----------
    left : tuple of Path
        Lines left out while pairing, one file per bucket, by piece.
    aside : tuple of tuple of Path
        Lines left out by the check, for each piece.
    files : tuple of str
        The part that each piece belongs to.
    out : Path
        The folder to write to.
    """

    left: tuple[Path, ...]
    aside: tuple[tuple[Path, ...], ...]
    files: tuple[str, ...]
    out: Path


def write_lines(shared: Path, piece: int) -> int:
    """Write the lines of one piece, sorted by row, and return how many there are."""
    plan: LinesPlan = taken_up(shared)
    lines = read_section(plan.left, piece)
    lines["row"] %= PART_STEP
    aside = [read_section([path]).astype({"row": "int64"}) for path in plan.aside[piece]]
    lines = pd.concat([lines, *aside], ignore_index=True) if aside else lines
    if not len(lines):
        return 0
    lines = lines.sort_values(["row", "id"], kind="stable", ignore_index=True)
    file = pd.Series(pd.array([plan.files[piece]], dtype="str").repeat(len(lines)))
    text = text_lines([file, *(lines[name] for name in LEDGER)])
    header = (",".join(EXCLUSION_COLUMNS) + "\n").encode()
    write_bytes(header + bytes(text), plan.out / f"part-{piece + 1:05d}.csv")
    return len(lines)
