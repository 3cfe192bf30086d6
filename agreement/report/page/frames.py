"""Tables of the rows of a frame: people, tests and reports, as they stand beside the results."""

from datetime import date
from typing import Any

import pandas as pd
from markupsafe import Markup

from agreement.report.page.markup import Block, Text, table
from agreement.report.page.numbers import plain


def frame_table(caption: str, frame: pd.DataFrame, columns: str) -> Block:
    """
    Return a table with a line for each row of a frame.

    columns: ``head: column``, set apart by semicolons; behind a blank how its numbers are told: with
        their sign (+), with so many decimals (.2; default one). Days are told by date, no value as such.

    >>> seen = pd.DataFrame({"who": ["A1"], "gain": [1.26]})
    >>> "+1.3</td>" in frame_table("Seen", seen, "athlete: who; gain: gain +").html
    True
    """
    heads, told, numeric = [], [], []
    for column in columns.split("; "):
        head, _, place = column.partition(": ")
        name, _, how = place.partition(" ")
        heads.append(head)
        told.append([_told(value, how) for value in frame[name].tolist()])
        if pd.api.types.is_numeric_dtype(frame[name].dtype):
            numeric.append(head)
    return table(caption, heads, list(zip(*told, strict=True)), numeric=numeric)


def _told(value: Any, how: str) -> Text:
    if isinstance(value, float):
        _, _, digits = how.partition(".")
        return plain(value, int(digits or 1), sign="+" in how)
    if isinstance(value, date):
        return f"{value:%Y-%m-%d}"
    return value if isinstance(value, Markup) else "" if pd.isna(value) else str(value)
