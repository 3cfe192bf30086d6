"""Bias and limits of parts of the pairs: by the choices papers differ in, and by kinds of people."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.stats.causes.wrong_inputs import wrong_inputs
from agreement.stats.limits.limits_of_agreement import (
    LIMITS,
    Group,
    group_at,
    group_of,
    groups_rows,
)
from agreement.stats.method_data import MethodData, NotEstimable
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows
from agreement.terms import NOT_ENOUGH_DATA, SEXES

FEWEST_OF_A_PART: Final = 5  # athletes from which a part has a bias; its limits come from 10 on
AGES: Final = ((0, 12), (13, 17), (18, 39), (40, 64), (65, None))  # years; common practice
FORTNIGHT: Final = 14  # days
RIGHT_INPUTS: Final = "without_wrong_inputs"


@dataclass(frozen=True, slots=True)
class Subsets(Result):
    """Bias and limits of agreement of parts of the pairs."""

    what: str  # how the parts were chosen, in words
    groups: tuple[Group, ...]  # those that hold anybody

    def _rows(self) -> TableRows:
        return groups_rows(self.groups, fewest=FEWEST_OF_A_PART)

    def members(self) -> dict[str, frozenset[tuple[str, str]]]:
        """Return whose pairs stand in each part."""
        return {group.name: group.pairs for group in self.groups}

    def _finding(self) -> str:
        told = [
            f"{group.name.replace('_', ' ')} {group.limits.bias:.1f}"
            for group in self.groups
            if group.limits is not None and group.n >= FEWEST_OF_A_PART
        ]
        return f"Bias by {self.what}, in mL/kg/min: {'; '.join(told) or 'too few athletes'}."


def age_name(low: int, high: int | None) -> str:
    """
    Return the group's name of an age band.

    >>> age_name(18, 39), age_name(65, None)
    ('18_to_39_years', '65_years_and_older')
    """
    return f"{low}_years_and_older" if high is None else f"{low}_to_{high}_years"


def choice_of_pairs_of(data: MethodData) -> Subsets:
    """
    Bias and limits under the choices of pairs that papers differ in.

    `without_largest_difference` leaves out the athlete whose difference lies farthest from the
    median: how much one person moves the limits, not a reason to leave anybody out.
    `without_wrong_inputs` leaves out pairs whose estimator is known to have been told a body mass or a
    maximal heart rate that the laboratory does not confirm; what nobody recorded counts as right.
    """
    tests = np.unique(data.texts("lab_test_id"), return_inverse=True)[1]
    order = np.lexsort((tests, data.day))
    first = np.unique(data.athlete[order], return_index=True)[1]
    difference = data.pairs["difference"].to_numpy(dtype=np.float64)
    apart = np.abs(difference - np.median(difference)) if data.n else difference
    farthest = data.athlete[apart.argmax()] if data.n else -1
    return _parts(
        "choice of pairs",
        data,
        {
            "first_pair_of_each": order[np.sort(first)],
            "without_borderline_profiles": data.texts("profile_borderline") != "yes",
            "without_largest_difference": data.athlete != farthest,
            RIGHT_INPUTS: ~wrong_inputs(data.pairs).to_numpy(dtype=bool),
        },
    )


def fortnight_name(number: int) -> str:
    """
    Return the group's name of a fortnight; names sort as time goes.

    >>> fortnight_name(0), fortnight_name(3)
    ('days_000_to_013', 'days_042_to_055')
    """
    first = FORTNIGHT * number
    return f"days_{first:03d}_to_{first + FORTNIGHT - 1:03d}"


def age_bands(age_years: "pd.Series[float]") -> "pd.Series[str]":
    """Return the name of each age's band; NaN where the age is not known."""
    age = np.floor(age_years.to_numpy(dtype=np.float64))
    inside = [(age >= low) & (age <= (np.inf if high is None else high)) for low, high in AGES]
    place = np.where(np.any(inside, axis=0), np.argmax(inside, axis=0), -1)
    names = pd.array([age_name(low, high) for low, high in AGES], dtype="str")
    return pd.Series(names.take(place, allow_fill=True), index=age_years.index)


def by_age_of(data: MethodData) -> Subsets:
    """Bias and limits of one method and mode by age band."""
    bands = age_bands(data.pairs["age_years"])
    names = [age_name(low, high) for low, high in AGES]
    return _parts("age", data, {name: (bands == name).to_numpy(bool) for name in names})


def by_fortnight_of(data: MethodData) -> Subsets:
    """Bias and limits by fortnight of the laboratory test, counted from the study's first pair."""
    number = data.day // FORTNIGHT
    members = {fortnight_name(int(k)): number == k for k in np.unique(number)}
    return _parts("fortnight of the laboratory test", data, members)


def pairing_rule_of(data: MethodData) -> Subsets:
    """Bias and limits when the readings are paired by other rules: window and summary."""
    if not data.other_rules:
        raise NotEstimable("other pairing rules were not tried.")
    return _told("pairing rule", (group_of(*one) for one in data.other_rules.items()))


def limits_by_rule_of(data: MethodData) -> Subsets:
    """
    Bias and limits of the same pairs under every averaging rule of the laboratory.

    Only pairs whose laboratory value is that of one test with breaths, and only tests that every rule
    can serve, so that all rules have the same people; the field values stay.
    """
    tests = data.averaging
    if tests is None or tests.empty:
        raise NotEstimable("no paired test has breaths.")
    under = tests.pivot_table(index="lab_test_id", columns="rule", values="vo2max").dropna()
    chosen = tests[tests["rule"] == tests["in_use"]].set_index("lab_test_id")["vo2max"]
    place = pd.Index(under.index.to_numpy(dtype=object)).get_indexer(
        pd.Index(data.texts("lab_test_id"))
    )
    in_use = chosen.reindex(under.index).to_numpy(dtype=np.float64)
    rows = np.flatnonzero(place >= 0)
    rows = rows[np.isclose(data.lab[rows], in_use[place[rows]], atol=1e-6, rtol=0)]
    if not rows.size:
        raise NotEstimable("no paired value is that of one test with breaths.")
    athlete, keys = data.athlete[rows], data.keys[rows]
    under_each = zip(under.columns, under.to_numpy(dtype=np.float64).T, strict=True)
    differences = {str(rule): data.field[rows] - lab[place[rows]] for rule, lab in under_each}
    every = slice(None)
    groups = (group_at(rule, every, athlete, d, keys) for rule, d in differences.items())
    return _told("averaging rule", groups)


def borderline_moved_of(data: MethodData) -> Subsets:
    """Bias and limits by training profile, borderline tests moved to the profile next door."""
    tests, profiles = data.texts("lab_test_id"), data.texts("training_profile")
    if not any(test in data.next_door for test in tests):
        raise NotEstimable("no training profile is borderline.")
    moved = np.array(
        [data.next_door.get(*one) for one in zip(tests, profiles, strict=True)], dtype=object
    )
    names = sorted({name for name in moved if isinstance(name, str)} - {NOT_ENOUGH_DATA})
    return _parts(
        "training profile, borderline tests moved", data, {name: moved == name for name in names}
    )


def _parts(what: str, data: MethodData, members: Mapping[str, npt.NDArray[Any]]) -> Subsets:
    """Return the groups in these rows that hold anybody."""
    columns = data.athlete, data.difference, data.keys
    return _told(what, (group_at(name, at, *columns) for name, at in members.items() if at.size))


def _told(what: str, groups: Iterable[Group]) -> Subsets:
    kept = tuple(group for group in groups if group.n)
    if not kept:
        raise NotEstimable(f"no pair can be counted by {what}.")
    return Subsets(what, kept)


_RECORDED: Final[dict[str, Callable[[MethodData], Subsets]]] = {
    "choice_of_pairs, place 190, subset, own section: limits by choice of pairs": choice_of_pairs_of,
    "borderline_moved, place 210, partition, own section: "
    "limits by profile, borderline tests moved": borderline_moved_of,
    "by_sex, place 220, partition, own section: limits by sex": lambda data: _parts(
        "sex", data, {sex: data.texts("sex") == sex for sex in SEXES}
    ),
    "by_age, place 230, partition, own section: limits by age": by_age_of,
    "by_fortnight, place 340, partition, own section: limits by fortnight": by_fortnight_of,
    "pairing_rule, place 380, subset, own section: limits by pairing rule": pairing_rule_of,
}
RECORDS: Final = (
    *(recorded(said, *LIMITS).by(compute) for said, compute in _RECORDED.items()),
    recorded("limits_by_rule, place 335, subset: limits by averaging rule", *LIMITS).by(
        limits_by_rule_of, shown_in=("squad", "validation")
    ),
)
