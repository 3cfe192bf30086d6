"""Numbers of everybody that would tell of a few by how the pairs lie: by sign, side, axis or label."""

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

import pandas as pd

from agreement.arrays import DECIMALS
from agreement.report.privacy.privacy import FEWEST_SHOWN
from agreement.report.privacy.sums import Pair, told_by_others
from agreement.stats.basics.on_few import rests_on_few
from agreement.stats.catalogue import BY_NAME

if TYPE_CHECKING:
    from agreement.stats.method_results import MethodResults

Place = tuple[str, str]  # method, mode
Name = tuple[str, ...]  # analysis, method, mode, group; of one number of it also the statistic


def few_out_of_step(results: pd.DataFrame, pairs: Mapping[Place, pd.DataFrame]) -> set[Name]:
    """
    Return the groups whose means weigh every pair alike, where a few have more or fewer than all others.

    Beside a mean that weighs every athlete alike it would tell theirs.

    results: columns `agreement.terms.RESULT_COLUMNS`.
    """
    weighing = results[results["analysis"].isin([n for n, a in BY_NAME.items() if a.weighs_pairs])]
    columns = (weighing[name].astype("str") for name in ("analysis", "method", "mode", "group"))
    few = set(_of_few_out_of_step(pairs))
    return {name for name in zip(*columns, strict=True) if name[1:3] in few}


def few_by_pair(pairs: Mapping[Place, pd.DataFrame]) -> set[Name]:
    """Return the mean sizes and squares of d by pair, where a few have more or fewer than all others."""
    names = [(a.name, s.name) for a in BY_NAME.values() for s in a.statistics if s.by_pair]
    few = _of_few_out_of_step(pairs)
    return {(analysis, *place, "all", statistic) for place in few for analysis, statistic in names}


def _of_few_out_of_step(pairs: Mapping[Place, pd.DataFrame]) -> list[Place]:
    each = ((place, out_of_step(own["athlete_id"])) for place, own in pairs.items())
    return [place for place, people in each if 0 < people < FEWEST_SHOWN]


def out_of_step(athletes: Iterable[str]) -> int:
    """Return how many athletes have another number of pairs than most; `athletes` of each pair."""
    people = Counter(Counter(athletes).values())  # by how many pairs they have
    return people.total() - max(people.values(), default=0)


def few_within(pairs: Mapping[Place, pd.DataFrame], margin: float | None) -> set[Name]:
    """Return the shares within the margin of which many pairs, or many beyond, are those of a few."""
    found: set[Name] = set()
    for place, own in pairs.items() if margin is not None else ():
        inside = (own["field"] - own["lab"]).abs().round(DECIMALS) <= margin
        if _many_of_few(inside.set_axis(own["athlete_id"])):
            found.add(("error", *place, "all", "share_within_margin"))
    return found


def few_on_a_line(pairs: Mapping[Place, pd.DataFrame]) -> set[Name]:
    """
    Return the numbers that rest on how one to four people differ from all others.

    The slope on a body mass that one was told wrongly is his difference less the mean of the others,
    over what he was told; so is a part of the spread that a sensor explains which he alone wears.

    pairs: a column athlete_id, and those that the records name.
    """
    resting = [(a.name, s) for a in BY_NAME.values() for s in a.statistics if s.rests_on]
    columns = {column for _, one in resting for column in one.rests_on}
    found: set[Name] = set()
    for place, own in pairs.items():
        few = {x for x in columns if rests_on_few(own[x], own["athlete_id"], FEWEST_SHOWN)}
        found |= {(name, *place, "all", one.name) for name, one in resting if few & {*one.rests_on}}
    return found


def few_of_a_sign(pairs: Mapping[Place, pd.DataFrame]) -> set[Name]:
    """
    Return the numbers of d without its sign that would tell of a few, each as group and statistic.

    Half the sum of such a mean and the bias, times the pairs, is the sum of the positive d: where one
    to four athletes have any, theirs.

    pairs: columns athlete_id, field and lab.
    """
    names = [(a.name, s.name) for a in BY_NAME.values() for s in a.statistics if s.by_sign]
    found: set[Name] = set()
    for place, own in pairs.items():
        d = own["field"] - own["lab"]
        if any(_of_few(own.loc[side, "athlete_id"]) for side in (d > 0.0, d < 0.0)):
            found |= {(analysis, *place, "all", statistic) for analysis, statistic in names}
    return found


def few_of_a_side(methods: "Iterable[MethodResults]") -> set[Name]:
    """
    Return the other shares of which five or more are those of a few people, or which leave a few out.

    Of fewer the number itself tells: see `agreement.report.privacy.other_ways.ranges_of_few`. How many
    are left out stands in the note.
    """
    return {
        (analysis, one.method, one.mode, "all", statistic)
        for one in methods
        for analysis, result in one.items()
        if hasattr(result, "sides")
        for statistic, side in result.sides().items()
        if _of_few(side.index[side.isna()]) or _many_of_few(side.dropna().astype(bool))
    }


def few_by_rule(methods: "Iterable[MethodResults]") -> set[Name]:
    """
    Return the pairing rules that would tell the values or pairs of a few, beside the study's own.

    Where rules give all but a few the same values, the difference of their biases, times the athletes,
    is what the readings of these few differ by; so it is with sums of several rules.
    """
    found = set[Name]()
    for one in methods:
        rules = {rule: _values(pairs) for rule, pairs in one.data.other_rules.items()}
        gone = told_by_others({"": _values(one.data.pairs), **rules}) - {""}
        found |= {("pairing_rule", one.method, one.mode, rule) for rule in gone}
    return found


def _values(pairs: pd.DataFrame) -> frozenset[Pair]:
    """Return the pairs of a rule; one that another rule gives another value is another there."""
    columns = (pairs["athlete_id"], pairs["lab_test_id"], pairs["field"].round(DECIMALS))
    return frozenset((who, f"{test} {field}") for who, test, field in zip(*columns, strict=True))


def _many_of_few(side: "pd.Series[bool]") -> bool:
    """Tell whether five or more that are counted, or that are not, are of one to four athletes."""
    have = (side.index[side], side.index[~side])
    return any(len(who) >= FEWEST_SHOWN and _of_few(who) for who in have)


def _of_few(who: "pd.Series[str] | pd.Index[str]") -> bool:
    return 0 < who.nunique() < FEWEST_SHOWN
