"""Two reports of one laboratory: whether the method reads and scatters as it did."""

from dataclasses import dataclass
from math import exp, log, sqrt
from typing import Final

import numpy as np
import numpy.typing as npt

from agreement.arrays import ArrayLike, Floats
from agreement.stats.basics.intervals import Interval, t_interval, t_p_value
from agreement.stats.compare.closer import different_tests, overlapping_df
from agreement.stats.limits.limits_of_agreement import LIMITS
from agreement.stats.record import recorded

FEWEST_SHARED: Final = 3  # athletes in both; below, their likeness cannot be known


@dataclass(frozen=True, slots=True)
class Seasons:
    """The second report against the first. [mL/kg/min]."""

    # n_first, n_second, shared: athletes of each, and of both
    n_first: int
    n_second: int
    shared: int
    difference: float  # bias of the second minus that of the first
    interval: Interval
    df: float
    p: float
    ratio: float  # SD of the second over that of the first
    ratio_interval: Interval
    ratio_df: float
    p_ratio: float

    @property
    def equal(self) -> bool:
        """Whether both have the same people with the same differences."""
        same = self.shared == self.n_first == self.n_second
        return same and bool(np.allclose([*self.interval, self.ratio - 1.0], 0.0, atol=1e-6))


def two_seasons(
    first: ArrayLike, second: ArrayLike, athletes_first: ArrayLike, athletes_second: ArrayLike
) -> Seasons:
    """
    Compare bias and spread of two reports whose athletes partly overlap.

    first, second: mean difference of each athlete, field minus laboratory. [mL/kg/min]
    athletes_first, athletes_second: their ids; equal ids are the same person.
    Raises ValueError with fewer than 3 athletes in a report, an athlete twice, or no spread at all.

    The variance of the difference takes the covariance of shared athletes off; its degrees of freedom
    lie between those of the paired and of Welch's test [1]_. The ratio's interval is a jackknife of
    ln SD over everybody, shared athletes with both their parts.

    .. [1] Derrick B, Toher D, White P. How to compare the means of two samples that include paired
       observations and independent observations. Quant Methods Psychol 2017;13:120-126 (memory).

    >>> found = two_seasons([1, 2, 3, 6], [2, 3, 4, 7], list("abcd"), list("abcd"))
    >>> found.difference, found.shared
    (1.0, 4)
    """
    one, codes_1 = _ordered(first, athletes_first)
    two, codes_2 = _ordered(second, athletes_second)
    n1, n2 = one.size, two.size
    _, at1, at2 = np.intersect1d(codes_1, codes_2, return_indices=True)
    shared = at1.size
    s1, s2 = float(one.var(ddof=1)), float(two.var(ddof=1))
    if s1 == 0 or s2 == 0:
        raise ValueError("all differences of a report are equal")
    used = shared if shared >= FEWEST_SHARED else 0
    covariance = float(np.cov(one[at1], two[at2])[0, 1]) if used else 0.0
    v1, v2 = s1 / n1, s2 / n2
    error2 = v1 + v2 - 2.0 * used * covariance / (n1 * n2)
    difference = float(two.mean() - one.mean())
    df = overlapping_df(v1, v2, n1, n2, shared)
    error = sqrt(max(error2, 0.0))
    spread = different_tests(two, codes_2, one, codes_1, spread=True)
    ratio = log(spread.ratio), spread.standard_error, spread.df
    return _seasons((n1, n2, shared), (difference, error, df), ratio)


def two_seasons_by_numbers(
    first: tuple[float, float, int], second: tuple[float, float, int]
) -> Seasons:
    """
    Compare two reports of which only bias, SD and athletes are known: nobody is known to be in both.

    first, second: bias and SD of the differences [mL/kg/min], athletes.
    Raises ValueError where a report has no spread.

    >>> found = two_seasons_by_numbers((1.0, 3.0, 20), (2.0, 3.0, 20))
    >>> round(found.df, 6), found.ratio  # Welch's, as 2 (n - 1) for equal spreads and sizes
    (38.0, 1.0)
    """
    (b1, s1, n1), (b2, s2, n2) = first, second
    if not min(s1, s2) > 0:
        raise ValueError("not_estimable: all differences of a report are equal")
    v1, v2, ratio_df = s1**2 / n1, s2**2 / n2, n1 + n2 - 2.0
    ratio_error = sqrt(0.5 / (n1 - 1) + 0.5 / (n2 - 1))
    difference = b2 - b1, sqrt(v1 + v2), overlapping_df(v1, v2, n1, n2, 0)
    return _seasons((n1, n2, 0), difference, (log(s2 / s1), ratio_error, ratio_df))


def _seasons(
    sizes: tuple[int, int, int],
    difference: tuple[float, float, float],
    log_ratio: tuple[float, float, float],
) -> Seasons:
    """Return the comparison; of both estimates the value, its error and degrees of freedom."""
    p, p_ratio = (
        t_p_value(value / error, df) if error else float(value == 0)
        for value, error, df in (difference, log_ratio)
    )
    (value, _, df), (log_value, _, log_df) = difference, log_ratio
    ends = Interval(*(exp(end) for end in t_interval(*log_ratio)))
    low_high, ratio = t_interval(*difference), exp(log_value)
    return Seasons(*sizes, value, low_high, df, p, ratio, ends, log_df, p_ratio)


def _ordered(values: ArrayLike, athletes: ArrayLike) -> tuple[Floats, npt.NDArray[np.str_]]:
    x, names = np.asarray(values, dtype=np.float64), np.asarray(athletes).astype(str)
    found, order = np.unique(names, return_index=True)
    if x.size < 3 or x.shape != names.shape or found.size < x.size:
        raise ValueError("a report needs 3 athletes or more, each once")
    return x[order], found


OF_REPORTS: Final = (
    recorded(
        """
        season, place 0, whole: second report against the first
        difference_of_bias: bias, second minus first
          By how much more the field method reads in the second report.
          = mean d of the second report less that of the first | Derrick, Toher & White 2017
          (memory)
        p_bias [p]: p of equal bias
          How well the data fit a bias that has not moved.
          = t test that takes the covariance of shared athletes off | Derrick, Toher & White 2017
          (memory)
        p_bias_counted [p]: p of equal bias, all methods counted
          The same, with every method and mode of the comparison counted.
          = p of equal bias, over bias and spread of every method, by Holm's rule | Holm 1979
        ratio_of_sd [1]: SD, second over first
          How many times as far the differences scatter in the second report.
          = SD of d in the second report over that in the first; jackknife of its logarithm
        p_sd [p]: p of equal spread
          How well the data fit a spread that has not changed.
          = t test of the logarithm of the ratio
        p_sd_counted [p]: p of equal spread, all methods counted
          The same, with every method and mode of the comparison counted.
          = p of equal spread, over bias and spread of every method, by Holm's rule | Holm 1979
        """,
        *LIMITS,
    ),
)
