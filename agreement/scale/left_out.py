"""Third pass: the lines of estimates left out, one file for each batch that was read."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pandas as pd

from agreement.scale.spread import LEDGER
from agreement.tables.parts import PART_STEP
from agreement.tables.spills import read_section, taken_up, write_bytes
from agreement.tables.writers import text_lines
from agreement.terms import EXCLUSION_COLUMNS

LINES_AT_ONCE: Final = 50_000


@dataclass(frozen=True, slots=True)
class LinesPlan:
    """
    What every worker of the third pass needs.

    Attributes
    ----------
    left : tuple of Path
        Lines left out while pairing, one file per bucket, by batch.
    aside : tuple of Path or None
        Lines left out by the check, for each batch.
    files : tuple of str
        The part that each batch belongs to.
    out : Path
        The folder to write to.
    """

    left: tuple[Path, ...]
    aside: tuple[Path | None, ...]
    files: tuple[str, ...]
    out: Path


def write_lines(shared: Path, batch: int) -> int:
    """Write the lines of one batch, sorted by row, and return how many there are."""
    plan: LinesPlan = taken_up(shared)
    lines = read_section(plan.left, batch)
    lines["row"] %= PART_STEP
    if (path := plan.aside[batch]) is not None:
        aside = read_section([path]).astype({"row": "int64"})
        lines = pd.concat([lines, aside], ignore_index=True)
    if not len(lines):
        return 0
    lines = lines.sort_values(["row", "id"], kind="stable", ignore_index=True)
    write_bytes(_text(lines, plan.files[batch]), plan.out / f"part-{batch + 1:05d}.csv")
    return len(lines)


def _text(lines: pd.DataFrame, file: str) -> Iterator[bytes | memoryview]:
    """Yield the header, then the lines, some at a time."""
    yield (",".join(EXCLUSION_COLUMNS) + "\n").encode()
    for start in range(0, len(lines), LINES_AT_ONCE):
        some = lines.iloc[start : start + LINES_AT_ONCE]
        name = pd.Series(pd.array([file], dtype="str").repeat(len(some)))
        yield text_lines([name, *(some[column] for column in LEDGER)])
