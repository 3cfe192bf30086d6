"""Limits for the less fit and the fit, and limits of lopsided differences: what a verdict must pass."""

from dataclasses import dataclass
from math import hypot, sqrt
from typing import Final, NamedTuple

import numpy as np
from scipy import special

from agreement.arrays import ArrayLike, Floats
from agreement.stats.basics.intervals import z_of
from agreement.stats.basics.least_squares import SD_OF_MEAN_SIZE
from agreement.stats.basics.tolerance import limit_factors
from agreement.stats.limits.limits import checked_pairs
from agreement.stats.lines.structural import StructuralSlope

CENTILES: Final = (0.10, 0.90)  # of the mean of both methods: less fit and fit athletes
LOPSIDED: Final = 0.7  # skewness beyond which one spread for both sides misleads


class Ends(NamedTuple):
    """Limits at one level, with the outer ends that they reach at the confidence asked for."""

    outer_lower: float
    lower: float
    upper: float
    outer_upper: float

    def within(self, margin: float) -> bool:
        """Whether both outer ends lie inside the margin."""
        return bool(self.outer_lower >= -margin and self.outer_upper <= margin)

    def worst(self, margin: float) -> float:
        """Return the outer end that goes furthest beyond the margin, or comes nearest to it."""
        below, above = -margin - self.outer_lower, self.outer_upper - margin
        return self.outer_upper if above >= below else self.outer_lower


@dataclass(frozen=True, slots=True)
class AtFitness:
    """Limits for less fit and for fit athletes."""

    # low, high: 10th and 90th centile of the mean of both methods. [mL/kg/min]
    low: float
    high: float
    at_low: Ends
    at_high: Ends


def limits_at_fitness(
    field: ArrayLike,
    lab: ArrayLike,
    *,
    confidence: float = 0.80,
    noise: float = 0.0,
    slope: StructuralSlope | None = None,
    net: bool = False,
) -> AtFitness | None:
    r"""
    Limits at the 10th and the 90th centile of fitness, their outer ends one-sided.

    field, lab: shape (n,). One pair per athlete. [mL/kg/min]
    confidence: of each outer end.
    noise: variance of a difference that is the laboratory's; taken out if `net`.
    slope: carries the mean difference from level to level; without it the line of the differences
        does.
    net: about the true value instead of a laboratory test.
    Returns: None where all athletes are at one level: nothing depends on fitness then.

    Differences and the size of their residuals follow straight lines on the mean of both methods:
    :math:`m \mp (z\sigma + \sqrt{t^2 s_m^2 + z^2 t^2 s_\sigma^2})`. No test comes first: a limit
    that is passed on the whole must hold for the fit and the less fit, however small the p value.

    .. [1] Bland JM, Altman DG. Measuring agreement in method comparison studies. Stat Methods Med
       Res 1999;8:135-160, section 3.2 (lines of level and spread); the ends are derived.
    """
    y, lab_values = checked_pairs(field, lab)
    level, d = (y + lab_values) / 2.0, y - lab_values
    x, n = level - level.mean(), level.size
    sxx = float(x @ x)
    if sxx <= 1e-9 * n:
        return None
    line = float(x @ d) / sxx
    e = d - d.mean() - line * x
    leverage = 1.0 / n + x * x / sxx
    size = np.abs(e) / np.sqrt(np.maximum(1.0 - leverage, 1e-12))
    steepness = float(x @ size) / sxx
    of_size = size - size.mean() - steepness * x
    variance, s_u = float(e @ e) / (n - 2), sqrt(float(of_size @ of_size) / (n - 2))
    z, t = z_of(0.95), float(special.stdtrit(n - 2, confidence))

    def ends(at: float) -> Ends:
        x0 = at - float(level.mean())
        root = sqrt(1.0 / n + x0 * x0 / sxx)
        sigma = max(SD_OF_MEAN_SIZE * (float(size.mean()) + steepness * x0), 0.0)
        outer = sigma + t * SD_OF_MEAN_SIZE * s_u * root
        if net:
            sigma, outer = (sqrt(max(value**2 - noise, 0.0)) for value in (sigma, outer))
        if slope is None or np.isnan(slope.slope):
            middle, error = float(d.mean()) + line * x0, sqrt(variance) * root
        else:
            middle = float(d.mean()) + (slope.slope - 1.0) * x0
            error = sqrt(variance / n + (x0 * slope.standard_error) ** 2)
        reach = z * sigma + hypot(t * error, z * (outer - sigma))
        return Ends(middle - reach, middle - z * sigma, middle + z * sigma, middle + reach)

    low, high = (float(value) for value in np.quantile(level, CENTILES))
    return AtFitness(low, high, ends(low), ends(high))


class TwoPiece(NamedTuple):
    """Outer ends of limits with a spread of its own on each side of the median."""

    skewness: float
    lower: float
    upper: float

    @property
    def lopsided(self) -> bool:
        """Whether the differences are skewed enough to need them."""
        return abs(self.skewness) > LOPSIDED

    def within(self, margin: float) -> bool:
        """Whether both lie inside the margin."""
        return bool(self.lower >= -margin and self.upper <= margin)


def two_piece_limits(
    difference: ArrayLike, *, noise: float = 0.0, confidence_level: float = 0.95
) -> TwoPiece:
    """
    Limits of lopsided differences: each side of the median by its own spread.

    difference: shape (n,). One per athlete, field minus laboratory. [mL/kg/min]
    noise: variance on either side that is the laboratory's and is taken out.

    Half the athletes tell of either side: the exact factor of the outer end of a limit is that of
    n/2 athletes. Derived, not published.
    """
    d = np.asarray(difference, dtype=np.float64)
    centred = d - d.mean()
    second = float((centred**2).mean())
    skewness = float((centred**3).mean()) / second**1.5 if second > 0.0 else 0.0
    middle = float(np.median(d))
    factor = limit_factors(max(d.size // 2, 3), 0.95, confidence_level)[1]

    def spread(side: Floats) -> float:
        square = float(((side - middle) ** 2).mean()) if side.size else 0.0
        return sqrt(max(square - noise, 0.0))

    return TwoPiece(
        skewness, middle - factor * spread(d[d < middle]), middle + factor * spread(d[d > middle])
    )
