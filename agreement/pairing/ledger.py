"""The ledger: every row read is used, summarised, or excluded with a reason."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
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


@dataclass(frozen=True, slots=True)
class RowFates:
    """What became of each row of a table, before it is counted."""

    row: pd.Series  # row of the source file; missing where the row of the ledger is a whole file
    identity: pd.Series  # the id that the row carries
    # reason, text: position in `agreement.terms.REASONS` (`KEPT` behind a pair), and place of the
    # message
    reason: NDArray[np.integer[Any]]
    text: Ints
    alone: Flags  # whether a row behind a pair is alone behind its value
    # further rows that are used, summarised and left out, whose lines lie elsewhere
    elsewhere: tuple[int, int, int] = (0, 0, 0)

    def rows(self) -> pd.DataFrame:
        """Return them as `best_of` takes rows."""
        return rows_of(self.row, self.identity, self.reason, self.text, self.alone)

    def left_out(self) -> pd.DataFrame:
        """Return the rows behind no pair: columns row, id, reason, text."""
        out = np.flatnonzero(self.reason != KEPT)
        return pd.DataFrame(
            {
                "row": self.row.array.take(out).astype("Int64"),
                "id": self.identity.array.take(out),
                "reason": self.reason[out].astype(np.int64),
                "text": self.text[out],
            }
        )

    def counts(self) -> tuple[int, int]:
        """Return how many rows are used and how many are summarised."""
        behind = self.reason == KEPT
        used = int((behind & self.alone).sum())
        return used + self.elsewhere[0], int(behind.sum()) - used + self.elsewhere[1]


def only_counted(used: int, summarised: int, left_out: int) -> RowFates:
    """Return the fates of rows that are only counted here; their lines lie elsewhere."""
    no_row, no_id = pd.Series([], dtype="Int64"), pd.Series([], dtype="str")
    none = np.zeros(0, np.int64)
    return RowFates(no_row, no_id, none, none, none > 0, (used, summarised, left_out))


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


def rows_of(
    row: pd.Series,
    identity: pd.Series,
    reason: NDArray[np.integer[Any]],
    text: Ints,
    alone: Flags | bool = False,
) -> pd.DataFrame:
    """Return rows as `best_of` takes them; see `RowFates`."""
    columns = {"row": row.array, "id": identity.array, "reason": reason, "text": text}
    return pd.DataFrame(columns).assign(alone=alone)


def rows_of_lines(lines: pd.DataFrame, texts: Texts) -> pd.DataFrame:
    """Return lines of the stages before as `best_of` takes rows."""
    places = np.array([texts.place(message) for message in lines["message"]], np.int64)
    return rows_of(lines["row"], lines["id"], lines["reason"].map(CODE).to_numpy(np.int64), places)


def fates_of(rows: pd.DataFrame) -> RowFates:
    """Return what `best_of` gives as fates."""
    reason, text = (rows[name].to_numpy(np.int64) for name in ("reason", "text"))
    return RowFates(rows["row"], rows["id"], reason, text, rows["alone"].to_numpy(np.bool_))


def close(
    fates: Mapping[str, RowFates],
    set_aside: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    rows_read: Mapping[str, int],
    withdrawn: Mapping[str, int],
    texts: Texts,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """
    Put the accounts of all tables together and check that they add up.

    fates: table to what became of its rows, in the order of the flow table.
    set_aside: table to further rows that the stages before have set aside; see `rows_of_lines`.
    files: table to file.
    rows_read, withdrawn: rows read by table, and rows of withdrawn people by file.
    Returns exclusions, flow: columns `agreement.terms.EXCLUSION_COLUMNS` (file, reason and message
        as categories) and `agreement.terms.FLOW_COLUMNS`; in the order of the flow table, then by
        row, then by id; the line of the withdrawn comes last.
    Raises RuntimeError if the rows of a file do not add up: a mistake of this program.
    """
    lines, flow = {}, []
    for table, each in fates.items():
        file, out = files[table], each.left_out()
        if table in set_aside:
            out = pd.concat([out, set_aside[table][out.columns]], ignore_index=True)
        if not out["row"].is_monotonic_increasing:
            out = out.sort_values(["row", "id"], kind="stable")
        (used, summarised), gone, read = each.counts(), withdrawn.get(file, 0), rows_read[table]
        excluded = len(out) + each.elsewhere[2] + gone
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
