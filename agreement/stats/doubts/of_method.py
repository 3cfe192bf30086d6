"""What could make the verdict on one method wrong, in the order of weight; nothing names a person."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from agreement.arrays import DECIMALS
from agreement.stats.basics.clusters import clusters
from agreement.stats.doubts.odd_columns import odd_values, other_mode
from agreement.stats.doubts.twins import REPEAT_ABOVE
from agreement.stats.limits.limits import FEW_FOR_REPORTS
from agreement.stats.method_data import MethodData
from agreement.stats.repeats.laboratory_variance import repeated_units
from agreement.stats.verdict.cautions import Caution, caution
from agreement.stats.verdict.plausible import (
    COPIED_SERIES,
    FIELD_EQUALS_LABORATORY,
    NO_MAXIMUM,
    implausible,
)
from agreement.stats.verdict.verdict import Verdict, outcome_without
from agreement.stats.verdict.yardsticks import TRUE_VALUE
from agreement.terms import counted

FAR_OUT: Final = 3.0  # SD of the others, beyond which two athletes are left out together
FARTHEST: Final = 3  # athletes left out in turn: those farthest off, in differences or repeats
EQUAL_WITHIN: Final = 0.05  # mL/kg/min: differences that close to one another are no measurements
_IMPLAUSIBLE: Final = (NO_MAXIMUM, FIELD_EQUALS_LABORATORY, COPIED_SERIES)


def doubts_of(data: MethodData, verdict: Verdict | None) -> tuple[Caution, ...]:
    """
    Say what could make the verdict on one method and mode wrong.

    verdict: what it says on these pairs.
    Returns: empty where nothing speaks against the verdict. Codes: no_maximum,
        field_equals_laboratory, copied_series (the verdict then says so itself); constant_device,
        no_relation, field_is_laboratory, bias_beyond, equal_differences, other_mode, two_bodies,
        one_athlete.
    """
    if not data.n:
        return ()
    code = implausible(data)
    found = [caution(code)] if code else []
    people = data.pairs.groupby("athlete_id")[["lab", "field", "difference"]].mean()
    odd = [*odd_values(people, data.pairs, sure=False), *other_mode(data.pairs, data.mode)]
    found += [Caution(one.code, one.what) for one in odd]
    if data.n >= FEW_FOR_REPORTS and np.ptp(data.difference) <= EQUAL_WITHIN:
        found.append(caution("equal_differences", n=data.n_pairs))
    return (*found, *_repeats(data), *_one_athlete(data, verdict))


def _repeats(data: MethodData) -> Iterator[Caution]:
    """Two tests of one laboratory unit that one person cannot have done."""
    (unit, _), lab = repeated_units(data), data.repeats["lab"].to_numpy(dtype=np.float64)
    size = np.bincount(unit)
    high, low = np.full(size.size, -np.inf), np.full(size.size, np.inf)
    np.maximum.at(high, unit, lab)
    np.minimum.at(low, unit, lab)
    apart = high - low
    far = apart > REPEAT_ABOVE[1] * np.bincount(unit, lab) / size
    count = int(np.count_nonzero(far & (apart > REPEAT_ABOVE[0])))
    if count:
        repeats, lie = counted(count, "repeat"), "lies" if count == 1 else "lie"
        yield caution("two_bodies", repeats=repeats, lie=lie, apart=apart.max())


def _one_athlete(data: MethodData, verdict: Verdict | None) -> Iterator[Caution]:
    """Whether the yardstick of the verdict says something else without one of the athletes."""
    if verdict is None or verdict.judgement is None or data.n <= FEW_FOR_REPORTS:
        return
    if verdict.code in _IMPLAUSIBLE or verdict.outcome in ("withheld", "no_margin"):
        return
    whole = verdict.judgement.outcome
    for left_out in _weightiest(data, net=verdict.against == TRUE_VALUE):
        rest = outcome_without(data, *left_out)
        if rest != whole:
            some, them = ("one person", "one") if len(left_out) == 1 else ("two people", "two")
            told = {"some": some, "them": them, "whole": whole, "rest": rest, "n": data.n}
            yield caution("one_athlete", **told)
            return


def _weightiest(data: MethodData, *, net: bool) -> list[tuple[int, ...]]:
    """Return whom to leave out: farthest from the bias, in repeats, and two far from all others."""
    means = clusters(np.round(data.difference, DECIMALS), data.athlete).means
    first = list(np.argsort(-np.abs(means - means.mean()), kind="stable")[:FARTHEST])
    if net:
        own = data.repeats["lab"] - data.repeats.groupby("lab_test_id")["lab"].transform("mean")
        squares = (own**2).groupby(data.repeats["athlete_id"]).sum().round(DECIMALS)
        ids = data.pairs["athlete_id"].drop_duplicates()
        of_athletes = squares.reindex(ids).fillna(0.0).to_numpy()
        first += [
            who
            for who in np.argsort(-of_athletes, kind="stable")[:FARTHEST]
            if of_athletes[who] > 0.0 and who not in first
        ]
    two = np.argsort(-np.abs(means - np.median(means)), kind="stable")[:2]
    others = np.delete(means, two)
    far = np.abs(means[two] - others.mean()) > FAR_OUT * others.std(ddof=1)
    both = [tuple(int(who) for who in two)] if far.all() else []
    return [*((int(who),) for who in first), *both]
