"""The power of a verdict by simulated differences: for athletes with several pairs, and as a check."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from scipy import special

from agreement.stats.basics.arrays import ArrayLike, Floats
from agreement.stats.basics.intervals import checked_share, z_of
from agreement.stats.basics.tolerance import limit_factors
from agreement.stats.limits.repeated import FEW_REPEATS
from agreement.stats.verdict.planning_power import smallest_number

SIMULATIONS: Final = 4000
MOST_CLUSTERED: Final = 2000  # athletes looked at; with several pairs each no study is larger
_CHUNK: Final = 1 << 20  # differences drawn at once


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
    n: int,
    design: StudyToMake,
    margin: float,
    *,
    coverage: float = 0.95,
    confidence_level: float = 0.95,
    simulations: int = SIMULATIONS,
    rng: int | np.random.Generator | None = None,
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
        reach = _outer_reach(means.var(axis=1, ddof=1), within, n, m, coverage, confidence_level)
        shown += int((np.abs(means.mean(axis=1)) + reach <= margin).sum())
    return shown / simulations


def power_curve(
    sizes: ArrayLike,
    design: StudyToMake,
    margin: float,
    *,
    simulations: int = SIMULATIONS,
    rng: int | np.random.Generator | None = None,
) -> pd.DataFrame:
    """
    Power against the number of athletes, by simulation.

    design, margin, simulations, rng: as in `simulated_power`.
    Returns: n, power, standard_error (Monte Carlo).
    """
    generator = np.random.default_rng(rng)
    numbers = [int(n) for n in np.asarray(sizes).ravel()]
    power = np.array(
        [
            simulated_power(n, design, margin, simulations=simulations, rng=generator)
            for n in numbers
        ]
    )
    error = np.sqrt(power * (1 - power) / simulations)
    return pd.DataFrame({"n": numbers, "power": power, "standard_error": error})


def athletes_needed_clustered(
    design: StudyToMake,
    margin: float,
    *,
    power: float = 0.80,
    coverage: float = 0.95,
    simulations: int = SIMULATIONS,
    rng: int = 0,
) -> int | None:
    """
    Smallest number of athletes with several pairs each that reaches the power, by simulation.

    Every number of athletes is judged on the same stream of random numbers. None when no number
    would do, or more than 2000 are needed.
    """
    checked_share("power", power)
    if abs(design.bias) + z_of(coverage) * design.sd >= margin:
        return None

    def enough(n: int) -> bool:
        reached = simulated_power(
            n, design, margin, coverage=coverage, simulations=simulations, rng=rng
        )
        return reached >= power

    return smallest_number(enough, most=MOST_CLUSTERED)


def _outer_reach(
    between: Floats, within: Floats, n: int, m: int, coverage: float, confidence_level: float
) -> Floats:
    """Distance from the bias to the outer end of a limit's interval, as the verdict takes it."""
    share = 1.0 - 1.0 / m
    variance = between + share * within
    if n * (m - 1) < FEW_REPEATS:
        return np.asarray(limit_factors(n, coverage, confidence_level)[1] * np.sqrt(variance))
    df = np.array([n - 1.0, n * (m - 1.0)])
    rise = (
        df / special.chdtri(df, (1 + checked_share("confidence_level", confidence_level)) / 2) - 1.0
    )
    upper = variance + np.hypot(rise[0] * between, rise[1] * share * within)
    z = z_of(coverage)
    of_bias = z_of(confidence_level) ** 2 * between / n
    outer = np.sqrt(of_bias + z * z * (np.sqrt(upper) - np.sqrt(variance)) ** 2)
    return np.asarray(z * np.sqrt(variance) + outer)
