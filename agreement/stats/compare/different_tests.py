"""Two methods that were read against different laboratory tests: two studies, not two methods."""

from typing import NamedTuple

import numpy as np
from scipy import special

from agreement.stats.basics.arrays import ArrayLike, Floats
from agreement.stats.basics.intervals import Interval
from agreement.stats.compare.closer import log_size


class DifferentTests(NamedTuple):
    """Size of one method's errors over another's, each on its own tests."""

    ratio: float
    interval: Interval
    df: float
    standard_error: float  # of the logarithm of the ratio
    # n, shared: athletes in all, and in both
    n: int
    shared: int


def different_tests(
    difference_a: ArrayLike,
    athlete_a: ArrayLike,
    difference_b: ArrayLike,
    athlete_b: ArrayLike,
    *,
    spread: bool = False,
) -> DifferentTests:
    """
    Ratio of the sizes of two methods' errors, not read against the same tests.

    difference_a, difference_b: shapes (n_a,), (n_b,). Field minus laboratory. [mL/kg/min]
    athlete_a, athlete_b: shapes (n_a,), (n_b,). The same person carries the same id in both.
    spread: take each method's bias out first.
    Raises ValueError with fewer than 3 athletes, a missing value, or a method without any error.

    Jackknife of each logarithm; what shared athletes make both move together is taken off. Degrees
    of freedom as for partly overlapping samples [1]_. Season and laboratory differ with the method,
    so no test is made of it and nothing is called closer.

    .. [1] Derrick B, Toher D, White P. How to compare the means of two samples that include paired
       observations and independent observations. Quant Meth Psych 2017;13:120-126 (memory).

    >>> found = different_tests([1, -2, 2, -1], [1, 2, 3, 4], [2, -4, 4, -2], [5, 6, 7, 8])
    >>> round(found.ratio, 6), found.shared
    (0.5, 0)
    """
    athletes_a, athletes_b = np.asarray(athlete_a), np.asarray(athlete_b)
    log_a, x = _spread_out(*log_size(difference_a, athletes_a, spread=spread))
    log_b, y = _spread_out(*log_size(difference_b, athletes_b, spread=spread))
    _, of_a, of_b = np.intersect1d(
        np.unique(athletes_a), np.unique(athletes_b), return_indices=True
    )
    squared_a, squared_b = float(x @ x), float(y @ y)
    together = float(x[of_a] @ y[of_b])
    error = float(np.sqrt(max(squared_a + squared_b - 2 * together, 0.0)))
    n_a, n_b, shared = len(x), len(y), len(of_a)
    df = overlapping_df(squared_a, squared_b, n_a, n_b, shared)
    half = float(special.stdtrit(df, 0.975)) * error
    logs = log_a - log_b + np.array([0.0, -half, half])
    ratio, low, high = np.exp(logs).tolist()
    return DifferentTests(ratio, Interval(low, high), df, error, n_a + n_b - shared, shared)


# Ours: no library here tests samples that overlap in part.
def overlapping_df(var_a: float, var_b: float, n_a: int, n_b: int, shared: int) -> float:
    """
    Degrees of freedom of a difference of two samples that share some athletes.

    var_a, var_b: squared standard errors.

    >>> overlapping_df(1.0, 1.0, 20, 20, 20), overlapping_df(1.0, 1.0, 20, 20, 0)
    (19.0, 38.0)
    """
    total = (var_a + var_b) ** 2
    welch = total / (var_a**2 / (n_a - 1) + var_b**2 / (n_b - 1))
    if shared < 2:
        return welch
    apart = (n_a + n_b - 2 * shared) / (n_a + n_b)
    return shared - 1 + (welch - shared + 1) * apart


def _spread_out(whole: float, left_out: Floats) -> tuple[float, Floats]:
    """Return the value, and the athletes' parts of it: their squares sum to its variance."""
    n = len(left_out)
    return whole, (left_out - left_out.mean()) * np.sqrt((n - 1) / n)
