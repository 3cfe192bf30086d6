"""What a set of values covers, for a description of who and what was measured."""

from typing import NamedTuple

import numpy as np

from agreement.arrays import ArrayLike


class Span(NamedTuple):
    """Lowest, highest, middle and mean of some values; an audit knows the mean alone."""

    low: float | None
    high: float | None
    median: float | None
    mean: float | None


def span_of(values: ArrayLike) -> Span | None:
    """
    Return what values cover; None of no value.

    >>> span_of([2, 9, 3, 4])
    Span(low=2.0, high=9.0, median=3.5, mean=4.5)
    """
    x = np.asarray(values, dtype=np.float64)
    if not x.size:
        return None
    return Span(float(x.min()), float(x.max()), float(np.median(x)), float(x.mean()))
