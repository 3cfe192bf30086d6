"""Files that unpack to far more than any table does: refused before they fill the memory."""

from typing import Any, Final

MOST_UNPACKED: Final = 2_000_000_000  # bytes of one file
_TIMES: Final = 100  # text packs to a tenth or a thirtieth; what packs to a thousandth is no table
_ALWAYS: Final = 50_000_000
_ROWS_ALWAYS: Final = 1_000_000
_ROWS_PER_BYTE: Final = 4  # of a Parquet file; a time and a value take at least a byte or two


class OversizeError(ValueError):
    """A file that would unpack to more than any table; the message says what to what."""


def most_unpacked(packed: int) -> int:
    """Return to how many bytes a file of `packed` bytes may unpack."""
    return min(MOST_UNPACKED, _ALWAYS + _TIMES * packed)


def refuse_oversize_parquet(about: Any, packed: int) -> None:
    """Raise `OversizeError` when a file of `packed` bytes says of itself what no table can be."""
    groups = [about.row_group(i) for i in range(about.num_row_groups)]
    lengths = [
        sum(group.column(i).num_values for group in groups) for i in range(about.num_columns)
    ]
    rows = max([about.num_rows, *lengths])
    if rows > _ROWS_ALWAYS + _ROWS_PER_BYTE * packed:
        raise OversizeError(
            f"it says that it holds {rows:,} rows in {packed:,} bytes".replace(",", " ")
        )
    size = sum(group.total_byte_size for group in groups)
    if size > most_unpacked(packed) and packed < MOST_UNPACKED:
        raise OversizeError(f"it says that {packed:,} bytes unpack to {size:,}".replace(",", " "))
