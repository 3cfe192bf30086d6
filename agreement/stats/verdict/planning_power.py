"""
How likely a study shows that both limits lie inside a margin, and how many athletes that takes.

The published form of the power is a lower bound where the bias is near 0 (at bias 0 and a margin of
3 SD it asks for 43 athletes where 40 would do). It is kept: it reproduces the printed sample sizes
and errs on the safe side.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final, Literal

import numpy as np
import pandas as pd
from scipy import special

from agreement.arrays import ArrayLike, Floats, Seed
from agreement.stats.basics.intervals import checked_share, z_of
from agreement.stats.basics.tolerance import LARGE, approximate_factors, limit_factors
from agreement.stats.limits.limits import FEW_REPEATS

Bound = Literal["exact", "approximate"]
SIMULATIONS: Final = 4000
MOST_CLUSTERED: Final = 2000  # athletes looked at; with several pairs each no study is larger
MOST_PLANNED: Final = LARGE  # athletes; no study of this kind is larger
_COVERAGE: Final = 0.95  # of the limits
_CHUNK: Final = 1 << 20  # differences drawn at once
_SURE: Final = -10.0  # a noncentral t of this centre lies below any bound above 0: 1 - 1e-23


@dataclass(frozen=True, slots=True)
class StudyToMake:
    """A study still to be made."""

    bias: float  # True mean difference. [mL/kg/min]
    # sd_between, sd_within: True standard deviation of the athletes' own biases, and of pairs
    # around them. With one pair per athlete the two cannot be told apart.
    sd_between: float
    sd_within: float = 0.0
    pairs: int = 1  # pairs per athlete

    @classmethod
    def of(cls, bias: float, sd: float, sd_within: float = 0.0, pairs: int = 1) -> "StudyToMake":
        """Return it from the standard deviation of a single pair's difference."""
        return cls(bias, float(np.sqrt(max(0.0, sd**2 - sd_within**2))), sd_within, pairs)

    @property
    def sd(self) -> float:
        """Standard deviation of a single pair's difference."""
        return float(np.hypot(self.sd_between, self.sd_within))


def assumed_within(sd: float) -> float:
    """Return what varies between the pairs of an athlete where nobody knows: half of the variance."""
    return float(sd * np.sqrt(0.5))


def simulated_power(
    n: int, design: StudyToMake, margin: float, *, simulations: int = SIMULATIONS, rng: Seed = None
) -> float:
    """
    Share of simulated studies in which the outer ends of both limits lie inside -/+ margin.

    n: athletes, 3 or more.
    margin: [mL/kg/min]
    Raises ValueError with fewer than 3 athletes or a margin or spread that is not above 0.
    """
    if n < 3 or margin <= 0 or design.sd <= 0:
        raise ValueError(
            f"power needs n >= 3, margin > 0 and a spread; got {n}, {margin:g}, {design.sd:g}"
        )
    generator, m = np.random.default_rng(rng), design.pairs
    shown, size = 0, max(1, _CHUNK // (n * m))
    for start in range(0, simulations, size):
        count = min(size, simulations - start)
        own = generator.normal(design.bias, design.sd_between, (count, n, 1))
        d = own + generator.normal(0.0, design.sd_within, (count, n, m))
        means = d.mean(axis=2)
        within = d.var(axis=2, ddof=1).mean(axis=1) if m > 1 else np.zeros(count)
        reach = _outer_reach(means.var(axis=1, ddof=1), within, n, m)
        shown += int((np.abs(means.mean(axis=1)) + reach <= margin).sum())
    return shown / simulations


def power_curve(
    sizes: ArrayLike,
    design: StudyToMake,
    margin: float,
    *,
    simulations: int = SIMULATIONS,
    rng: Seed = None,
) -> pd.DataFrame:
    """
    Power against the number of athletes, by simulation.

    design, margin, simulations, rng: as in `simulated_power`.
    Returns: n, power, standard_error (Monte Carlo).
    """
    told: dict[str, Any] = {"simulations": simulations, "rng": np.random.default_rng(rng)}
    numbers = [int(n) for n in np.asarray(sizes).ravel()]
    power = np.array([simulated_power(n, design, margin, **told) for n in numbers])
    error = np.sqrt(power * (1 - power) / simulations)
    return pd.DataFrame({"n": numbers, "power": power, "standard_error": error})


def athletes_needed_clustered(
    design: StudyToMake,
    margin: float,
    *,
    power: float = 0.80,
    simulations: int = SIMULATIONS,
    rng: int = 0,
) -> int | None:
    """
    Smallest number of athletes with several pairs each that reaches the power, by simulation.

    Every number of athletes is judged on the same stream of random numbers. None when no number
    would do, or more than 2000 are needed.
    """
    checked_share("power", power)
    if abs(design.bias) + z_of(_COVERAGE) * design.sd >= margin:
        return None

    def enough(n: int) -> bool:
        return simulated_power(n, design, margin, simulations=simulations, rng=rng) >= power

    return smallest_number(enough, most=MOST_CLUSTERED)


def _outer_reach(between: Floats, within: Floats, n: int, m: int) -> Floats:
    """Distance from the bias to the outer end of a limit's interval, as the verdict takes it."""
    share = 1.0 - 1.0 / m
    variance = between + share * within
    if n * (m - 1) < FEW_REPEATS:
        return np.asarray(limit_factors(n)[1] * np.sqrt(variance))
    df = np.array([n - 1.0, n * (m - 1.0)])
    rise = df / special.chdtri(df, (1 + 0.95) / 2) - 1.0
    upper = variance + np.hypot(rise[0] * between, rise[1] * share * within)
    z = z_of(_COVERAGE)
    of_bias = z_of(0.95) ** 2 * between / n
    outer = np.sqrt(of_bias + z * z * (np.sqrt(upper) - np.sqrt(variance)) ** 2)
    return np.asarray(z * np.sqrt(variance) + outer)


def power_of_verdict(
    n: int,
    bias: float,
    sd: float,
    margin: float,
    *,
    confidence_level: float = 0.95,
    bound: Bound = "exact",
) -> float:
    r"""
    Probability that the outer ends of both limits' intervals lie inside -/+ margin.

    n: athletes, 3 or more.
    bias, sd: True mean and standard deviation of the differences. [mL/kg/min]
    margin: agreed beforehand, above 0. [mL/kg/min]
    bound: {"exact", "approximate"}. Whether the intervals are exact or those of 1999; the second
        reproduces printed sizes.
    Raises ValueError with fewer than 3 athletes or a spread or margin that is not above 0.

    With c the factor of the outer end, :math:`P = Q(c\sqrt n; \sqrt n (D-\mu)/\sigma) +
    Q(c\sqrt n; \sqrt n (D+\mu)/\sigma) - 1`, Q the upper tail of noncentral t on n - 1 degrees of
    freedom; below 0 it is given as 0. A lower bound: the two limits hold with probabilities Q, and
    the sum less 1 is the probability of both only where in every study at least one holds. That is
    so for a bias of half the spread or more; at a bias of 0 the bound is 0.05 below the power
    where that is 0.8, and falls to 0.05 where it is 0.4 (`simulated_power` has no such slack). It
    reproduces the printed n = 83 [1]_; the paper's own equations coded literally give 79.

    .. [1] Lu MJ et al. Sample size for assessing agreement between two methods of measurement by
       Bland-Altman method. Int J Biostat 2016;12(2).
    """
    if n < 3 or sd <= 0.0 or margin <= 0.0:
        raise ValueError(
            f"power needs n >= 3, sd > 0 and margin > 0; got {n}, {sd:g} and {margin:g}"
        )
    two = np.float64(bias), np.float64(sd)
    return float(powers(n, *two, margin, confidence_level=confidence_level, bound=bound))


def powers(
    n: int,
    bias: Floats | np.float64,
    sd: Floats | np.float64,
    margin: float,
    *,
    confidence_level: float = 0.95,
    bound: Bound = "exact",
) -> Floats:
    """Return the power of `power_of_verdict` for many a bias and SD at once; nothing is checked."""
    factors = limit_factors if bound == "exact" else approximate_factors
    root = float(np.sqrt(n))
    cut = factors(n, _COVERAGE, confidence_level)[1] * root
    off = root * (margin + np.multiply.outer((-1.0, 1.0), bias)) / sd
    below = special.nctdtr(n - 1, off, cut)
    below = np.where(np.isnan(below) & (off < _SURE), 1.0, below)  # lost there by some versions
    return np.asarray(np.maximum(0.0, 1.0 - below.sum(axis=0)))


@lru_cache(maxsize=1024)
def athletes_needed(
    bias: float,
    sd: float,
    margin: float,
    *,
    power: float = 0.80,
    confidence_level: float = 0.95,
    bound: Bound = "exact",
) -> int | None:
    """
    Smallest number of athletes that reaches the power; None when no number would do.

    bias, sd, margin, confidence_level, bound: as in `power_of_verdict`.

    No number would do when |bias| + z sd reaches the margin; above 100 000 athletes the answer is
    given as none, too.
    """
    checked_share("power", power)
    if abs(bias) + z_of(_COVERAGE) * sd >= margin:
        return None

    def enough(n: int) -> bool:
        reached = power_of_verdict(
            n, bias, sd, margin, confidence_level=confidence_level, bound=bound
        )
        return reached >= power

    return smallest_number(enough)


def smallest_number(
    enough: Callable[[int], bool], *, above: int = 2, most: int = LARGE
) -> int | None:
    """Return the smallest number above one that is enough, up to `most`; None beyond."""
    low, high = above, min(2 * above, most)
    while not enough(high):
        if high == most:
            return None
        low, high = high, min(2 * high, most)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high
