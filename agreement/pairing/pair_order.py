"""The pairs of all sets of rules in their one order, and the days behind them."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from agreement.pairing.laboratory_units import Units
from agreement.pairing.reading_fates import Part

DAILY_COLUMNS = [
    *("athlete_id", "lab_test_id", "method", "mode", "date", "gap_days", "field", "lab")
]


def sorted_pairs(parts: Sequence[Part], units: Units) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return all pairs in their order, and the days behind them."""
    pairs = pd.concat([part.paired.pairs for part in parts], ignore_index=True)
    starts = np.cumsum([0, *(len(part.paired.pairs) for part in parts)])
    daily = pd.concat(
        [
            part.paired.daily.assign(pair=part.paired.daily["pair"] + start)
            for part, start in zip(parts, starts[:-1], strict=True)
        ],
        ignore_index=True,
    )
    unit = pairs["unit"].to_numpy(np.int64)
    mode, method = (pd.factorize(pairs[name], sort=True)[0] for name in ("mode", "method"))
    order = np.lexsort((units.id_rank[unit], units.athlete[unit], mode, method))
    place = np.empty_like(order)
    place[order] = np.arange(len(order))
    pairs = pairs.iloc[order].reset_index(drop=True)
    at, gap = place[daily["pair"].to_numpy(np.int64)], daily["gap_days"].to_numpy(np.int64)
    order = np.lexsort((-gap, at))
    days = daily[["date", "gap_days", "field"]].iloc[order].reset_index(drop=True)
    of_pair = pairs[["athlete_id", "lab_test_id", "method", "mode", "lab"]].iloc[at[order]]
    return pairs, pd.concat([of_pair.reset_index(drop=True), days], axis=1)[DAILY_COLUMNS]
