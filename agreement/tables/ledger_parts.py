"""Lines of rows left out as Parquet: texts that repeat are stored once, so that a line takes bytes."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from agreement.tables.oversize import refuse_oversize_parquet
from agreement.tables.parts import PART_STEP
from agreement.terms import EXCLUSION_COLUMNS, REASONS

if TYPE_CHECKING:
    import numpy.typing as npt

TEXTS: Final = ("file", "id", "reason", "message")


def ledger_table(lines: pd.DataFrame) -> Any:
    """Return lines, columns `agreement.terms.EXCLUSION_COLUMNS`, as an Arrow table of coded texts."""
    import pyarrow as pa

    columns = {"row": pa.array(lines["row"].astype("Int64"), pa.int64())}
    for name in TEXTS:
        text = lines[name].astype("str").replace("", None)
        columns[name] = pa.array(text, pa.large_string()).dictionary_encode()
    return pa.table({name: columns[name] for name in EXCLUSION_COLUMNS})


def coded_ledger(
    row: "npt.NDArray[np.int64]",
    files: Sequence[str],
    identity: "pd.Categorical",
    reason: "npt.NDArray[np.integer[Any]]",
    message: "npt.NDArray[np.integer[Any]]",
    words: Sequence[str],
) -> Any:
    """
    Return lines of a table in parts, by row, from their codes.

    row: numbered over all parts; see `agreement.tables.parts.PART_STEP`.
    identity: of each row.
    reason, message: places in `agreement.terms.REASONS` and in `words`.
    """
    import pyarrow as pa

    rising = bool((row[1:] >= row[:-1]).all())  # as they were read
    order = slice(None) if rising else np.argsort(row)
    part, inside = np.divmod(row[order], PART_STEP)
    texts: dict[str, tuple[Any, Sequence[Any]]] = {
        "file": (part, files),
        "id": (identity.codes[order], identity.categories.tolist()),
        "reason": (reason[order], list(REASONS)),
        "message": (message[order], words),
    }
    columns = {"row": pa.array(inside)}
    for name, (codes, known) in texts.items():
        used = np.bincount(codes) > 0  # a file tells of nobody else
        place = (np.cumsum(used) - 1).astype(np.int32)
        labels = [known[one] for one in np.flatnonzero(used).tolist()]
        columns[name] = pa.DictionaryArray.from_arrays(
            pa.array(place[codes]), pa.array(labels, pa.large_string())
        )
    return pa.table({name: columns[name] for name in EXCLUSION_COLUMNS})


def write_ledger_part(lines: Any, path: Path) -> Path:
    """Write lines as `ledger_table` makes them; under another name until the file is whole."""
    from pyarrow import parquet

    temporary = path.with_suffix(".part")
    parquet.write_table(
        lines,
        temporary,
        compression="zstd",
        use_dictionary=list(TEXTS),
        column_encoding={"row": "DELTA_BINARY_PACKED"},
        write_statistics=False,
        store_schema=False,
    )
    return temporary.replace(path)


def read_ledger_part(path: Path) -> pd.DataFrame:
    """Return the lines of one part; texts that repeat are categories, a missing id is missing."""
    from pyarrow import parquet

    with parquet.ParquetFile(path, read_dictionary=list(TEXTS)) as file:
        refuse_oversize_parquet(file.metadata, path.stat().st_size)
        frame: pd.DataFrame = file.read().to_pandas(integer_object_nulls=False)
    return frame[EXCLUSION_COLUMNS].astype({"row": "Int64"})
