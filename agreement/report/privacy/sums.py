"""
Which sums of sets of pairs hold a few people alone, whatever their weights.

Whoever knows the mean of some sets of pairs knows the mean of every such sum.
"""

from collections.abc import Collection, Iterator, Mapping
from itertools import islice
from typing import Final, TypeVar

import numpy as np

from agreement.arrays import Flags, Floats, Ints
from agreement.report.privacy.privacy import FEWEST_SHOWN

# sets of a few people that sums of methods are tried on, the smallest first; 20 methods of 30 people
# need 17 000, hundreds of methods have more of four people
MOST_TRIED: Final = 20_000
NEAR_ZERO: Final = 1e-8
_ROUNDING: Final = 1e-6  # of norms that add up to 1

Pair = tuple[str, str]  # athlete, laboratory test
Which = TypeVar("Which")


def held_pairs(sets: Mapping[Which, frozenset[Pair]]) -> tuple[dict[Which, Flags], Ints]:
    """Return which of all pairs each set holds, and the athlete of each pair, by athlete."""
    every = sorted(frozenset().union(*sets.values()))
    whose = np.unique([athlete for athlete, _ in every], return_inverse=True)[1]
    return {name: np.array([one in own for one in every]) for name, own in sets.items()}, whose


def differ_by_few(one: Flags, others: Collection[Flags], whose: Ints) -> bool:
    """
    Tell whether a few have other pairs in a set than in one of the others, or are in one alone.

    Of sets of five people or more no sum holds fewer than their difference, whatever the weights.
    """
    if not others:
        return False
    every, begins = np.array(list(others)), _begins(whose)
    there = np.logical_or.reduceat(every, begins, axis=1)
    alone = there != np.logical_or.reduceat(one, begins)
    apart = np.logical_or.reduceat(every != one, begins, axis=1)
    people = np.concatenate([alone.sum(axis=1), apart.sum(axis=1)])
    return bool(np.any((people > 0) & (people < FEWEST_SHOWN)))


def _begins(whose: Ints) -> Ints:
    """Return where the pairs of each athlete begin: they stand by athlete."""
    return np.flatnonzero(np.diff(whose, prepend=-1) > 0)


def told_by_others(sets: Mapping[Which, frozenset[Pair]]) -> set[Which]:
    """
    Return the sets of which few follow beside those that stay; the last of those that tell goes.

    Every two first, which is quick, then sums of any among those that these leave.
    """
    holds, whose = held_pairs(sets)
    shown: dict[Which, Flags] = {}
    for name, held in holds.items():
        if not differ_by_few(held, shown.values(), whose):
            shown[name] = held
    while found := few_of_sums(shown, whose, MOST_TRIED):
        del shown[max(found, key=list(holds).index)]
    return holds.keys() - shown.keys()


def few_of_sums(shown: Mapping[Which, Flags], whose: Ints, most: int | None = None) -> list[Which]:
    """
    Return groups of which some sum holds a few people alone, whatever the weights; or [].

    Projected on what the groups tell, such a sum stays as it is: within the pairs of the few that
    projection has the eigenvalue 1. So the norms of its blocks, of one of them with each, are 1
    together (Gershgorin's theorem for blocks, Feingold & Varga 1962), which hardly any few reach.

    shown: of each group, which pairs it holds; whose: the athlete of each pair. A mean weighs each
        pair alike, or each athlete: then of two pairs of one each has half the weight. Of how many
        a group is counts whoever has a pair in it once.
    most: sets of a few people to try; None: all.
    """
    holds = np.array(list(shown.values()))
    if not holds.any():
        return []
    there = holds.any(axis=0)
    holds, whose = holds[:, there], whose[there]
    used = few_weighed(holds.astype(np.float64), whose, most)
    begins = _begins(whose)
    of_each = np.add.reduceat(holds.astype(np.int64), begins, axis=1)
    times = np.repeat(of_each, np.diff(begins, append=len(whose)), axis=1)
    if not used.any() and of_each.max() > 1:
        used = few_weighed(holds / np.maximum(times, 1), whose, most)
    if not used.any() and len(begins) < len(whose):
        used = few_weighed(of_each.astype(bool).astype(np.float64), whose[begins], most)
    return [group for group, is_used in zip(shown, used, strict=True) if is_used]


def few_weighed(matrix: Floats, whose: Ints, most: int | None = None) -> Flags:
    """
    Tell which groups are in a sum that holds a few people alone.

    matrix: what each group weighs each pair, or reading, by; they stand by athlete.
    """
    nobody = np.zeros(len(matrix), np.bool_)
    few = _of_few_alike(matrix, whose) if matrix.size else nobody
    if not few.any():
        return nobody
    who, whose = np.unique(whose[few], return_inverse=True)
    _, values, rows = np.linalg.svd(matrix, full_matrices=False)
    told = rows[values > NEAR_ZERO][:, few]
    seen, own = told.T @ told, (whose == np.arange(who.size)[:, None]).astype(np.float64)
    norms = np.sqrt(own @ seen**2 @ own.T)
    sizes, starts = np.bincount(whose), np.searchsorted(whose, np.arange(who.size))
    for size in np.unique(sizes):  # pairs stand by athlete: blocks of a size at once
        mine = np.flatnonzero(sizes == size)
        at = starts[mine, None] + np.arange(size)
        norms[mine, mine] = np.linalg.eigvalsh(seen[at[:, :, None], at[:, None, :]])[:, -1]
    for some in islice(_reaching(norms), most):
        theirs = np.isin(whose, some)
        each, vectors = np.linalg.eigh(seen[np.ix_(theirs, theirs)])
        if each[-1] > 1.0 - NEAR_ZERO:
            alone = told[:, theirs] @ vectors[:, -1] @ rows[: len(told)]
            return np.asarray(np.abs(np.linalg.lstsq(matrix.T, alone)[0]) > NEAR_ZERO)
    return nobody


def _of_few_alike(matrix: Floats, whose: Ints) -> Flags:
    """Tell which pairs weigh in all groups just what pairs of fewer than five people in all do."""
    where = np.ascontiguousarray(matrix.T) + 0.0  # no minus zero
    alike = np.unique(
        where.view(f"V{where.shape[1] * where.itemsize}").ravel(), return_inverse=True
    )[1]
    many = int(whose.max()) + 1
    people = np.bincount(np.unique(alike * many + whose) // many)
    return np.asarray(people[alike] < FEWEST_SHOWN)


def _reaching(norms: Floats) -> Iterator[tuple[int, ...]]:
    """Yield one to four places of which a row's norms add up to 1, the fewest first."""

    def more(row: Floats, need: float, size: int, first: int) -> Iterator[tuple[int, ...]]:
        if not size and need <= 0.0:
            yield ()
        for k in range(first, row.size if size else first):
            if row[k] * size < need:  # they fall
                return
            yield from ((k, *rest) for rest in more(row, need - row[k], size - 1, k + 1))

    alone = np.diagonal(norms)
    beside = np.where(np.eye(len(norms), dtype=np.bool_), -np.inf, norms)
    falling = np.argsort(-beside, axis=1, kind="stable")[:, :-1]  # itself is last
    largest = np.take_along_axis(norms, falling, axis=1)
    need = 1.0 - _ROUNDING - alone
    for size in range(FEWEST_SHOWN - 1):
        for one in np.flatnonzero(largest[:, :size].sum(axis=1) >= need).tolist():
            for some in more(largest[one], need[one], size, 0):
                yield (one, *falling[one, list(some)].tolist())
