"""
Frames laid aside in a temporary place, cut into numbered sections that can be read alone.

Each file is written under another name and renamed when it is whole, so that a lost worker leaves
nothing that could be taken for a result; writing it again gives the same file.
"""

import ctypes
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.arrays import Ints

# of mallopt(3): how much of what was freed is kept, and from which size on a block is given back by
# itself. Giving all back at once would cost a quarter of the time, in pages made anew.
_TRIM_THRESHOLD: Final = (-1, 1 << 26)
_MMAP_THRESHOLD: Final = (-3, 1 << 23)
_ARENA_MAX: Final = (-8, 1)  # threads share what was freed


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


def write_spill(frame: pd.DataFrame, path: Path, section: Ints, sections: int) -> None:
    """
    Write a frame of text, numbers and times, without its index, cut into sections.

    section: of each row; rows of one section keep their order.
    sections: how many there are; some may be empty.
    """
    import pyarrow as pa
    from pyarrow import ipc

    order = np.argsort(section, kind="stable")
    table = pa.Table.from_pandas(frame, preserve_index=False).take(pa.array(order))
    ends = np.searchsorted(section[order], np.arange(sections), side="right").tolist()
    temporary = path.with_suffix(".part")
    options = ipc.IpcWriteOptions(compression="lz4")
    with ipc.new_file(str(temporary), table.schema, options=options) as file:
        for start, end in zip([0, *ends], ends, strict=False):
            columns = [one.slice(start, end - start).combine_chunks() for one in table.columns]
            file.write_batch(pa.record_batch(columns, table.schema))
    temporary.replace(path)


def read_section(path: Path, section: int) -> pd.DataFrame:
    """Return one section of a spill as a frame of plain texts, numbers and times."""
    import pyarrow as pa
    from pyarrow import ipc

    with pa.memory_map(str(path)) as source, ipc.open_file(source) as file:
        table = pa.Table.from_batches([file.get_batch(section)])
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
    return np.fromfile(path, kind, int(end - first), offset=int(first) * kind.itemsize)
