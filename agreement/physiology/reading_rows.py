"""The shape of a reading: one field value with what is known about how it came about."""

from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.arrays import Ints
from agreement.errors import Problem
from agreement.physiology.set_aside import joined

READING_COLUMNS: Final = [
    "source", "file", "row", "id", "athlete_id", "instant", "date", "method", "mode", "field",
    "field_l_min", "sensor", "set_mass_kg", "set_hr_max_bpm", "set_age_years", "in_range",
    "standard_error",
]  # fmt: skip
MEMBER_COLUMNS: Final = ["reading", "row", "id"]
_TEXT: Final = ("source", "file", "id", "athlete_id", "method", "mode", "sensor", "in_range")
_KINDS: Final = (
    dict.fromkeys(READING_COLUMNS, "float64")
    | dict.fromkeys(_TEXT, "str")
    | {"instant": "datetime64[us]", "date": "datetime64[us]", "row": "int64"}
)


class ReadingPart(NamedTuple):
    """Some readings, the source rows behind them, and what was left out on the way."""

    readings: pd.DataFrame
    members: pd.DataFrame  # reading = position in `readings`
    set_aside: pd.DataFrame
    problems: tuple[Problem, ...] = ()
    lines: pd.DataFrame = pd.DataFrame()  # of stage tests: their lines through the stages


def reading_rows(rows: pd.DataFrame, **columns: Any) -> pd.DataFrame:
    """Return readings from source rows and further columns; what neither names is missing."""
    frame = rows.assign(**columns).reindex(columns=READING_COLUMNS).reset_index(drop=True)
    return frame.astype(_KINDS)


def member_rows(reading: Ints, rows: pd.DataFrame, at: Ints) -> pd.DataFrame:
    """Return the source row at `at` behind each reading: small numbers, ids as categories."""
    row = rows["row"].to_numpy().astype(np.int32)[at]
    texts = rows["id"].astype("category").cat
    identity = pd.Categorical.from_codes(texts.codes.to_numpy()[at], texts.categories)
    columns = {"reading": reading.astype(np.int32, copy=False), "row": row, "id": identity}
    return pd.DataFrame(columns, copy=False)


NO_READINGS: Final = reading_rows(pd.DataFrame({"row": np.array([], dtype=np.int64)}))
NO_MEMBERS: Final = pd.DataFrame(
    {name: pd.Series(dtype="str" if name in _TEXT else "int32") for name in MEMBER_COLUMNS}
)


def join_parts(parts: list[ReadingPart]) -> ReadingPart:
    """Return parts one after another, the members' positions moved along."""
    start, readings, members = 0, [], []
    for part in parts:
        if len(part.readings):
            readings.append(part.readings)
            if len(part.members):
                moved = part.members["reading"].to_numpy() + np.int32(start)
                members.append(part.members.assign(reading=moved) if start else part.members)
            start += len(part.readings)
    if len(members) != 1:  # ids as categories of all
        texts = [NO_MEMBERS, *(part.astype({"id": "str"}) for part in members)]
        members = [pd.concat(texts, ignore_index=True).astype({"id": "category"})]
    return ReadingPart(
        readings[0] if len(readings) == 1 else joined(readings, NO_READINGS),
        members[0],
        joined(part.set_aside for part in parts),
        tuple(problem for part in parts for problem in part.problems),
        joined((part.lines for part in parts), pd.DataFrame()),
    )
