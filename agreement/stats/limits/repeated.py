"""Bias and limits of agreement when athletes have several pairs, or several replicates."""

from dataclasses import dataclass, replace
from typing import Self

import numpy as np

from agreement.stats.basics.arrays import ArrayLike
from agreement.stats.basics.clusters import clusters
from agreement.stats.basics.intervals import (
    Interval,
    VariancePart,
    checked_share,
    mover_half_widths,
    sd_interval,
    t_interval,
    variance_interval,
    z_of,
)
from agreement.stats.basics.tolerance import limit_factors
from agreement.stats.limits.limits import FEWEST_FOR_SD, LimitsOfAgreement
from agreement.stats.limits.limits_shown import AnyLimits

FEW_REPEATS = 5  # repeats beyond one each below which MOVER intervals explode


@dataclass(frozen=True, slots=True)
class RepeatedLimits(AnyLimits):
    """
    Bias and limits for single pairs of athletes with several pairs. [mL/kg/min].

    Unweighted-means form: every athlete counts once, however often tested.
    """

    # n, n_pairs: athletes G and pairs N
    n: int
    n_pairs: int
    bias: float  # mean of the athletes' mean differences
    between: float  # variance of the athletes' means
    within: float  # mean square within athletes
    # weight of `within` in the variance of a single difference: 1 - 1/m, m the harmonic mean number
    # of pairs
    within_share: float
    coverage: float = 0.95

    @property
    def variance(self) -> float:
        """Variance of the difference of a single pair."""
        return self.between + self.within_share * self.within

    @property
    def sd(self) -> float:
        """Standard deviation of the difference of a single pair."""
        return float(np.sqrt(self.variance))

    @property
    def sd_within(self) -> float:
        """Standard deviation of an athlete's pairs."""
        return float(np.sqrt(self.within))

    @property
    def between_variance(self) -> float:
        """Variance of the athletes' own biases: what is left of `between` without noise."""
        return max(0.0, self.between - (1.0 - self.within_share) * self.within)

    @property
    def few_repeats(self) -> bool:
        """Whether too few athletes were tested again for intervals by MOVER."""
        return self.n_pairs - self.n < FEW_REPEATS

    @property
    def note(self) -> str:
        """The code ``few_repeats`` where the rule applies."""
        return "few_repeats" if self.few_repeats else ""

    def bias_interval(self, confidence_level: float = 0.95) -> Interval:
        """Student interval of the bias on G - 1 degrees of freedom."""
        standard_error = float(np.sqrt(self.between / self.n))
        return t_interval(self.bias, standard_error, self.n - 1, confidence_level)

    def sd_interval(self, confidence_level: float = 0.95) -> Interval:
        """Interval of the standard deviation: MOVER, or chi-square with few repeats."""
        if self.few_repeats:
            return sd_interval(self.sd, self.n - 1, confidence_level)
        low, high = variance_interval(self._components(), confidence_level)
        return Interval(float(np.sqrt(max(0.0, low))), float(np.sqrt(high)))

    def of_size(self, n: int) -> Self:
        """Return the same bias and spread in another number of athletes, with as many pairs each."""
        return replace(self, n=n, n_pairs=round(self.n_pairs * n / self.n))

    def _components(self) -> tuple[VariancePart, VariancePart]:
        return (
            VariancePart(self.between, self.n - 1),
            VariancePart(self.within_share * self.within, self.n_pairs - self.n),
        )

    def _half_widths(self, confidence_level: float) -> tuple[float, float]:
        if self.few_repeats:
            inner, outer = limit_factors(self.n, self.coverage, confidence_level)
            z = z_of(self.coverage)
            return (z - inner) * self.sd, (outer - z) * self.sd
        return mover_half_widths(
            self._components(), self.between / self.n, self.coverage, confidence_level
        )


StudyLimits = LimitsOfAgreement | RepeatedLimits


def limits_by_athlete(
    difference: ArrayLike, athlete: ArrayLike, *, coverage: float = 0.95
) -> StudyLimits:
    """
    Bias and limits in the form that the design asks for; no warning, for tables of many groups.

    Raises
    ------
    ValueError
        With fewer than 3 athletes, with missing values, or a coverage outside (0, 1).
    """
    checked_share("coverage", coverage)
    grouped = clusters(difference, athlete)
    if grouped.n < FEWEST_FOR_SD:
        raise ValueError(f"agreement needs at least {FEWEST_FOR_SD} athletes; got {grouped.n}")
    bias, between = float(grouped.means.mean()), float(grouped.means.var(ddof=1))
    if grouped.df_within == 0:
        return LimitsOfAgreement(grouped.n, bias, float(np.sqrt(between)), coverage)
    return RepeatedLimits(
        grouped.n,
        grouped.n_values,
        bias,
        between,
        grouped.ms_within,
        1.0 - 1.0 / grouped.harmonic_size,
        coverage,
    )


def limits_as_if_independent(difference: ArrayLike, *, coverage: float = 0.95) -> LimitsOfAgreement:
    """
    Return what pooling would give, as if every pair were another athlete: too narrow, too sure.

    Only to be shown beside the limits that respect the athletes.
    """
    d = np.asarray(difference, dtype=np.float64)
    return LimitsOfAgreement(d.size, float(d.mean()), float(d.std(ddof=1)), coverage)
