"""
Which groups of a results table must not be shown, so that no few people follow from the others.

A group is a set of pairs. Whoever knows the mean of some groups and their sizes knows the mean of
every set that is a sum or a difference of them: of what is left when one is taken out of another, or
several out of the whole. No such set may hold fewer than five people.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from agreement.report.privacy.by_pairs import (
    Name,
    Place,
    few_by_pair,
    few_by_rule,
    few_of_a_side,
    few_of_a_sign,
    few_on_a_line,
    few_out_of_step,
    few_within,
    out_of_step,
)
from agreement.report.privacy.privacy import FEWEST_SHOWN, Size, a_few_apart, hidden_parts
from agreement.report.privacy.sums import (
    Pair,
    differ_by_few,
    few_of_sums,
    held_pairs,
    told_by_others,
)
from agreement.report.privacy.threshold_readings import OF_READINGS, GroupKey, hidden_readings
from agreement.stats.catalogue import BY_NAME
from agreement.stats.laboratory_results import LABORATORY
from agreement.stats.record import Privacy
from agreement.stats.repeats.thresholds import Thresholds

if TYPE_CHECKING:
    from agreement.scale.registry_results import RegistryResults
    from agreement.stats.method_results import MethodResults
    from agreement.stats.results_table import StudyResults

WHOLE: Final = ("limits_of_agreement", "all")
DRUG: Final = ("limits_of_agreement", "hr_limiting_drug")
_SUBSETS: Final = (Privacy.SUBSET, Privacy.READINGS)
_BY_GROUP: Final = (Privacy.PARTITION, *_SUBSETS, Privacy.NESTED)

Members = Mapping[GroupKey, frozenset[Pair]]


def small_groups(
    results: "StudyResults | RegistryResults", everybody: Mapping[Place, pd.DataFrame] | None = None
) -> list[Name]:
    """
    Return the groups of a study's results that leave no house, by who stands in them.

    everybody: all pairs, where those of `results` are a sample: some numbers are of these, some of those,
        and who stands in a group is not known.
    """
    methods, frame = results.methods, results.frame
    members = members_of(methods) if everybody is None else None
    groups = hidden_groups(frame, members, _readings(results), _asked(results))
    pairs = {(one.method, one.mode): one.data.pairs for one in methods}
    margin = next((one.data.options.margin.limit for one in methods), None)
    for counted in (pairs, everybody or {}):
        groups |= few_of_a_sign(counted) | few_by_pair(counted) | few_within(counted, margin)
        groups |= few_out_of_step(frame, counted)
    return sorted(groups | few_on_a_line(pairs) | few_of_a_side(methods) | few_by_rule(methods))


def without_traits(results: "StudyResults") -> set[Place]:
    """Return the methods of whose people no trait may be counted, for it is counted beside another."""
    sizes, members = _sizes(results.frame), members_of(results.methods)
    hidden = _hidden_within(sizes, members, _readings(results))
    return _beside_others(sizes, members, _asked(results), hidden)


def _readings(results: "StudyResults | RegistryResults") -> dict[Place, pd.DataFrame]:
    return {
        (LABORATORY, mode): found.frame
        for (_, mode), found in results.beside.items()
        if isinstance(found, Thresholds)
    }


def _asked(results: "StudyResults | RegistryResults") -> set[str]:
    return {name for one in results.methods for name in one.data.options.study.compares}


def members_of(methods: "Iterable[MethodResults]") -> dict[Place, Members]:
    """Return who stands behind the groups of each method and mode, where results tell it."""
    found: dict[Place, Members] = {}
    for one in methods:
        found[one.method, one.mode] = {
            (name, group): pairs
            for name, result in one.items()
            if hasattr(result, "members")
            for group, pairs in result.members().items()
        }
    return found


def hidden_groups(
    results: pd.DataFrame,
    members: Mapping[Place, Members] | None = None,
    readings: Mapping[Place, pd.DataFrame] | None = None,
    asked: Collection[str] = (),
) -> set[Name]:
    """
    Return analysis, method, mode and group of the rows of a results table that must not be shown.

    results: whole: of rows that are gone nothing can be judged.
    members: as `members_of` gives; without, sizes alone must do, and more is withheld.
    readings: `Thresholds.frame` of the laboratory's own places; without, sizes alone must do.
    asked: methods that the study is about: of two that cannot both show a trait, one of these does.
    """
    sizes = _sizes(results)
    hidden = _hidden_within(sizes, members or {}, readings or {})
    for place in _beside_others(sizes, members or {}, asked, hidden):
        held = (group for group, (n, _) in sizes[place].items() if n)
        hidden |= {(name, *place, group) for name, group in held if _by_trait(name, group)}
    return hidden


def _sizes(results: pd.DataFrame) -> dict[Place, dict[GroupKey, Size]]:
    """Return how large each group of a results table is."""
    columns = (results[name] for name in ("method", "mode", "analysis", "group", "n", "n_pairs"))
    sizes: dict[Place, dict[GroupKey, Size]] = {}
    for method, mode, analysis, group, *counts in zip(*columns, strict=True):
        own = sizes.setdefault((method, mode), {})
        n, n_pairs = (0 if np.isnan(count) else int(count) for count in counts)
        own[analysis, group] = max(own.get((analysis, group), (0, 0)), (n, n_pairs))
    return sizes


def _hidden_within(
    sizes: Mapping[Place, Mapping[GroupKey, Size]],
    members: Mapping[Place, Members],
    readings: Mapping[Place, pd.DataFrame],
) -> set[Name]:
    """Return what must not be shown beside numbers of the same method and mode."""
    hidden: set[Name] = set()
    for place, own in sizes.items():
        gone, rest = set[GroupKey](), own
        if (frame := readings.get(place)) is not None:
            rest = {group: size for group, size in own.items() if group[0] not in OF_READINGS}
            gone = hidden_readings(frame)
        gone |= withheld(rest, members.get(place))
        hidden |= {(analysis, *place, group) for analysis, group in gone}
    return hidden


def _by_trait(analysis: str, group: str) -> bool:
    """Tell whether a group is of those of a method who have something that is theirs in all methods."""
    is_parted = analysis == WHOLE[0] or BY_NAME[analysis].privacy is Privacy.PARTITION
    return is_parted and group != "all"


def _beside_others(
    sizes: Mapping[Place, Mapping[GroupKey, Size]],
    members: Mapping[Place, Members],
    asked: Collection[str],
    hidden: Collection[Name],
) -> set[Place]:
    """
    Return the methods that show no group by a trait, for beside another's it would tell that of a few.

    The women of one method less those of another are the women among those who have but the one
    value: of two people, that both are women; and they may be those who take a drug. So it is with
    those under a drug who stand beside the others, unless they are hidden.
    """
    wholes = {place: own[WHOLE] for place, own in sizes.items() if WHOLE in own}
    known = [place for place, (n, _) in wholes.items() if n >= FEWEST_SHOWN]
    stay = sorted(known, key=lambda one: (one[0] not in asked, -wholes[one][0], one))
    if all(WHOLE in members.get(place, ()) for place in stay):
        counted = {place: members[place][WHOLE] for place in stay}
        drug = {
            p: members[p].get(DRUG, frozenset())
            for p in stay
            if (DRUG[0], *p, DRUG[1]) not in hidden
        }
        everyone = {place: own | drug.get(place, frozenset()) for place, own in counted.items()}
        return told_by_others(counted) | told_by_others(everyone)
    gone = set[Place]()
    for k, place in enumerate(stay):
        others = (wholes[one] for one in stay[:k] if one not in gone)
        if any(a_few_apart(wholes[place], other) for other in others):
            gone.add(place)
    return gone


def withheld(sizes: Mapping[GroupKey, Size], members: Members | None = None) -> set[GroupKey]:
    """
    Return the groups of one method and mode that must not be shown.

    sizes: of every analysis of the table.
    members: who they are, where that is known. Of the others only sizes and the privacy kind are:
        they are withheld when they might differ from another group by one to four people.
    """
    of_one = {name for name, one in BY_NAME.items() if one.privacy is Privacy.ONE_PERSON}
    hidden = {
        group for group, (n, _) in sizes.items() if 0 < n < FEWEST_SHOWN or group[0] in of_one
    }
    if 0 < _out_of_step(sizes.get(WHOLE, (0, 0)), (members or {}).get(WHOLE)) < FEWEST_SHOWN:
        hidden |= {group for group in sizes if BY_NAME[group[0]].weighs_pairs}
    known = {
        group: pairs
        for group, pairs in (members or {}).items()
        if pairs and group in sizes and group not in hidden
    }
    hidden |= _followed(known) | _few_in_part(known)
    told = {analysis for analysis, _ in members or {}}
    unknown = [
        group
        for group, (n, _) in sizes.items()
        if n and group[0] not in told and BY_NAME[group[0]].privacy in _BY_GROUP
    ]
    whole = sizes.get(WHOLE, (0, 0))
    for analysis in dict.fromkeys(name for name, _ in unknown):
        own = {group: sizes[name, group] for name, group in unknown if name == analysis}
        hidden |= {(analysis, group) for group in _by_kind(own, whole, BY_NAME[analysis].privacy)}
    if WHOLE not in sizes:
        hidden |= _apart_without_whole(unknown, sizes)
    return hidden | _too_alike(unknown, sizes, hidden)


def _out_of_step(whole: Size, pairs: frozenset[Pair] | None) -> int:
    """Return how many athletes have another number of pairs than most; by sizes, at least so many."""
    if pairs:
        return out_of_step(athlete for athlete, _ in pairs)
    n, n_pairs = whole
    return abs(n_pairs - n * round(n_pairs / n)) if n else 0


def _few_in_part(members: Members) -> set[GroupKey]:
    """
    Return the groups that hold some pairs, not all, of one to four people, where all have as many.

    Twice the people less the pairs would count them: those who were told a wrong mass once of twice.
    """
    each = Counter(athlete for athlete, _ in members.get(WHOLE, ()))
    found = set[GroupKey]()
    for group, pairs in members.items() if len({*each.values()}) == 1 else ():
        own = Counter(athlete for athlete, _ in pairs)
        if 0 < sum(own[one] < each[one] for one in own) < FEWEST_SHOWN:
            found.add(group)
    return found


def _by_kind(sizes: Mapping[str, Size], whole: Size, kind: Privacy) -> set[str]:
    """Return the groups of one analysis that its kind alone forbids."""
    hidden = {group for group in sizes if group == "all" and a_few_apart(sizes[group], whole)}
    parts = {group: size for group, size in sizes.items() if group != "all"}
    if kind is Privacy.PARTITION:
        athletes = {group: n for group, (n, _) in parts.items()}
        return hidden | hidden_parts(athletes, whole[0] or np.nan)
    if kind in _SUBSETS:
        return hidden | {group for group, size in parts.items() if a_few_apart(size, whole)}
    last: Size = (0, 0)
    for size, group in sorted((size, group) for group, size in parts.items()):
        if 0 < size[0] < FEWEST_SHOWN or a_few_apart(size, last):  # the smallest of a chain stays
            hidden.add(group)
        else:
            last = size
    return hidden


def _apart_without_whole(
    unknown: Iterable[GroupKey], sizes: Mapping[GroupKey, Size]
) -> set[GroupKey]:
    """Return groups that differ by a few from one that is shown; no whole says of whom they are."""
    some = [group for group in unknown if BY_NAME[group[0]].privacy in _SUBSETS]
    shown: set[Size] = set()
    found: set[GroupKey] = set()
    for group in sorted(some, key=lambda one: (-sizes[one][0], BY_NAME[one[0]].place, one)):
        if any(a_few_apart(sizes[group], size) for size in shown):
            found.add(group)
        else:
            shown.add(sizes[group])
    return found


def _too_alike(
    unknown: Iterable[GroupKey], sizes: Mapping[GroupKey, Size], hidden: set[GroupKey]
) -> set[GroupKey]:
    """Return groups that may differ by one to four people from a group of another analysis."""
    others = [
        group for group in sizes if group[1] != "all" and BY_NAME[group[0]].privacy in _BY_GROUP
    ]
    found: set[GroupKey] = set()
    for mine in sorted(unknown, key=lambda group: (sizes[group], group)):
        gone = hidden | found
        if mine[1] != "all" and mine not in gone:
            names = set(BY_NAME[mine[0]].names)
            unlike = (
                one
                for one in others
                if one not in gone
                and one[0] != mine[0]
                and names.intersection(BY_NAME[one[0]].names)
            )
            if any(a_few_apart(sizes[mine], sizes[theirs]) for theirs in unlike):
                found.add(mine)
    return found


def _followed(members: Members) -> set[GroupKey]:
    """
    Return the groups to withhold so that no few people follow from those that stay.

    Of those that tell together, the analysis goes that stands last in the table, and of its groups
    the smallest. Groups of the same pairs stay or go together, and never the whole.
    """
    alike: dict[frozenset[Pair], list[GroupKey]] = {}
    for group in sorted(members, key=lambda one: (BY_NAME[one[0]].place, one)):
        alike.setdefault(members[group], []).append(group)
    ranked = sorted(
        alike.items(), key=lambda item: (-BY_NAME[item[1][0][0]].place, len(item[0]), item[1])
    )
    ranks = {groups[0]: pairs for pairs, groups in ranked if WHOLE not in groups}
    if WHOLE in members:
        ranks[WHOLE] = members[WHOLE]
    shown, whose = held_pairs(ranks)
    holds, gone = dict(shown), list[GroupKey]()
    while (found := few_of_sums(shown, whose)) and found[0] != WHOLE:
        gone.append(found[0])
        del shown[found[0]]
    for group in sorted(gone, key=list(ranks).index, reverse=True):
        if differ_by_few(holds[group], shown.values(), whose):
            continue
        if not few_of_sums(shown | {group: holds[group]}, whose):  # what went after it is enough
            shown[group] = holds[group]
    return {one for group in ranks.keys() - shown.keys() for one in alike[ranks[group]]}
