"""From pairs at several visits to changes between two."""

from typing import Literal

import numpy as np
import pandas as pd

from agreement.stats.method_data import DECIMALS


def visit_changes(
    pairs: pd.DataFrame,
    *,
    visits: Literal["first and last", "consecutive"] = "first and last",
    minimum_gap_days: int = 21,
) -> pd.DataFrame:
    """
    List the changes between the visits of each athlete.

    pairs: columns athlete_id, lab_test_id, lab_date, lab, field, of one method and mode.
    visits: {"first and last", "consecutive"}.
    minimum_gap_days: visits closer together make no change.
    Returns: athlete_id, first_test, second_test, days, lab, field; changes rounded to 6 decimals.
    """
    who, test = (
        np.unique(pairs[name].to_numpy(dtype=object), return_inverse=True)[1]
        for name in ("athlete_id", "lab_test_id")
    )
    day = pairs["lab_date"].to_numpy(dtype="datetime64[D]").astype(np.int64)
    order = np.lexsort((test, day, who))
    same = who[order][1:] == who[order][:-1]
    if visits == "consecutive":
        first, second = order[:-1][same], order[1:][same]
    else:
        first, second = (
            order[np.r_[True, ~same][: order.size]],
            order[np.r_[~same, True][: order.size]],
        )
    days = day[second] - day[first]
    kept = (days >= minimum_gap_days) & (first != second)
    first, second = first[kept], second[kept]
    lab, field = (pairs[name].to_numpy(dtype=np.float64) for name in ("lab", "field"))
    athlete, test_id = (
        pairs[name].reset_index(drop=True) for name in ("athlete_id", "lab_test_id")
    )
    return pd.DataFrame(
        {
            "athlete_id": athlete.take(second).array,
            "first_test": test_id.take(first).array,
            "second_test": test_id.take(second).array,
            "days": days[kept],
            "lab": np.round(lab[second] - lab[first], DECIMALS),
            "field": np.round(field[second] - field[first], DECIMALS),
        }
    )
