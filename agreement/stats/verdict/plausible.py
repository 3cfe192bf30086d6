"""Worlds in which no verdict can be true: no confirmed maximum, copied values, one series twice."""

from typing import Final

import numpy as np
import pandas as pd

from agreement.arrays import DECIMALS
from agreement.stats.method_data import MethodData, once

NO_MAXIMUM: Final = "no_maximum"
FIELD_EQUALS_LABORATORY: Final = "field_equals_laboratory"
COPIED_SERIES: Final = "copied_series"
EQUAL_SHARE: Final = 0.1  # of pairs that are equal to the digit
FEWEST_EQUAL: Final = 2  # pairs; one more where there are so few that two may meet by chance
EQUAL_SHARE_OF_WHOLE: Final = 0.5  # where both are whole numbers, which meet by chance
FEWEST_NUMBERS: Final = 5  # of an athlete's series, below which two may be alike by chance
FEWEST_DISTINCT: Final = 4


@once
def implausible(data: MethodData) -> str:
    """
    Say why no verdict on these pairs can be true; empty if nothing speaks against one.

    Returns: {"", "no_maximum", "field_equals_laboratory", "copied_series"}
    """
    if data.pairs.empty:
        return ""
    confirmed = data.pairs["max_confirmed"]
    if (confirmed == "no").any() and not (confirmed == "yes").any():
        return NO_MAXIMUM
    field, lab = np.round(data.field, DECIMALS), np.round(data.lab, DECIMALS)
    whole = bool((field == np.round(field)).all() and (lab == np.round(lab)).all())
    equal, share = (field == lab).sum(), EQUAL_SHARE_OF_WHOLE if whole else EQUAL_SHARE
    fewest = FEWEST_EQUAL if field.size >= FEWEST_EQUAL / EQUAL_SHARE else FEWEST_EQUAL + 1
    if equal >= max(fewest, share * field.size):
        return FIELD_EQUALS_LABORATORY
    return COPIED_SERIES if _one_series_twice(data) else ""


def _one_series_twice(data: MethodData) -> bool:
    """Whether all values of one athlete, day by day and test by test, are those of another."""
    # first by the number and the sum of them, which is quick
    athlete, days = data.texts("athlete_id"), data.daily["athlete_id"].to_numpy(dtype=object)
    codes, ids = pd.factorize(np.concatenate([athlete, athlete, days]))
    values = np.concatenate([data.lab, data.field, data.daily["field"].to_numpy(np.float64)])
    sums = np.round(np.bincount(codes, np.round(values, DECIMALS)), DECIMALS)
    _, place, count = np.unique(
        np.bincount(codes) + 1j * sums, return_inverse=True, return_counts=True
    )
    some = ids[count[place] > 1]
    if not len(some):
        return False
    pairs, own = (one[one["athlete_id"].isin(some)] for one in (data.pairs, data.daily))
    pairs = pairs.sort_values(["athlete_id", "lab_date", "lab_test_id"])
    own = own.sort_values(["athlete_id", "date"])
    columns = [
        frame[["athlete_id", column]].set_axis(["athlete_id", "value"], axis=1)
        for frame, column in ((pairs, "lab"), (pairs, "field"), (own, "field"))
    ]
    told = pd.concat(columns, ignore_index=True)
    told["value"] = told["value"].astype(np.float64).round(DECIMALS)
    series = told.groupby("athlete_id")["value"].agg(tuple)
    long = series[[len(s) >= FEWEST_NUMBERS and len(set(s)) >= FEWEST_DISTINCT for s in series]]
    return bool(long.duplicated().any())
