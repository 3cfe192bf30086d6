"""
Which groups of threshold readings must not be shown, so that no few people follow from the others.

Where two read the same tests, the mean difference and the mean of one give the mean of the other
for exactly the tests that both read: what a mean over more of them has besides is of the few.
"""

from collections.abc import Iterator
from itertools import combinations
from typing import Final, NamedTuple

import numpy as np
import pandas as pd
import scipy

from agreement.arrays import Floats
from agreement.report.privacy.privacy import FEWEST_SHOWN
from agreement.stats.catalogue import ANALYSES
from agreement.stats.record import Privacy
from agreement.stats.repeats.thresholds import QUANTITIES, RATERS_MEAN
from agreement.terms import RATERS

_RECORDS: Final = [one for one in ANALYSES if one.privacy is Privacy.READINGS]
OF_READINGS: Final = tuple(one.name for one in _RECORDS)
# of each column of readings the analysis of how far readers agree, in its unit
_AGREEMENT: Final = {
    quantity: one.name
    for quantity, unit in QUANTITIES.items()
    for one in _RECORDS
    if one.statistics[0].unit == unit
}
NEAR_ZERO: Final = 1e-8

GroupKey = tuple[str, str]  # analysis, group
Tests = tuple[frozenset[str], ...]  # of one athlete: who read each


class _Means(NamedTuple):
    """What means weigh the readings of each kind of athlete by, one row for each group."""

    groups: list[GroupKey]  # who goes first stands last
    weights: list[Floats]  # of each kind: groups x readings of one such athlete
    people: list[int]  # athletes of each kind


def hidden_readings(thresholds: pd.DataFrame) -> set[GroupKey]:
    """
    Return the groups of thresholds and of agreement on them from which few people would follow.

    thresholds: as `agreement.stats.repeats.thresholds.Thresholds.frame`.

    >>> rows = [(f"A{k}", f"T{k}", "vt1", f"rater_{r}", 150.0) for k in range(9) for r in (1, 2)]
    >>> names = ["athlete_id", "lab_test_id", "threshold", "method", "hr"]
    >>> read = pd.DataFrame(rows, columns=names).assign(vo2=float("nan"))
    >>> hidden_readings(read), hidden_readings(read.iloc[:-1])
    (set(), {('threshold_agreement_hr', 'vt1: rater_2 minus rater_1')})
    """
    hidden: set[GroupKey] = set()
    for quantity in QUANTITIES:
        known = thresholds[thresholds[quantity].notna()]
        for threshold, own in known.groupby("threshold", sort=True):
            hidden |= _hidden(_means(own, str(threshold), quantity))
    return hidden


def _hidden(means: _Means) -> set[GroupKey]:
    """Take groups away, the last first, until no few people follow from the others."""
    shown, hidden = list(range(len(means.groups))), set()
    while shown and (used := _gives_away(means, shown)) is not None:
        shown.remove(used)
        hidden.add(means.groups[used])
    return hidden


def _gives_away(means: _Means, shown: list[int]) -> int | None:
    """
    Return the last group of those whose weighted sum holds readings of a few athletes alone.

    Without these athletes the means would have a lower rank, so they hold a part of every basis of
    the readings: it is enough to look among those of one basis, then of one without the first ...
    """
    weights = [one[shown] for one in means.weights]
    if not shown or not weights:
        return None
    whole, looked = _basis(weights, frozenset())[0], set()
    waiting: list[frozenset[int]] = [frozenset()]
    while waiting:
        some = waiting.pop()
        rank, basis = _basis(weights, some)
        if rank < whole:
            others = [one for k, one in enumerate(weights) if k not in some]
            unseen = _left_null_space(np.hstack([np.zeros((len(shown), 1)), *others]))
            left = unseen.T @ np.hstack([weights[k] for k in some])
            found = unseen @ left[:, np.abs(left).max(axis=0).argmax()]
            return max(shown[k] for k in np.flatnonzero(np.abs(found) > NEAR_ZERO))
        for one in basis:
            more = some | {one}
            if more not in looked and sum(means.people[k] for k in more) < FEWEST_SHOWN:
                looked.add(more)
                waiting.append(more)
    return None


def _basis(weights: list[Floats], without: frozenset[int]) -> tuple[int, set[int]]:
    """Return the rank of readings without some kinds of athletes, and the kinds of a basis."""
    kind = np.concatenate([np.full(one.shape[1], k) for k, one in enumerate(weights)])
    columns = np.flatnonzero(~np.isin(kind, list(without)))
    if not columns.size:
        return 0, set()
    matrix = np.hstack(weights)[:, columns]
    r, order = scipy.linalg.qr(matrix, mode="r", pivoting=True)
    rank = int((np.abs(np.diag(r)) > NEAR_ZERO).sum())
    return rank, set(kind[columns[order[:rank]]].tolist())


def _left_null_space(matrix: Floats) -> Floats:
    """Return an orthonormal basis of the weights of rows that add up to nothing, as columns."""
    left, values, _ = np.linalg.svd(matrix)
    return left[:, int((values > NEAR_ZERO).sum()) :]


def _means(known: pd.DataFrame, threshold: str, quantity: str) -> _Means:
    """Return what the means of one threshold weigh; groups of fewer than five are not among them."""
    by_test = known.groupby(["athlete_id", "lab_test_id"])["method"].agg(frozenset)
    kinds: dict[Tests, int] = {}
    for _, tests in by_test.groupby(level=0):
        kind = tuple(sorted(tests, key=sorted))
        kinds[kind] = kinds.get(kind, 0) + 1
    methods = sorted(set(known["method"]))
    groups: list[tuple[GroupKey, tuple[str, str | None]]] = [
        (("thresholds", f"{threshold} {one}"), (one, None)) for one in methods
    ]
    groups += [
        ((_AGREEMENT[quantity], f"{threshold}: {one} minus {other}"), (one, other))
        for one, other in _compared(methods)
    ]
    rows = {group: [_weights(kind, methods, *what) for kind in kinds] for group, what in groups}
    people = list(kinds.values())
    size = {
        group: sum(n for n, one in zip(people, found, strict=True) if one.any())
        for group, found in rows.items()
    }
    place = {name: k for k, name in enumerate(OF_READINGS)}
    told = [group for group in rows if size[group] >= FEWEST_SHOWN]
    told.sort(key=lambda group: (place[group[0]], -size[group], group))
    of_kind = [[rows[group][k] for group in told] for k in range(len(kinds))]
    return _Means(told, [np.array(one) for one in of_kind if one], people)


def _compared(methods: list[str]) -> Iterator[tuple[str, str]]:
    """Yield every two readers that agreement is told of: the first minus the second."""
    raters = [one for one in methods if one in RATERS]
    yield from ((second, first) for first, second in combinations(raters, 2))
    if raters:
        yield from ((one, RATERS_MEAN) for one in methods if one not in RATERS)


def _weights(kind: Tests, methods: list[str], one: str, other: str | None) -> Floats:
    """Return how a mean weighs the readings of an athlete: tests one after another, by method."""
    found = np.zeros((len(kind), len(methods)))
    for row, readers in zip(found, kind, strict=True):
        raters = [name for name in readers if name in RATERS]
        against = raters if other == RATERS_MEAN else [other] if other in readers else []
        if one in readers and (other is None or against):
            row[methods.index(one)] += 1.0
            for name in against:
                row[methods.index(name)] -= 1.0 / len(against)
    tests = int(np.abs(found).sum(axis=1).astype(bool).sum())
    return (found / max(tests, 1)).ravel()
