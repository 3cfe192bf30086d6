"""From pairs at several visits to changes between two."""

from typing import Literal

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
    ordered = pairs.sort_values(["athlete_id", "lab_date", "lab_test_id"])
    who = ordered.groupby("athlete_id", sort=True)
    if visits == "consecutive":
        second, first = ordered, who.shift(1)
    else:
        second, first = who.tail(1), who.head(1).set_index(who.tail(1).index)
    days = (second["lab_date"] - first["lab_date"]).dt.days
    changes = pd.DataFrame(
        {
            "athlete_id": second["athlete_id"],
            "first_test": first["lab_test_id"],
            "second_test": second["lab_test_id"],
            "days": days,
            "lab": (second["lab"] - first["lab"]).round(DECIMALS),
            "field": (second["field"] - first["field"]).round(DECIMALS),
        }
    )
    kept = (days >= minimum_gap_days) & (changes["first_test"] != changes["second_test"])
    return changes[kept].astype({"days": "int64"}).reset_index(drop=True)
