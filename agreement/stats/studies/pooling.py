"""Bias and spread of several studies pooled, and what they say of a squad that nobody measured yet."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import exp, inf, log, sqrt
from typing import Final, NamedTuple

import numpy as np

from agreement.arrays import ArrayLike, Floats
from agreement.stats.basics.clusters import clusters
from agreement.stats.basics.half_t import OnGrid, mixture_quantile, on_grid
from agreement.stats.basics.intervals import Interval, t_interval, t_p_value, z_of

BIAS_SCALE: Final = 3.0  # of the half-t prior on the SD between biases. [mL/kg/min]
LOG_SD_SCALE: Final = 0.3  # of that between logarithms of SDs
FEW_STUDIES: Final = 5  # below, the result at half and twice the scales is told too
AGREE: Final = 0.05  # share of variance between squads, below it they agree; derived cut-off
BELONGS: Final = 0.2  # above it the bias belongs to the squad; derived cut-off


class WithEnds(NamedTuple):
    """A number with its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Study:
    """What one study gives to a pool: one method, mode and group of athletes."""

    name: str
    # bias, sd: mean and SD of field minus laboratory. [mL/kg/min]
    bias: float
    sd: float
    n: int  # athletes
    df: float = np.nan  # degrees of freedom of the SD; NaN: n - 1
    variance_of_bias: float = np.nan  # NaN: sd^2 / n. [(mL/kg/min)^2]
    n_pairs: int = 0  # 0: one of each athlete

    @property
    def pairs(self) -> int:
        """Pairs behind its numbers."""
        return self.n_pairs or self.n

    @property
    def freedom(self) -> float:
        """Degrees of freedom of the SD."""
        return self.n - 1.0 if np.isnan(self.df) else self.df

    @property
    def error(self) -> float:
        """Variance of the bias."""
        return self.sd**2 / self.n if np.isnan(self.variance_of_bias) else self.variance_of_bias

    @property
    def bias_interval(self) -> Interval:
        """Student interval of the bias."""
        return t_interval(self.bias, sqrt(self.error), self.n - 1.0)  # on athletes, not on pairs

    @property
    def limits(self) -> tuple[float, float]:
        """Limits of agreement, without what is not known of bias and SD."""
        return self.bias - z_of(0.95) * self.sd, self.bias + z_of(0.95) * self.sd

    @property
    def log_sd(self) -> tuple[float, float]:
        """Logarithm of the SD, unbiased, and its variance."""
        return log(self.sd) + 0.5 / self.freedom, 0.5 / self.freedom

    def with_repeats(self, difference: ArrayLike, athlete: ArrayLike) -> "Study":
        """Return it with variance of the bias and degrees of freedom of limits over repeated pairs."""
        found = clusters(np.asarray(difference, dtype=np.float64), athlete)
        if found.df_within < 1:
            return self
        between = float(found.means.var(ddof=1))
        second = found.within_share * found.ms_within
        parts = between**2 / (self.n - 1) + second**2 / found.df_within
        df = (between + second) ** 2 / parts
        return replace(self, df=df, variance_of_bias=between / self.n)


def bias_and_sd(lower: float, upper: float, factor: float = 1.0) -> tuple[float, float]:
    """
    Return bias and SD behind printed limits, which lie `factor` SD from the bias.

    >>> bias_and_sd(-8.0, 12.0, 2.0)
    (2.0, 5.0)
    """
    return (upper + lower) / 2, (upper - lower) / (2 * factor)


@dataclass(frozen=True)
class PooledStudies:
    """Several studies of one method and mode, pooled. [mL/kg/min]."""

    studies: tuple[Study, ...]
    # of the half-t priors on the SD between biases and between logarithms of SDs: assumptions
    scales: tuple[float, float] = (BIAS_SCALE, LOG_SD_SCALE)

    @property
    def k(self) -> int:
        """Number of studies."""
        return len(self.studies)

    @property
    def athletes(self) -> int:
        """Athletes of all studies."""
        return sum(study.n for study in self.studies)

    @cached_property
    def _biases(self) -> OnGrid:
        y, error = np.array([(one.bias, one.error) for one in self.studies]).T
        return on_grid(y, error, self.scales[0])

    @cached_property
    def _log_sds(self) -> OnGrid:
        y, error = np.array([one.log_sd for one in self.studies]).T
        return on_grid(y, error, self.scales[1])

    def bias(self, *, new: bool = False) -> WithEnds:
        """Mean bias of squads; `new`: the bias of a squad that was not measured."""
        return WithEnds(*self._biases.estimate(new=new))

    def sd(self, *, new: bool = False) -> WithEnds:
        """Typical SD of the differences; `new`: that of a squad that was not measured."""
        return WithEnds(*(exp(end) for end in self._log_sds.estimate(new=new)))

    def limit(self, side: int, *, new: bool = False) -> WithEnds:
        """Lower (`side` -1) or upper (+1) limit of agreement of a typical or a new squad."""
        spread = np.exp(self._log_sds.quantiles(new=new))
        grid = self._biases
        centre = grid.mean + side * z_of(0.95) * spread[:, None]
        scale = np.broadcast_to(grid.scale(new=new), centre.shape)
        return WithEnds(*(self._convolved(p, centre, scale) for p in (0.5, 0.025, 0.975)))

    def athlete(self) -> Interval:
        """Where 95 % of the athletes of a new squad lie."""
        spread = np.exp(self._log_sds.quantiles(new=True))
        grid = self._biases
        scale = np.sqrt(grid.variance + grid.tau**2 + spread[:, None] ** 2)
        centre = np.broadcast_to(grid.mean, scale.shape)
        return Interval(*(self._convolved(p, centre, scale) for p in (0.025, 0.975)))

    def _convolved(self, share: float, centre: Floats, scale: Floats) -> float:
        weight = np.broadcast_to(self._biases.weight / len(centre), centre.shape)
        return mixture_quantile(share, weight.ravel(), centre.ravel(), scale.ravel())

    def next_squads(self) -> tuple[Floats, Floats]:
        """Return 40 biases and 40 SDs of squads that were not measured, each as likely as any."""
        steps = slice(2, None, 5)
        biases, logs = (one.quantiles(new=True)[steps] for one in (self._biases, self._log_sds))
        return biases, np.exp(logs)

    def between(self) -> tuple[WithEnds, WithEnds]:
        """SD between the biases of squads [mL/kg/min], and between the logarithms of their SDs."""
        return WithEnds(*self._biases.between()), WithEnds(*self._log_sds.between())

    def times_apart(self) -> WithEnds:
        """How many times larger or smaller the SD of 95 % of squads is."""
        return WithEnds(*(exp(z_of(0.95) * one) for one in self.between()[1]))

    def words(self) -> str:
        """Say how far squads differ."""
        if self.k == 1:
            return "One study cannot say how squads differ."
        tau, sd = self.between()[0].value, self.sd().value
        share = tau**2 / (tau**2 + sd**2)  # of the variance of a difference that is between squads
        if share < AGREE:
            return "The studies agree on the bias."
        if share <= BELONGS:
            return "The bias changes somewhat from squad to squad."
        return "The bias belongs to the squad: calibrate anew."

    def at_other_scales(self) -> tuple["PooledStudies", ...]:
        """Return the pool at half and twice the assumed scales; empty with five studies or more."""
        if self.k >= FEW_STUDIES:
            return ()
        a, b = self.scales
        return tuple(PooledStudies(self.studies, (a * times, b * times)) for times in (0.5, 2.0))


def pooled_studies(studies: Sequence[Study]) -> PooledStudies:
    """
    Pool the bias and the SD of studies of one method and mode.

    studies: of different athletes; one row for each group of athletes.
    Raises ValueError without a study, with fewer than 3 athletes in one, or an SD that is not above
        0.

    Random effects on the bias and on ln(SD) + 1/(2 f) [1]_, the SD between squads on a grid of equal
    prior weight (half-t, 3 degrees of freedom [2]_, scales 3 mL/kg/min and 0.3). Limits join the two:
    200 quantiles of the SD with every point of the grid of the bias.

    .. [1] Raudenbush SW, Bryk AS. J Educ Stat 1987;12:241-269; Nakagawa S et al. Methods Ecol Evol
       2015;6:143-152 (memory).
    .. [2] Gelman A. Bayesian Anal 2006;1:515-534 (memory).

    >>> pool = pooled_studies([Study("a", 1.0, 4.0, 20), Study("b", 2.0, 4.5, 25)])
    >>> round(pool.bias().value, 2), pool.words()
    (1.5, 'The bias changes somewhat from squad to squad.')
    """
    if not studies:
        raise ValueError("a pool needs a study")
    for one in studies:
        if one.n < 3 or not one.sd > 0 or not np.isfinite([one.bias, one.sd]).all():
            raise ValueError(f"'{one.name}' needs 3 athletes, a bias and an SD above 0")
    return PooledStudies(tuple(studies))


class RandomEffects(NamedTuple):
    """The classical check beside a pool, or the difference between two kinds of studies."""

    estimate: float  # mean; or second kind minus first, or per unit of the moderator: no cause
    interval: Interval
    between: float  # variance between studies; with a moderator what is left of it
    p: float  # of an estimate of 0


# Ours: statsmodels' combine_effects stops at 1e-5 of the variance between studies.
def random_effects(y: ArrayLike, variance: ArrayLike) -> RandomEffects:
    """
    Paule and Mandel's variance between studies with Hartung and Knapp's interval.

    y, variance: shape (k,). Estimates of the studies and their variances.
    Raises ValueError with fewer than two studies or a variance that is not above 0.

    .. [1] Paule RC, Mandel J. J Res Natl Bur Stand 1982;87:377-385; Hartung J, Knapp G. Stat Med
       2001;20:3875-3889; prediction: Higgins JPT et al. J R Stat Soc A 2009;172:137-159 (memory).

    >>> round(random_effects([1.0, 2.0, 4.0], [0.5, 0.5, 0.5]).between, 3)
    1.833
    """
    values, spread = np.asarray(y, dtype=np.float64), np.asarray(variance, dtype=np.float64)
    if values.size < 2 or spread.shape != values.shape or not (spread > 0).all():
        raise ValueError("`y` and `variance` need two studies or more, variances above 0")
    return _last_coefficient(values, spread, np.ones((values.size, 1)))


def moderator(y: ArrayLike, variance: ArrayLike, x: ArrayLike) -> RandomEffects:
    """
    One moderator of studies, named beforehand.

    y, variance, x: shape (k,). Estimates, their variances, and the moderator.
    Raises ValueError with fewer than 8 studies, or a level of two that fewer than 3 studies have.

    .. [1] Knapp G, Hartung J. Stat Med 2003;22:2693-2710 (memory).
    """
    values, spread, level = (np.asarray(one, dtype=np.float64) for one in (y, variance, x))
    k, (kinds, counts) = values.size, np.unique(level, return_counts=True)
    if k < 8 or kinds.size < 2 or (kinds.size == 2 and counts.min() < 3):
        few = f"got {k} and {counts.min()}"
        raise ValueError(f"a moderator needs 8 studies and 3 of each kind; {few}")
    return _last_coefficient(values, spread, np.stack([np.ones(k), level - level.mean()], axis=1))


def _last_coefficient(values: Floats, spread: Floats, columns: Floats) -> RandomEffects:
    """Regress estimates on columns, at the variance between studies that the misfit asks for."""
    from scipy import optimize

    df = columns.shape[0] - columns.shape[1]

    def fit(tau2: float) -> tuple[float, float, float]:
        weighted = columns / (spread + tau2)[:, None]
        bread = np.linalg.inv(weighted.T @ columns)
        beta = bread @ (weighted.T @ values)
        misfit = float((values - columns @ beta) ** 2 @ (1.0 / (spread + tau2)))
        return float(beta[-1]), misfit, float(bread[-1, -1])

    high = 1.0 if fit(0.0)[1] > df else 0.0  # without any more misfit than chance makes, 0
    while high and fit(high)[1] > df:
        high *= 2.0
    tau2 = float(optimize.brentq(lambda t: fit(t)[1] - df, 0.0, high, xtol=1e-13)) if high else 0.0
    estimate, misfit, unit = fit(tau2)
    error = sqrt(max(1.0, misfit / df) * unit)
    p = t_p_value(estimate / error, df) if error < inf else 1.0
    return RandomEffects(estimate, t_interval(estimate, error, df), tau2, p)
