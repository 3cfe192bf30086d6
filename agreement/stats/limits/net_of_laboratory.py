"""The field method's own error: bias, spread and limits net of the laboratory's own noise."""

from dataclasses import dataclass, replace
from math import hypot, nan, sqrt
from typing import Any, Final

import numpy as np
from scipy import special

from agreement.arrays import ArrayLike
from agreement.stats.basics.clusters import clusters
from agreement.stats.basics.intervals import (
    Interval,
    VariancePart,
    interval_of_difference,
    t_interval,
    variance_interval,
    z_of,
)
from agreement.stats.limits.limits import FEW_FOR_REPORTS, FEW_REPEATS, FEWEST_FOR_SD
from agreement.stats.limits.limits_shown import AnyLimits
from agreement.stats.method_data import (
    LABORATORY_ERROR_TOO_LARGE,
    NO_MARGIN,
    TOO_FEW,
    MethodData,
    once,
)
from agreement.stats.record import recorded
from agreement.stats.repeats.laboratory_variance import (
    LaboratoryVariance,
    lab_tests_behind,
    laboratory_of,
)
from agreement.stats.result import TableRows


@dataclass(frozen=True, slots=True)
class NetOfLaboratory(AnyLimits):
    """The field method's own bias and spread about the athlete's true value. [mL/kg/min]."""

    n: int
    n_pairs: int
    bias: float  # the laboratory's lasting error stays in it and cannot be removed
    variance_of_bias: float
    # parts of the variance of a difference, with their degrees of freedom
    total: tuple[VariancePart, ...]
    noise_share: float  # the multiple of the laboratory's variance in a difference
    laboratory: LaboratoryVariance
    coverage: float = 0.95
    margin: float | None = None  # for the share of athletes within it. [mL/kg/min]

    @property
    def noise(self) -> float:
        """Variance of a difference that is the laboratory's noise."""
        return self.noise_share * self.laboratory.variance

    @property
    def spread(self) -> float:
        """Variance of a difference."""
        return sum(part.variance for part in self.total)

    @property
    def variance(self) -> float:
        """Own variance; below 0 where the laboratory's noise alone explains more than was seen."""
        return self.spread - self.noise

    def variance_interval(self, confidence_level: float = 0.95) -> Interval:
        """MOVER interval of the own variance; its ends may lie below 0."""
        of_total = variance_interval(self.total, confidence_level)
        low, high = self.laboratory.interval(confidence_level)
        noise = Interval(self.noise_share * low, self.noise_share * high)
        return interval_of_difference(self.spread, of_total, self.noise, noise)

    @property
    def contradiction(self) -> bool:
        """Whether the laboratory's variance is too large to be true beside these differences."""
        return self.variance_interval().high <= 0.0

    @property
    def sd(self) -> float:
        """Own standard deviation; 0 says "none is seen", at most the upper end of its interval."""
        return sqrt(max(self.variance, 0.0))

    def sd_interval(self, confidence_level: float = 0.95) -> Interval:
        """Interval of the own standard deviation."""
        low, high = self.variance_interval(confidence_level)
        return Interval(sqrt(max(low, 0.0)), sqrt(max(high, 0.0)))

    def bias_interval(self, confidence_level: float = 0.95) -> Interval:
        """Student interval of the bias, on athletes."""
        return t_interval(self.bias, sqrt(self.variance_of_bias), self.n - 1, confidence_level)

    def share_within(self, margin: float) -> tuple[float, Interval]:
        """Share of athletes whose own difference lies within the margin, and its interval."""
        low_sd, high_sd = self.sd_interval()
        half = self.bias_interval().high - self.bias
        size = abs(self.bias)
        share = _inside(size, self.sd, margin)
        more_sd, less_sd = (_inside(self.bias, sd, margin) for sd in (high_sd, low_sd))
        more_bias, less_bias = (
            _inside(off, self.sd, margin) for off in (size + half, max(size - half, 0.0))
        )
        low = share - hypot(share - more_bias, share - min(more_sd, share))
        high = share + hypot(less_bias - share, max(less_sd, share) - share)
        return share, Interval(max(low, 0.0), min(high, 1.0))

    def _rows(self) -> TableRows:
        laboratory = self.laboratory
        share, ends = (nan, None) if self.margin is None else self.share_within(self.margin)
        taken = self.noise / self.spread if self.spread > 0.0 else nan
        measured = None if laboratory.assumed else laboratory.interval()
        few = TOO_FEW if self.n < FEW_FOR_REPORTS else ""
        repeats = "few_repeats" if len(self.total) == 1 and self.n_pairs > self.n else ""
        # what is to be said of own spread, limits and share
        note = "; ".join(filter(None, dict.fromkeys([few, repeats, laboratory.note])))
        note = LABORATORY_ERROR_TOO_LARGE if self.contradiction else note
        limits: list[tuple[Any, ...]] = [
            ("own_lower_limit", self.lower, self.lower_interval(), note),
            ("own_upper_limit", self.upper, self.upper_interval(), note),
            ("own_share_within_margin", share, ends, NO_MARGIN if self.margin is None else note),
        ]
        if self.contradiction or few:  # they cannot be told
            limits = [(name, nan, None, why) for name, _, _, why in limits]
        return self.told(
            ("own_bias", self.bias, self.bias_interval()),
            ("own_sd", self.sd, self.sd_interval(), note),
            *limits,
            ("laboratory_variance", laboratory.variance, measured, laboratory.note),
            ("laboratory_df", laboratory.df, None, laboratory.note),
            ("laboratory_share", taken, None, laboratory.note),
        )

    def _finding(self) -> str:
        return (
            f"The field value differs from the athlete's true value by {self.lower:.1f} to "
            f"{self.upper:.1f} mL/kg/min ({self.lower_interval().low:.1f} to "
            f"{self.upper_interval().high:.1f} at the outer ends)."
        )

    def _half_widths(self, confidence_level: float) -> tuple[float, float]:
        """Distance from an own limit to the inner and the outer end of its interval."""
        z, half = z_of(self.coverage), self.bias_interval(confidence_level).high - self.bias
        low, high = self.sd_interval(confidence_level)
        outer = hypot(half, z * (high - self.sd))
        if self.variance_interval(confidence_level).low <= 0.0:
            return z * self.sd + half, outer  # the limit may be the bias itself
        return hypot(half, z * (self.sd - low)), outer


def net_of_laboratory(
    difference: ArrayLike,
    athlete: ArrayLike,
    laboratory: LaboratoryVariance,
    *,
    tests_behind: ArrayLike | None = None,
    noise_shares: ArrayLike | None = None,
) -> NetOfLaboratory:
    r"""
    Bias, spread and limits of the field method about the true value.

    difference: shape (N,). Field minus laboratory. [mL/kg/min]
    athlete: shape (N,).
    laboratory: of one test.
    tests_behind: shape (N,). Laboratory tests averaged in each laboratory value; default: one.
    noise_shares: shape (N,). Instead: how many times the laboratory's variance is in each
        difference, as in changes.
    Raises ValueError with fewer than 3 athletes, missing values, or fewer than one test behind a
        value.

    Laboratory = true + e, field = true + own error, both errors independent [1]_. The variance of
    a difference is that of the own error plus :math:`c v`, v the laboratory's variance and c the
    mean of 1/(tests behind a value); intervals by MOVER [2]_. Errors that laboratory and field
    share (same day, same mass) make the own limits too narrow.

    .. [1] Fuller WA. Measurement error models. Wiley 1987 (memory).
    .. [2] Zou GY, Donner A. Construction of confidence limits about effect measures: a general
       approach. Stat Med 2008;27:1693-1702 (memory).

    >>> own = net_of_laboratory(
    ...     [1.0, -2.5, 3.0, 0.5, -1.0, 2.0], range(6), LaboratoryVariance(2.0, 20)
    ... )
    >>> round(own.bias, 2), round(own.sd, 2)
    (0.5, 1.41)
    """
    grouped = clusters(difference, athlete)
    if grouped.n < FEWEST_FOR_SD:
        raise ValueError(f"agreement needs at least {FEWEST_FOR_SD} athletes; got {grouped.n}")
    share = np.ones(grouped.n_values)
    if noise_shares is not None:
        share = np.asarray(noise_shares, dtype=np.float64)
    elif tests_behind is not None:
        counts = np.asarray(tests_behind, dtype=np.float64)
        if counts.shape != share.shape or not (counts >= 1).all():
            raise ValueError(f"`tests_behind` must hold {share.size} counts of 1 or more")
        share = 1.0 / counts
    between = float(grouped.means.var(ddof=1))
    noise_share = float(share.mean())
    total: tuple[VariancePart, ...] = (VariancePart(between, grouped.n - 1),)
    if grouped.df_within:
        weight = grouped.within_share
        within = weight * grouped.ms_within
        of_athlete = np.bincount(grouped.codes, share)
        of_means = float((of_athlete / grouped.sizes**2).mean())
        inside = float(((1.0 - 1.0 / grouped.sizes) * of_athlete).sum()) / grouped.df_within
        noise_share = of_means + weight * inside
        few = grouped.df_within < FEW_REPEATS
        total = (
            (VariancePart(between + within, grouped.n - 1),)
            if few
            else (*total, VariancePart(within, grouped.df_within))
        )
    return NetOfLaboratory(
        grouped.n,
        grouped.n_values,
        float(grouped.means.mean()),
        between / grouped.n,
        total,
        noise_share,
        laboratory,
    )


@once
def net_of_laboratory_of(data: MethodData) -> NetOfLaboratory:
    """
    Own error of one method and mode, for the results table.

    Raises NotEstimable when the laboratory's own error is unknown.
    """
    found = net_of_laboratory(
        data.difference, data.athlete, laboratory_of(data), tests_behind=lab_tests_behind(data)
    )
    return replace(found, margin=data.options.margin.limit)


def _inside(bias: float, sd: float, margin: float) -> float:
    """Share of a normal distribution between minus and plus the margin."""
    if sd == 0.0:
        return float(abs(bias) < margin)
    upper, lower = (margin - abs(bias)) / sd, (-margin - abs(bias)) / sd
    return float(special.ndtr(upper) - special.ndtr(lower))


RECORD: Final = recorded("""
    net_of_laboratory, place 400, whole: the field method's own error
    own_bias: own bias
      Mean of field minus laboratory; the laboratory's noise does not move it.
      = mean of d, of athletes' means where they have several pairs; interval by Student's t | Bland
      & Altman 1986
    own_sd: own spread
      How far the field method's own errors scatter, the laboratory's noise taken out.
      = root of the variance of d less the laboratory's part of it; interval by MOVER | Fuller 1987;
      Zou & Donner 2008
    own_lower_limit: lower limit net of the laboratory / net lower limit
      Where the lower limit would lie, had the laboratory no noise.
      = own bias minus and plus z times the own spread; intervals by MOVER | Fuller 1987; Zou &
      Donner 2008
    own_upper_limit: upper limit net of the laboratory / net upper limit
      Where the upper limit would lie, had the laboratory no noise.
    own_share_within_margin [1]: share of true values within the limit
      Share of readings that lie within the agreed limit of the athlete's true value.
      = normal distribution of own bias and own spread | Fuller 1987; Zou & Donner 2008
    laboratory_variance [(mL/kg/min)^2]: variance of one laboratory test
      The laboratory's own noise about an athlete's true value.
      = residual mean square of repeats, a shift from test to test taken out; without repeats the
      square of the declared error | Graybill & Wang 1980
    laboratory_df [1] .1: degrees of freedom of that variance
      How well the laboratory's noise is known.
      = repeated tests less units and shifts; without repeats as declared
    laboratory_share [1]: the laboratory's share of the spread
      Share of the variance of differences that is the laboratory's noise.
      = the laboratory's variance in a difference over the variance of d
    """).by(net_of_laboratory_of)
