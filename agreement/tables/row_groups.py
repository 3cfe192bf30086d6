"""Row groups of a Parquet file, some together, as columns of pandas."""

import math
from collections.abc import Iterator
from typing import Any

import pandas as pd

from agreement.tables.categories import without_unused


def in_batches(file: Any, groups: range, at_once: int, wanted: list[str]) -> Iterator[Any]:
    """
    Yield row groups in batches of at most `at_once` rows, as equal as can be.

    Arrow's own end with each row group, whose one odd value would be judged as a whole column.
    """
    rows = sum(file.metadata.row_group(i).num_rows for i in groups)
    most = max(1, math.ceil(rows / max(1, math.ceil(rows / at_once))))
    held, count = list[Any](), 0
    for batch in file.iter_batches(most, groups, wanted):
        if count + len(batch) > most:
            yield from _joined(held)
            held, count = [], 0
        held.append(batch)
        count += len(batch)
    yield from _joined(held)


def _joined(batches: list[Any]) -> list[Any]:
    """Return batches as one."""
    from pyarrow import Table

    if len(batches) < 2:
        return batches
    whole = Table.from_batches(batches).unify_dictionaries().combine_chunks()
    return list(whole.to_batches())


def column_of(column: Any) -> "pd.Series[Any]":
    """Return a column of Arrow, texts as categories; numbers and times are not copied."""
    from pyarrow import Array, types

    texts = isinstance(column, Array) and types.is_dictionary(column.type)
    if texts and types.is_string(column.type.value_type):  # several times faster than Arrow's way
        labels = pd.Index(pd.array(column.dictionary, dtype="str"))
        codes = column.indices.cast("int32").fill_null(-1)  # some writers count without a sign
        if labels.is_unique:
            return pd.Series(pd.Categorical.from_codes(codes, labels))
        column = column.dictionary_decode()
    plain: pd.Series[Any] = column.to_pandas(strings_to_categorical=True)
    return plain


def with_own_labels(column: "pd.Series[Any]") -> "pd.Series[Any]":
    """Return a column without the labels that only other row groups hold."""
    if not isinstance(column.dtype, pd.CategoricalDtype):
        return column
    codes, known = without_unused(column.cat.codes.to_numpy(), column.cat.categories)
    if len(known) == len(column.cat.categories):
        return column
    return pd.Series(pd.Categorical.from_codes(codes, known, validate=False))
