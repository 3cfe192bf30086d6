"""The ledger: every row read is used, summarised, or excluded with a reason."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from agreement.arrays import Flags, Ints
from agreement.pairing.cleaning import CODE, KEPT
from agreement.pairing.messages import Texts
from agreement.tables.categories import coded
from agreement.terms import EXCLUSION_COLUMNS, FLOW_COLUMNS, REASONS, counted

FLOW_TABLES = (
    *("lab_tests", "athletes", "field_estimates", "field_tests", "sessions", "breaths", "samples"),
)


def rows_of(
    row: pd.Series,
    identity: pd.Series,
    reason: NDArray[np.integer[Any]],
    text: Ints,
    alone: Flags | bool = False,
) -> pd.DataFrame:
    """
    Return what became of the rows of a table: columns row, id, reason, text, alone.

    row: of the source file; missing where the row of the ledger is a whole file.
    identity: the id that the row carries.
    reason, text: position in `agreement.terms.REASONS` (`KEPT` behind a pair), and place of the
        message.
    alone: whether a row behind a pair is alone behind its value.
    """
    columns = {"row": row.array, "id": identity.array, "reason": reason, "text": text}
    return pd.DataFrame(columns | {"alone": np.broadcast_to(alone, len(row))}, copy=False)


def rows_left_out(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows behind no pair: columns row, id, reason, text."""
    behind_none = rows["reason"].to_numpy() != KEPT
    out: pd.DataFrame = rows.loc[behind_none, ["row", "id", "reason", "text"]]
    return out.reset_index(drop=True).astype({"row": "Int64", "reason": np.int64})


def rows_used(rows: pd.DataFrame) -> tuple[int, int]:
    """Return how many rows are used and how many are summarised."""
    behind, alone = (rows["reason"] == KEPT).to_numpy(), rows["alone"].to_numpy(np.bool_)
    return int((behind & alone).sum()), int((behind & ~alone).sum())


def best_of(contributions: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """
    Settle rows, as `rows_of` gives them, that stand behind several readings, or behind none.

    Returns: each row once: behind a pair if it is behind any, else with its first cause in the
        order of `agreement.terms.REASONS`.
    """
    every = pd.concat(contributions, ignore_index=True)
    order = np.lexsort((every["reason"].to_numpy(), every["row"].to_numpy(np.int64)))
    return every.iloc[order].drop_duplicates("row").reset_index(drop=True)


def set_aside_lines(
    set_aside: Iterable[pd.DataFrame], files: Mapping[str, str]
) -> dict[str, pd.DataFrame]:
    """
    Sort the lines of the stages before by table.

    set_aside: columns `agreement.terms.EXCLUSION_COLUMNS`.
    files: table to file. A line about one breath or sample file belongs to its folder, without row.
    Returns: table to its lines; a table without any is not in it.
    Raises RuntimeError if a line is about a file that is no table: a mistake of this program.
    """
    some = [part for part in set_aside if len(part)]
    if not some:
        return {}
    every = pd.concat([part.astype({"row": "Int64"}) for part in some], ignore_index=True)
    every = every[every["reason"] != "withdrawn"]  # `close` writes that line from the counts
    lines = {}
    for table, file in files.items():
        own = every["file"] == file
        if table in ("breaths", "samples"):
            own |= every["file"].str.startswith(f"{file}/")
        if not own.any():
            continue
        lines[table], every = every[own], every[~own]
        if table in ("breaths", "samples"):
            lines[table] = lines[table].assign(row=pd.array([pd.NA] * int(own.sum()), "Int64"))
    if len(every):
        raise RuntimeError(
            f"Lines left out of a file that is no table: {sorted(set(every['file']))}."
        )
    return lines


def rows_of_lines(lines: pd.DataFrame, texts: Texts) -> pd.DataFrame:
    """Return lines of the stages before as `best_of` takes rows."""
    places = np.array([texts.place(message) for message in lines["message"]], np.int64)
    return rows_of(lines["row"], lines["id"], lines["reason"].map(CODE).to_numpy(np.int64), places)


def close(
    rows: Mapping[str, pd.DataFrame],
    set_aside: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    rows_read: Mapping[str, int],
    withdrawn: Mapping[str, int],
    texts: Texts,
    elsewhere: Mapping[str, tuple[int, int, int]],
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """
    Put the accounts of all tables together and check that they add up.

    rows: table to what became of its rows (`rows_of`), in the order of the flow table.
    set_aside: table to further rows that the stages before have set aside; see `rows_of_lines`.
    files: table to file.
    rows_read, withdrawn: rows read by table, and rows of withdrawn people by file.
    elsewhere: table to further rows used, summarised and left out, whose lines lie elsewhere.
    Returns exclusions, flow: columns `agreement.terms.EXCLUSION_COLUMNS` (file, reason and message
        as categories) and `agreement.terms.FLOW_COLUMNS`; in the order of the flow table, then by
        row, then by id; the line of the withdrawn comes last.
    Raises RuntimeError if the rows of a file do not add up: a mistake of this program.
    """
    lines, flow = {}, []
    for table, each in rows.items():
        file, out, more = files[table], rows_left_out(each), elsewhere.get(table, (0, 0, 0))
        if table in set_aside:
            out = pd.concat([out, set_aside[table][out.columns]], ignore_index=True)
        if not out["row"].is_monotonic_increasing:
            out = out.sort_values(["row", "id"], kind="stable")
        used, summarised = map(sum, zip(rows_used(each), more[:2], strict=True))
        gone, read = withdrawn.get(file, 0), rows_read[table]
        excluded = len(out) + more[2] + gone
        if read != used + summarised + excluded:
            raise RuntimeError(
                f"{file}: {read} rows read, but {used} used, {summarised} summarised and "
                f"{excluded} excluded."
            )
        flow.append((file, read, used, summarised, excluded))
        if gone:  # one line that stands for all rows of withdrawn people
            said = texts.place(f"{counted(gone, 'row')} removed at the participant's own request.")
            line = {"reason": CODE["withdrawn"], "text": said, "row": pd.NA, "id": None}
            out = pd.concat([out, pd.DataFrame([line]).astype({"row": "Int64", "id": "str"})])
        lines[file] = out
    return exclusions(lines, texts), pd.DataFrame(flow, columns=FLOW_COLUMNS)


def exclusions(lines: Mapping[str, pd.DataFrame], texts: Texts) -> pd.DataFrame:
    """Return the lines of all files, by file, in one table; text that repeats as categories."""
    every = pd.concat(lines.values(), ignore_index=True)
    file = np.repeat(np.arange(len(lines)), [len(each) for each in lines.values()])
    columns = {
        "file": (file, list(lines)),
        "reason": (every["reason"].to_numpy(np.int64), list(REASONS)),
        "message": (every["text"].to_numpy(np.int64), texts.known()),
    }
    for name, (codes, words) in columns.items():
        every[name] = coded(codes, words)
    return every[EXCLUSION_COLUMNS]
