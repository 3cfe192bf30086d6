"""Which two methods a study sets side by side: every two, or of many methods each beside the closest."""

from collections.abc import Sequence
from itertools import combinations
from typing import Final

import numpy as np

from agreement.stats.method_data import MethodData

EVERY_TWO: Final = 20  # methods; 300 of them make 44 850 pairs, which nobody reads


def side_by_side(studied: Sequence[MethodData]) -> list[tuple[MethodData, MethodData]]:
    """
    Return the pairs of methods that have rows of their own, in the order of the methods.

    Up to 20 methods every two. Above, each method beside the one of its mode with the smallest root
    mean square error, and every two that the question is about; what counts all pairs (joint p
    values and intervals) goes on counting all of them.
    """
    every = combinations(studied, 2)
    if len(studied) <= EVERY_TWO:
        return list(every)
    closest: dict[str, tuple[float, str]] = {}
    for data in studied:
        if data.n_pairs:
            size = float(np.sqrt(np.mean(np.square(data.difference))))
            closest[data.mode] = min(
                (size, data.method), closest.get(data.mode, (size, data.method))
            )
    asked = set(studied[0].options.study.compares)

    def shown(a: MethodData, b: MethodData) -> bool:
        best = {name for _, name in (closest.get(one.mode, (0.0, "")) for one in (a, b))}
        return {a.method, b.method} <= asked or (
            a.mode == b.mode and bool({a.method, b.method} & best)
        )

    return [(a, b) for a, b in every if shown(a, b)]
