"""Bias and limits of one method for everybody and for the groups that a reader asks about."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.arrays import Flags, Floats, Ints
from agreement.stats.limits.limits import FEWEST_FOR_SD, StudyLimits, limits_by_athlete
from agreement.stats.method_data import TOO_FEW, MethodData, pair_keys, too_few_athletes
from agreement.stats.record import declared, recorded
from agreement.stats.result import Result, Row, TableRows, in_group, told_rows

LIMITS: Final = declared("""
    bias: bias
      Mean of field minus laboratory: above zero the field value reads high.
      = mean of d, of athletes' means where they have several pairs; interval by Student's t | Bland
      & Altman 1986; 2007
    sd_of_differences: standard deviation s of differences / standard deviation
      How far the differences of single readings scatter about the bias.
      = of d, on n - 1; between and within athletes where they have several pairs; interval by
      chi-square, or MOVER | Bland & Altman 1986; 2007
    lower_limit: lower limit of agreement / lower limit
      The difference that only the lowest few of a hundred people lie below (2.5 at 95 %).
      = bias plus and minus z s, z the normal quantile; exact interval (noncentral t), or from the
      intervals of its parts (MOVER) where athletes have several pairs | Bland & Altman 1986;
      Carkeet 2015; Zou 2013
    upper_limit: upper limit of agreement / upper limit
      The difference that only the highest few of a hundred people lie above (2.5 at 95 %).
    """)
BIAS, _, LOWER, UPPER = LIMITS
STATISTICS: Final = tuple(one.name for one in LIMITS)
WhichPairs = slice | Flags | Ints
GROUPS = ("all", "confirmed", "hr_limiting_drug", "no_hr_limiting_drug", "chest_strap")


@dataclass(frozen=True, slots=True)
class Group:
    """A group of pairs: how many, their limits from 3 athletes on, and which pairs they are."""

    name: str
    n: int
    n_pairs: int
    limits: StudyLimits | None
    pairs: frozenset[tuple[str, str]] = frozenset()  # empty where only sums are known


@dataclass(frozen=True, slots=True)
class GroupedLimits(Result):
    """Bias and limits of agreement by group."""

    groups: tuple[Group, ...]  # in the order of `GROUPS`; a group without members has n = 0

    def __getitem__(self, name: str) -> Group:
        """Return the group of that name."""
        return next(group for group in self.groups if group.name == name)

    def _rows(self) -> TableRows:
        return groups_rows(self.groups)

    def members(self) -> dict[str, frozenset[tuple[str, str]]]:
        """Return whose pairs stand in each group, as `agreement.report.privacy` asks."""
        return {group.name: group.pairs for group in self.groups if group.pairs}

    def _finding(self) -> str:
        everyone = self["all"]
        if everyone.limits is None:
            return f"{too_few_athletes(everyone.n)} for bias and limits."
        return everyone.limits.summary()


def group_of(name: str, pairs: pd.DataFrame) -> Group:
    """Bias and limits of some pairs."""
    difference = pairs["field"].to_numpy(np.float64) - pairs["lab"].to_numpy(np.float64)
    return group_at(
        name, slice(None), pairs["athlete_id"].to_numpy(object), difference, pair_keys(pairs)
    )


def group_at(
    name: str,
    rows: WhichPairs,
    athlete: npt.NDArray[Any],
    difference: Floats,
    keys: npt.NDArray[Any],
) -> Group:
    """Bias and limits of the pairs in some rows; `athlete` and `keys` are those of all."""
    codes, ids = pd.factorize(athlete[rows])  # in order where the pairs are
    limits = limits_by_athlete(difference[rows], codes) if len(ids) >= FEWEST_FOR_SD else None
    return Group(name, len(ids), codes.size, limits, frozenset(keys[rows] if keys.size else ()))


def groups_rows(groups: Iterable[Group], *, fewest: int = FEWEST_FOR_SD) -> Iterator[Row]:
    """Yield the rows of all groups; below `fewest` athletes they say too few."""
    for group in groups:
        if group.limits is not None and group.n >= fewest:
            yield from in_group(group.name, group.limits.rows())
        else:
            none = ((name, np.nan) for name in STATISTICS)
            counts = {"n": group.n, "n_pairs": group.n_pairs}
            yield from told_rows(none, **counts, note=TOO_FEW, group=group.name)


def with_coverage(result: Any, coverage: float) -> Any:
    """Return a result whose limits hold another share of differences; where it has groups, each."""
    if not hasattr(result, "groups"):
        return replace(result, coverage=coverage)
    every = (
        one if one.limits is None else replace(one, limits=replace(one.limits, coverage=coverage))
        for one in result.groups
    )
    return replace(result, groups=tuple(every))


def limits_of_agreement_of(data: MethodData) -> GroupedLimits:
    """Bias and limits of one method and mode, for the results table."""
    members: dict[str, WhichPairs] = {
        "all": slice(None),
        "confirmed": data.texts("max_confirmed") == "yes",
        "no_hr_limiting_drug": data.texts("hr_limiting_drug") == "no",
        "chest_strap": data.texts("sensor") == "chest_strap",
    }
    columns = data.athlete, data.difference, data.keys
    found = {name: group_at(name, rows, *columns) for name, rows in members.items()}
    drug = data.everyone["hr_limiting_drug"] == "yes"
    found["hr_limiting_drug"] = group_of("hr_limiting_drug", data.everyone[drug])
    return GroupedLimits(tuple(found[name] for name in GROUPS))


RECORD: Final = recorded(
    "limits_of_agreement, place 10, subset, own section, any size: bias and limits of agreement",
    *LIMITS,
).by(
    limits_of_agreement_of, of_registry=("bias", "sd_of_differences", "lower_limit", "upper_limit")
)
