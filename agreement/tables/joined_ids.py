"""
Ids that stand in several columns of a file, such as rider and visit.

`columns = { lab_test_id = "rider + visit" }` joins them with a hyphen, nothing else is done to them.
"""

from dataclasses import replace
from typing import Any, Final

import pandas as pd

from agreement.tables.columns import Column, Table
from agreement.tables.options import FileFormat

JOIN: Final = " + "


def with_pieces(table: Table, form: FileFormat) -> tuple[Table, FileFormat]:
    """
    Return a table and its form in which each piece of a joined id is a column of its own.

    Returns form: both as they were where no id is joined.
    """
    pieces: dict[str, str] = {}
    for ours, theirs in form.columns.items():
        if JOIN in theirs and ours in table.columns and table.columns[ours].kind == "id":
            pieces |= {f"{ours}{JOIN}{i}": one for i, one in enumerate(theirs.split(JOIN))}
    if not pieces:
        return table, form
    whole = {name.split(JOIN)[0] for name in pieces}
    columns = {name: one for name, one in table.columns.items() if name not in whole}
    columns |= dict.fromkeys(pieces, Column("id"))
    stated = {ours: theirs for ours, theirs in form.columns.items() if ours not in whole}
    return replace(table, columns=columns), replace(form, columns=stated | pieces)


def join_pieces(frame: pd.DataFrame, theirs: dict[str, str]) -> tuple[pd.DataFrame, dict[str, str]]:
    """
    Put the pieces of joined ids together; where one is missing the id is.

    theirs: header in the file by column name.
    Returns theirs: with the joined columns in place of their pieces.
    """
    from agreement.tables.text_cells import distinct  # which itself imports what reads tables

    joined: dict[str, Any] = {}
    for name in [one for one in frame if JOIN in str(one)]:
        piece = distinct(frame[name]).series().str.strip()
        piece = piece.mask(piece == "")
        ours = str(name).split(JOIN)[0]
        joined[ours] = joined[ours] + "-" + piece if ours in joined else piece
    if not joined:
        return frame, theirs
    headers = {
        ours: JOIN.join(header for name, header in theirs.items() if name.startswith(ours + JOIN))
        for ours in joined
    }
    kept = {name: header for name, header in theirs.items() if JOIN not in name}
    rest = frame[[name for name in frame if JOIN not in str(name)]]
    return rest.assign(**joined), kept | headers
