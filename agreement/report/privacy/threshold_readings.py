"""
Which groups of threshold readings must not be shown, so that no few people follow from the others.

Where two read the same tests, the mean difference and the mean of one give the mean of the other
for exactly the tests that both read: what a mean over more of them has besides is of the few.
"""

from collections.abc import Iterator
from itertools import combinations
from typing import Final

import numpy as np
import pandas as pd

from agreement.arrays import Floats, Ints
from agreement.report.privacy.privacy import FEWEST_SHOWN
from agreement.report.privacy.sums import few_weighed
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

GroupKey = tuple[str, str]  # analysis, group
Tests = tuple[frozenset[str], ...]  # of one athlete: who read each


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
            means, whose = _means(own, str(threshold), quantity)
            while (used := few_weighed(np.array([*means.values()]), whose)).any():
                gone = [group for group, is_used in zip(means, used, strict=True) if is_used][-1]
                hidden.add(gone)  # the last that tells, until no few people follow from the others
                del means[gone]
    return hidden


def _means(
    known: pd.DataFrame, threshold: str, quantity: str
) -> tuple[dict[GroupKey, Floats], Ints]:
    """
    Return what the means of one threshold weigh each reading by, and whose readings these are.

    Who goes first stands last; groups of fewer than five are not among them.
    """
    by_test = known.groupby(["athlete_id", "lab_test_id"])["method"].agg(frozenset)
    each: list[Tests] = [tuple(tests) for _, tests in by_test.groupby(level=0)]
    methods = sorted(set(known["method"]))
    whose = np.repeat(np.arange(len(each)), [len(tests) * len(methods) for tests in each])
    groups: list[tuple[GroupKey, tuple[str, str | None]]] = [
        (("thresholds", f"{threshold} {one}"), (one, None)) for one in methods
    ]
    groups += [
        ((_AGREEMENT[quantity], f"{threshold}: {one} minus {other}"), (one, other))
        for one, other in _compared(methods)
    ]
    rows = {
        group: np.concatenate([_weights(tests, methods, *what) for tests in each])
        for group, what in groups
    }
    size = {group: np.unique(whose[row != 0.0]).size for group, row in rows.items()}
    place = {name: k for k, name in enumerate(OF_READINGS)}
    told = [group for group in rows if size[group] >= FEWEST_SHOWN]
    told.sort(key=lambda group: (place[group[0]], -size[group], group))
    return {group: rows[group] for group in told}, whose


def _compared(methods: list[str]) -> Iterator[tuple[str, str]]:
    """Yield every two readers that agreement is told of: the first minus the second."""
    raters = [one for one in methods if one in RATERS]
    yield from ((second, first) for first, second in combinations(raters, 2))
    if raters:
        yield from ((one, RATERS_MEAN) for one in methods if one not in RATERS)


def _weights(tests: Tests, methods: list[str], one: str, other: str | None) -> Floats:
    """Return how a mean weighs the readings of an athlete: tests one after another, by method."""
    found = np.zeros((len(tests), len(methods)))
    for row, readers in zip(found, tests, strict=True):
        raters = [name for name in readers if name in RATERS]
        against = raters if other == RATERS_MEAN else [other] if other in readers else []
        if one in readers and (other is None or against):
            row[methods.index(one)] += 1.0
            for name in against:
                row[methods.index(name)] -= 1.0 / len(against)
    of_all = int(found.any(axis=1).sum())
    return (found / max(of_all, 1)).ravel()
