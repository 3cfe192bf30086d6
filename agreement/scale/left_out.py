"""Third pass: the lines of estimates left out, one file for each batch that was checked at once."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import numpy as np

from agreement.scale.spread import LEDGER, Batch
from agreement.tables.parts import PART_STEP
from agreement.tables.spills import section_table, write_bytes
from agreement.tables.writers import safe_cells, text_lines
from agreement.terms import EXCLUSION_COLUMNS

LINES_AT_ONCE: Final = 50_000


@dataclass(frozen=True, slots=True)
class LinesPlan:
    """
    What every worker of the third pass needs.

    Attributes
    ----------
    left : tuple of Path
        Lines left out while pairing, one file per bucket, by piece.
    batches : tuple of tuple of Batch
        The batches of each piece.
    numbers : tuple of int
        Batches before each piece.
    files : tuple of str
        The part that each piece belongs to.
    out : Path
        The folder to write to.
    """

    left: tuple[Path, ...]
    batches: tuple[tuple[Batch, ...], ...]
    numbers: tuple[int, ...]
    files: tuple[str, ...]
    out: Path


def write_lines(plan: LinesPlan, piece: int) -> int:
    """Write the lines of each batch of a piece, sorted by row, and return how many there are."""
    lines = _lines(plan, piece)
    row = lines.column("row").to_numpy()
    order = np.argsort(row, kind="stable")
    starts = [batch.first_row for batch in plan.batches[piece]]
    edges = [0, *np.searchsorted(row[order], starts[1:]), len(lines)]
    for number, (start, end) in enumerate(pairwise(edges), start=plan.numbers[piece] + 1):
        if end > start:
            some = lines.take(order[start:end])
            write_bytes(_text(some, plan.files[piece]), plan.out / f"part-{number:05d}.csv")
    return len(lines)


def _lines(plan: LinesPlan, piece: int) -> Any:
    """Return all lines of a piece as an Arrow table of safe cells, by their rows in the part."""
    import pyarrow as pa

    left = section_table(plan.left, piece)
    row = left.column("row").to_numpy() % PART_STEP
    left = left.set_column(left.schema.get_field_index("row"), "row", pa.array(row))
    aside = [section_table([batch.lines]) for batch in plan.batches[piece] if batch.lines]
    lines = pa.concat_tables([left, *aside]).unify_dictionaries().combine_chunks()
    for place, name in enumerate(lines.column_names):
        if name != "row" and len(lines):
            lines = lines.set_column(place, name, safe_cells(lines.column(name).chunk(0)))
    return lines


def _text(lines: Any, file: str) -> Iterator[bytes | memoryview]:
    """Yield the header, then the lines, some at a time."""
    yield (",".join(EXCLUSION_COLUMNS) + "\n").encode()
    for start in range(0, len(lines), LINES_AT_ONCE):
        some = lines.slice(start, LINES_AT_ONCE).combine_chunks()
        cells = [some.column(column).chunk(0) for column in LEDGER]
        yield text_lines(file, cells)
