"""How likely numbers of different people are as close as these."""

import math
from typing import Final

import numpy as np

from agreement.arrays import Flags, Floats, Ints

ROUNDED_TO: Final = (1.0, 0.5, 0.25, 0.1, 0.05, 0.01)  # to which people round
QUARTILES: Final = 1.349  # standard deviations between the quartiles of a normal distribution
_FLOOR: Final = 1e-4  # no single number says more
_ON_GRID: Final = 1e-6


def rounding_step(values: Floats) -> float:
    """
    Return the coarsest usual step that all values are multiples of; 0.001 if none is.

    >>> rounding_step(np.array([52.0, 47.5])), rounding_step(np.array([51.3, 48.0]))
    (0.5, 0.1)
    """
    known = values[np.isfinite(values)]
    for step in ROUNDED_TO:
        if np.all(np.abs(known / step - np.round(known / step)) < _ON_GRID):
            return step
    return 0.001


def chance_of_equal(step: float, sd: float) -> float:
    """
    Return the chance that two measurements of one thing are equal once rounded.

    step: to which they are rounded. sd: of one measurement. The true value may lie anywhere.
    Returns: mean of 1 - |u| / step, where positive, over the difference u of both before rounding.

    >>> round(chance_of_equal(0.1, 2.0), 3), round(chance_of_equal(1.0, 0.7), 2)
    (0.014, 0.37)
    """
    widths = step / (2 * sd)
    rest = -math.expm1(-(widths**2)) / (widths * math.sqrt(math.pi))
    return math.erf(widths) - rest


def is_whole(values: Floats) -> Flags:
    """Return which values are whole numbers."""
    return np.asarray(np.abs(values - np.round(values)) < _ON_GRID)


def spread_of_most(values: Floats) -> float:
    """Return the standard deviation, or that which the quartiles tell where a few lie far away."""
    low, high = np.quantile(values, (0.25, 0.75))
    return min(float(values.std(ddof=1)), float(high - low) / QUARTILES)


def chance_of_closeness(values: Floats) -> Floats:
    """
    Return for every two people the chance that two drawn anew are as close as they are.

    values: shape (n,). One number of each person; NaN where it is not known.
    Returns: shape (n, n). From the normal distribution of a difference: erf(d / (2 SD)), d widened
        by the rounding step. NaN where either is not known, or where all are equal.
    """
    from scipy.special import erf

    known = values[np.isfinite(values)]
    if known.size < 2:
        return np.full((values.size, values.size), np.nan)
    sd = spread_of_most(known) or float(known.std(ddof=1))
    apart = np.abs(values[:, None] - values[None, :])
    if sd <= 0:
        return np.full_like(apart, np.nan)
    chance = erf((apart + rounding_step(values)) / (2 * sd))
    return np.asarray(np.maximum(chance, _FLOOR), dtype=np.float64)


def chance_of_all(chances: list[Floats]) -> tuple[Floats, Ints]:
    """
    Return the chance that independent numbers are together as close, by Fisher's method.

    chances: all of one shape. NaN where a number is not known.
    Returns chance: 1 where no number is known.
    Returns numbers: how many are known.

    .. [1] Fisher, R. A. Statistical Methods for Research Workers, 4th ed., 1932, section 21.1
           (memory): -2 sum ln p follows chi-square on 2k degrees of freedom.
    """
    from scipy.special import gammaincc

    stack = np.array(chances)
    known = np.isfinite(stack)
    numbers = known.sum(axis=0)
    total = -np.log(np.where(known, stack, 1.0)).sum(axis=0)
    chance = np.where(numbers > 0, gammaincc(np.maximum(numbers, 1), total), 1.0)
    return chance, numbers


def too_close(chance: Floats, alpha: float) -> Ints:
    """
    Return which of many comparisons are closer than chance brings, the closest first.

    chance: shape (m,). Of each comparison.
    alpha: with which all of them together may be named wrongly.

    The j smallest are named where so many below the j-th have a Poisson probability under `alpha`:
    one pair of twins must be very close, twelve together need not be.
    """
    from scipy.special import gammainc

    order = np.argsort(chance, kind="stable")[: max(1, int(math.sqrt(2 * chance.size)))]
    j = np.arange(1, order.size + 1)
    tail = gammainc(j, chance.size * chance[order])  # P(Poisson >= j)
    hits = np.flatnonzero(tail < alpha)
    return order[: hits[-1] + 1] if hits.size else order[:0]
