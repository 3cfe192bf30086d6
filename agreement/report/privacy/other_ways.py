"""Numbers that would give a withheld group away by another way than sums of its like."""

from collections.abc import Iterable
from itertools import combinations
from typing import Final

import numpy as np
import pandas as pd

from agreement.arrays import Flags
from agreement.report.privacy.privacy import FEWEST_SHOWN, Size, a_few_apart, few
from agreement.stats.catalogue import BY_NAME
from agreement.stats.causes.profiles_two_by_two import two_names
from agreement.stats.record import Privacy

_PLACE: Final = ["method", "mode"]


def told_otherwise(cells: pd.DataFrame, hidden: Flags) -> Flags:
    """
    Return which rows of a results table must go besides the withheld groups.

    What draws on all groups of an analysis, where one of them is withheld; and what sets two profiles
    side by side, where one is; and what compares methods on all people but one to four of one of
    them; and what one to four people less than beside it have; and ends of the data.

    cells: columns `agreement.terms.RESULT_COLUMNS`, whole.
    hidden: the rows that are withheld already.
    """
    out, place = np.zeros(len(cells), dtype=np.bool_), pd.MultiIndex.from_frame(cells[_PLACE])
    for analysis, record in BY_NAME.items():
        if not record.of_all_groups:
            continue
        mine = (cells["analysis"] == analysis).to_numpy()
        gone = mine & hidden & ((cells["group"] != "all") & (cells["n"] > 0)).to_numpy()
        of_all = cells["statistic"].isin(record.of_all_groups) & cells["value"].notna()
        of_nobody = (cells["n"] == 0).to_numpy()
        out |= mine & of_all.to_numpy() & (place.isin(place[gone]) | of_nobody)
    out |= _compared(cells) | _of_few_less(cells) | _of_ends(cells)
    return out | _of_two(cells, hidden | out)


def _of_two(cells: pd.DataFrame, gone: Flags) -> Flags:
    """Return which rows are about two profiles of which one does not show its own bias."""
    told = (cells["analysis"] == "profile_bias") & (cells["statistic"] == "bias")
    told &= cells["value"].notna() & ~gone
    shown = {
        (*place, two_names(*both))
        for place, own in cells[told].groupby(_PLACE)["group"]
        for both in combinations(sorted(own), 2)
    }
    mine = ((cells["analysis"] == "profiles_two_by_two") & cells["value"].notna()).to_numpy()
    names = cells[[*_PLACE, "group"]].itertuples(index=False, name=None)
    return mine & np.array([name not in shown for name in names], dtype=np.bool_)


def ranges_of_few(cells: pd.DataFrame) -> "pd.Series[str]":
    """
    Return the range that stands for each count or share of one to four, or of all but so many; else "".

    That somebody has some trait, or has it not, is told so and no closer, whatever the trait.

    >>> found = pd.DataFrame({"analysis": "error", "statistic": "share_within_margin",
    ...     "value": [0.0, 0.05, 0.5, 0.9], "n": 20.0, "n_pairs": 20.0})
    >>> ranges_of_few(found).tolist()
    ['', '1 to 4 of 20', '', '16 to 19 of 20']
    """
    told = pd.Series("", cells.index)
    for analysis, record in BY_NAME.items():
        for one in record.statistics:
            if one.counts:
                mine = (cells["analysis"] == analysis) & (cells["statistic"] == one.name)
                own = cells[mine & cells["value"].notna()]
                for at, value, whole in own[["value", one.counts]].itertuples():
                    have = round(value * whole) if one.digits else round(value)
                    if (words := few(have, int(whole))) != str(have):
                        told[at] = f"{words} of {int(whole)}"
    return told


def _of_ends(cells: pd.DataFrame) -> Flags:
    """Return which rows are an end of the data, or so close to one that it is a person's value."""
    fewest = {(name, s.name): s.shown_from for name, one in BY_NAME.items() for s in one.statistics}
    places = zip(cells["analysis"], cells["statistic"], strict=True)
    enough = np.array([fewest.get((str(a), str(s)), 0.0) for a, s in places])
    return (cells["n"] < enough).to_numpy(dtype=np.bool_)


def _of_few_less(cells: pd.DataFrame) -> Flags:
    """Return which rows are of one to four people less than others of their line that count no trait."""
    counting = {(name, s.name) for name, one in BY_NAME.items() for s in one.statistics if s.counts}
    places = zip(cells["analysis"], cells["statistic"], strict=True)
    known = cells["value"].notna()
    others = known & pd.Series([place not in counting for place in places], cells.index, dtype=bool)
    line = [cells[name].astype(str) for name in ("analysis", *_PLACE, "group")]
    most = cells["n"].where(others).groupby(line).transform("max")
    return (known & (most - cells["n"]).between(1, FEWEST_SHOWN - 1)).to_numpy(dtype=np.bool_)


def _compared(cells: pd.DataFrame) -> Flags:
    """Return which rows compare methods on all people or tests but those of a few of one of them."""
    names = [n for n, one in BY_NAME.items() if one.privacy is Privacy.COMPARES_METHODS]
    whole = (cells["analysis"] == "limits_of_agreement") | cells["analysis"].isin(names)
    whole &= (cells["group"] == "all") & (cells["n"] > 0)
    known: dict[tuple[str, str], set[Size]] = {}  # of one method: all it has, and what all share
    sizes = [(int(n), int(n_pairs)) for n, n_pairs in cells[["n", "n_pairs"]].fillna(0).to_numpy()]
    places = list(zip(cells["method"], cells["mode"], sizes, strict=True))
    for method, mode, size in (place for place, told in zip(places, whole, strict=True) if told):
        known.setdefault((str(method), str(mode)), set()).add(size)
    return np.array(
        [
            analysis in names
            and any(
                a_few_apart(size, other)
                for side in _sides(method)
                for other in known.get((side, mode), ())
            )
            for analysis, (method, mode, size) in zip(cells["analysis"], places, strict=True)
        ],
        dtype=np.bool_,
    )


def _sides(method: str) -> Iterable[str]:
    """Return the methods that a row is about; of 'A vs B' both."""
    return (method, *method.split(" vs "))
