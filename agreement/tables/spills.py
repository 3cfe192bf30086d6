"""
Frames laid aside in a temporary place, cut into numbered sections that can be read alone.

Each file is written under another name and renamed when it is whole, so that a lost worker leaves
nothing that could be taken for a result; writing it again gives the same file.
"""

import ctypes
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.errors import AgreementError

# of mallopt(3): how much of what was freed is kept, and from which size on a block is given back by
# itself. Giving all back at once would cost a quarter of the time, in pages made anew.
_TRIM_THRESHOLD: Final = (-1, 1 << 26)
_MMAP_THRESHOLD: Final = (-3, 1 << 25)
_ARENA_MAX: Final = (-8, 1)  # threads share what was freed
Ints = npt.NDArray[np.int64]


def require_arrow() -> None:
    """Raise AgreementError with what to install, when the package that spills need is not there."""
    try:
        import pyarrow.ipc  # noqa: F401 # only whether it is there
    except ImportError as error:
        raise AgreementError(
            "Field estimates in parts need pyarrow. Install this package with its extra 'scale'."
        ) from error


def give_memory_back() -> None:
    """
    Let freed memory go back soon, in this process, from now on.

    Arrow's usual pool and the GNU allocator keep what they once had; with several processes that
    adds up to more than the data. Elsewhere than under the GNU allocator only the pool changes.
    """
    import pyarrow as pa

    pa.set_memory_pool(pa.system_memory_pool())
    with suppress(AttributeError, OSError, TypeError):
        for number, size in (_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX):
            ctypes.CDLL(None).mallopt(number, size)


def give_memory_back_now() -> None:
    """Give back what lies free between blocks still in use; worth it after seconds of work."""
    with suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)


def spilled_table(frame: pd.DataFrame, repeating: Sequence[str] = ()) -> Any:
    """Return a frame as an Arrow table, small in memory; `repeating` texts are stored once."""
    import pyarrow as pa

    table = pa.Table.from_pandas(frame, preserve_index=False)
    for name in repeating:
        place = table.schema.get_field_index(name)
        table = table.set_column(place, name, table.column(place).dictionary_encode())
    return table


def write_spill(
    tables: Sequence[Any], path: Path, section: Ints | None = None, sections: int = 1
) -> None:
    """
    Write tables one after another, cut into sections.

    tables: at least one, as `spilled_table` makes them.
    section: of each row; rows of one section keep their order. Without it all are in section 0.
    sections: how many there are; some may be empty.
    """
    import pyarrow as pa
    from pyarrow import ipc

    table = pa.concat_tables(tables).unify_dictionaries()
    ends = [len(table)]
    if section is not None:
        order = np.argsort(section, kind="stable")
        # column by column: the rows never lie there three times
        columns = [column.combine_chunks().take(pa.array(order)) for column in table.columns]
        table = pa.table(columns, schema=table.schema)
        ends = np.searchsorted(section[order], np.arange(sections), side="right").tolist()
    table = table.combine_chunks()
    temporary = path.with_suffix(".part")
    options = ipc.IpcWriteOptions(compression="lz4")
    with ipc.new_file(str(temporary), table.schema, options=options) as file:
        start = 0
        for end in ends:
            file.write_batch(_batch(table, start, end))
            start = end
    temporary.replace(path)


def _batch(table: Any, start: int, end: int) -> Any:
    """Return some rows of a table in one piece as a batch, also when there are none."""
    import pyarrow as pa

    columns = [
        column.chunk(0).slice(start, end - start) if column.num_chunks else pa.nulls(0, column.type)
        for column in table.columns
    ]
    return pa.record_batch(columns, table.schema)


def section_table(paths: Sequence[Path], section: int = 0) -> Any:
    """
    Return one section of several spills, one after another, as an Arrow table.

    paths: at least one; a column that some of them lack is missing there.
    section: its number, the same in each.
    """
    import pyarrow as pa
    from pyarrow import ipc

    tables = []
    for path in paths:
        with pa.memory_map(str(path)) as source, ipc.open_file(source) as file:
            tables.append(pa.Table.from_batches([file.get_batch(section)]))
    return pa.concat_tables(tables, promote_options="default").unify_dictionaries()


def read_section(paths: Sequence[Path], section: int = 0) -> pd.DataFrame:
    """Return what `section_table` does as a frame of plain texts, numbers and times."""
    import pyarrow as pa

    table = section_table(paths, section)
    for place, field in enumerate(table.schema):
        if pa.types.is_dictionary(field.type):
            table = table.set_column(place, field.name, table.column(place).cast(pa.large_string()))
    frame: pd.DataFrame = table.to_pandas()
    return frame


def write_records(rows: npt.NDArray[Any], path: Path) -> Path:
    """Write rows of one width; under another name until the file is whole."""
    temporary = path.with_suffix(".part")
    with temporary.open("wb") as file:  # whose errors name the system's reason
        file.write(rows.view(np.uint8).data)
    return temporary.replace(path)


def read_records(path: Path, kind: "np.dtype[Any]", first: int, end: int) -> npt.NDArray[Any]:
    """Return the rows from `first` to before `end` of a file of records."""
    if end <= first:
        return np.empty(0, kind)
    with path.open("rb") as file:
        file.seek(int(first) * kind.itemsize)
        content = file.read(int(end - first) * kind.itemsize)
    return np.frombuffer(content, kind)  # which refuses what was cut off within a row
