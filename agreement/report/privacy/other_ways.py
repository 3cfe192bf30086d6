"""Numbers that would give a withheld group away by another way than sums of its like."""

from collections.abc import Iterable
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.report.privacy.privacy import FEWEST
from agreement.stats.catalogue import BY_NAME
from agreement.stats.record import Privacy

# deviations from the mean of all groups: with one of them withheld, they and the others give it
_FROM_ALL_GROUPS: Final = {"profile_bias": ("difference_from_overall", "p_difference")}
_PLACE: Final = ["method", "mode"]
Mask = npt.NDArray[np.bool_]


def told_otherwise(cells: pd.DataFrame, hidden: Mask) -> Mask:
    """
    Return which rows of a results table must go besides the withheld groups.

    Deviations from the mean of all groups, where one of the groups is withheld; and what compares
    methods on all people but one to four of one of them.

    Parameters
    ----------
    cells : DataFrame
        Columns `agreement.terms.RESULT_COLUMNS`, whole.
    hidden : ndarray of bool
        The rows that are withheld already.
    """
    out = np.zeros(len(cells), dtype=np.bool_)
    for analysis, statistics in _FROM_ALL_GROUPS.items():
        own = (cells["analysis"] == analysis).to_numpy()
        counted = own & hidden & ((cells["group"] != "all") & (cells["n"] >= FEWEST)).to_numpy()
        places = set(zip(*(cells.loc[counted, name] for name in _PLACE), strict=True))
        here = [place in places for place in zip(*(cells[n] for n in _PLACE), strict=True)]
        out |= own & np.array(here, dtype=np.bool_) & cells["statistic"].isin(statistics).to_numpy()
    return out | _compared(cells)


def _compared(cells: pd.DataFrame) -> Mask:
    """Return which rows compare methods on all people but a few of one of them."""
    whole = cells[(cells["analysis"] == "limits_of_agreement") & (cells["group"] == "all")]
    sizes = {
        (str(method), str(mode)): float(own["n"].max())
        for (method, mode), own in whole.groupby(_PLACE)
    }
    names = [n for n, one in BY_NAME.items() if one.privacy is Privacy.COMPARES_METHODS]
    columns = (cells[name] for name in ("analysis", "method", "mode", "n"))
    return np.array(
        [
            analysis in names
            and any(0 < abs(n - sizes.get((side, mode), n)) < FEWEST for side in _sides(method))
            for analysis, method, mode, n in zip(*columns, strict=True)
        ],
        dtype=np.bool_,
    )


def _sides(method: str) -> Iterable[str]:
    """Return the methods that a row is about; of 'A vs B' both."""
    return (method, *method.split(" vs "))
