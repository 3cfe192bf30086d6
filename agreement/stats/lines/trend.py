"""Does the error depend on fitness? Slope and spread of differences on the mean of both methods."""

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from scipy import special

from agreement.arrays import ArrayLike, Floats
from agreement.stats.basics.bootstrap import Resampling, bootstrap, bootstrap_of_sums
from agreement.stats.basics.intervals import SIGNIFICANT, Interval, checked_share, said_p, z_of
from agreement.stats.basics.least_squares import SD_OF_MEAN_SIZE, Line, fit_line
from agreement.stats.basics.replicates import Replicates, Scale
from agreement.stats.limits.limits import checked_pairs
from agreement.stats.method_data import MethodData
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows
from agreement.terms import UNIT

STEEP = 1.0  # mL/kg/min over the observed range; a smaller trend is of no practical weight
FROM_SUMS_ABOVE: Final = 1000  # athletes: in resamples residuals then keep their signs


class Band(NamedTuple):
    """Centre and both limits at given levels."""

    centre: Floats
    lower: Floats
    upper: Floats


@dataclass(frozen=True, slots=True)
class Trend(Result):
    """Differences on the mean of both methods: d = b0 + b1 a. [mL/kg/min]."""

    line: Line  # of the difference on the mean
    spread: Line  # of the absolute residual on the mean: c0 + c1 a
    breusch_pagan: float  # Koenker's n R-squared of squared residuals on the mean
    joint_f: float  # F of b0 = b1 = 0 on (2, n - 2) degrees of freedom
    # lowest, highest: observed range of the mean
    lowest: float
    highest: float
    n: int  # athletes
    coverage: float = 0.95
    # bootstrap by athlete of b1, c1 and the slope of squared residuals, when pairs repeat
    replicates: Replicates | None = None

    @property
    def n_pairs(self) -> int:
        """Pairs."""
        return self.line.n

    @property
    def p_slope(self) -> float:
        """P value of no slope: Student's t, or bootstrap by athlete when pairs repeat."""
        return self.line.p_slope if self.replicates is None else self.replicates.p_value(0)

    @property
    def p_spread(self) -> float:
        """P value of even spread: Breusch-Pagan, or its slope by bootstrap when pairs repeat."""
        if self.replicates is None:
            return float(special.chdtrc(1, self.breusch_pagan))
        return self.replicates.p_value(2)

    @property
    def p_joint(self) -> float:
        """P value of neither bias nor slope, treating pairs as independent."""
        return float(special.fdtrc(2, self.line.df, self.joint_f))

    @property
    def steep(self) -> bool:
        """Whether regression limits should be the headline: significant and of practical weight."""
        return (
            self.p_slope < SIGNIFICANT
            and abs(self.line.slope) * (self.highest - self.lowest) > STEEP
        )

    @property
    def depends_on_level(self) -> bool:
        """Whether flat limits mislead: the difference or its spread changes with fitness."""
        return self.steep or self.p_spread < SIGNIFICANT

    @property
    def uneven(self) -> bool:
        """Whether spread changes with level, in a way that stays positive over the range."""
        return self.p_spread < SIGNIFICANT and self._spread_stays_positive()

    def slope_interval(self, confidence_level: float = 0.95) -> Interval:
        """Interval of the slope: Student, or over athletes when pairs repeat."""
        if self.replicates is None:
            return self.line.slope_interval(confidence_level)
        return self.replicates.interval(0, confidence_level)

    def spread_interval(self) -> Interval:
        """Interval of the slope of the absolute residual."""
        if self.replicates is None:
            return self.spread.slope_interval()
        return self.replicates.interval(1)

    def limits_at(self, level: ArrayLike, *, varying_spread: bool = False) -> Band:
        """
        Regression limits of the difference at a level of the mean of both methods.

        level: mean of field and laboratory, inside `lowest` ... `highest`. [mL/kg/min]
        varying_spread: let the half width follow c0 + c1 a instead of the residual standard
            deviation.
        Raises ValueError: outside the observed range, or when the fitted spread is not positive all
            over it.
        """
        a = np.asarray(level, dtype=np.float64)
        slack = 1e-9 * (self.highest - self.lowest)
        if np.any(a < self.lowest - slack) or np.any(a > self.highest + slack):
            raise ValueError(
                f"`level` must lie in the observed range {self.lowest:.1f} to {self.highest:.1f}; "
                f"got {float(a.min()):.1f} to {float(a.max()):.1f}"
            )
        if varying_spread and not self._spread_stays_positive():
            raise ValueError(
                "the fitted spread falls to 0 inside the range; use varying_spread=False"
            )
        centre, z = self.line.at(a), z_of(self.coverage)
        half = np.full_like(a, z * self.line.residual_sd)
        if varying_spread:
            half = z * SD_OF_MEAN_SIZE * self.spread.at(a)
        return Band(centre, centre - half, centre + half)

    def _rows(self) -> TableRows:
        """Return the statistics of the record; the joint test knows nothing of repeated athletes."""
        alone = self.replicates is None
        note = "" if alone else "clustered"
        joint = "" if alone else "not_estimable: the joint test takes one pair per athlete"
        return self.told(
            ("slope_on_mean", self.line.slope, self.slope_interval(), note),
            ("p_slope", self.p_slope, None, note),
            ("spread_on_mean", self.spread.slope, self.spread_interval(), note),
            ("p_spread", self.p_spread, None, note),
            ("p_joint", self.p_joint if alone else np.nan, None, joint),
            ("intercept_on_mean", self.line.intercept, None, note),
            ("residual_sd", self.line.residual_sd, None, note),
            ("spread_intercept", self.spread.intercept, None, note),
        )

    def _finding(self) -> str:
        return (
            f"Per 10 {UNIT} of fitness the difference changes by {10 * self.line.slope:.1f} "
            f"({said_p(self.p_slope)}); the spread of differences "
            f"{'changes' if self.p_spread < SIGNIFICANT else 'shows no change'} with fitness "
            f"({said_p(self.p_spread)})."
        )

    def _spread_stays_positive(self) -> bool:
        return bool(np.all(self.spread.at([self.lowest, self.highest]) > 0.0))


# Ours: resamples need sums; and statsmodels' Breusch-Pagan takes 390 ms of a million pairs.
def trend(
    field: ArrayLike,
    lab: ArrayLike,
    *,
    coverage: float = 0.95,
    resampling: Resampling | None = None,
) -> Trend:
    """
    Slope and spread of the differences on the mean of both methods.

    field, lab: shape (n,) [mL/kg/min]
    coverage: of regression limits.
    resampling: of the athletes; needed when athletes have several pairs.
    Raises ValueError if the shapes differ, a value is missing, there are fewer than 3 pairs, or all
        pairs have the same mean.

    The slope is also the test of equal variances of both methods: it may come from unequal error
    variances as well as from proportional bias. Differences against the laboratory alone would
    slope even without bias [1]_. Regression limits after [2]_, section 3.2; spread test after [3]_.
    When pairs repeat, intervals are over athletes, as `Replicates.interval` says; above 1000 athletes
    every residual keeps its sign in the resamples, which moves an end by less than a hundredth of
    the interval's width (tested).

    .. [1] Bland JM, Altman DG. Comparing methods of measurement: why plotting difference against
       standard method is misleading. Lancet 1995;346:1085-1087.
    .. [2] Bland JM, Altman DG. Measuring agreement in method comparison studies.
       Stat Methods Med Res 1999;8:135-160.
    .. [3] Koenker R. A note on studentizing a test for heteroscedasticity.
       J Econometrics 1981;17:107-112.
    """
    checked_share("coverage", coverage)
    y, x = checked_pairs(field, lab)
    a, d = y + x, y - x
    a *= 0.5
    line = fit_line(a, d)
    residual = d - line.at(a)
    if line.rss == 0.0:
        residual[:] = 0.0
    squares = fit_line(a, residual**2)
    explained = squares.slope**2 * squares.sxx / squares.syy if squares.syy > 0.0 else 0.0
    total = float(d @ d)
    joint = (total - line.rss) / 2.0 / (line.rss / line.df) if line.rss > 0.0 else np.inf
    return Trend(
        line,
        fit_line(a, np.abs(residual)),
        line.n * explained,
        joint if total > 0.0 else 0.0,
        *(float(a.min()), float(a.max())),
        line.n if resampling is None else resampling.n_athletes,
        coverage,
        None if resampling is None else _drawn(resampling, a, d, np.sign(residual)),
    )


def trend_of(data: MethodData) -> Trend:
    """Trend of one method and mode, for the results table."""
    return trend(data.field, data.lab, resampling=data.resampling if data.clustered else None)


def _slopes(weights: Floats, a: Floats, d: Floats) -> Floats:
    """Slope of d, of the absolute and of the squared residual on a, for weights (R, N)."""
    total = weights.sum(axis=1)
    a, d = a - a.mean(), d - d.mean()
    mean_a, mean_d = (weights @ a) / total, (weights @ d) / total
    sxx = weights @ (a * a) - total * mean_a**2
    slope = (weights @ (a * d) - total * mean_a * mean_d) / sxx
    residual = d - (mean_d - slope * mean_a)[:, None] - slope[:, None] * a
    absolute, squared = np.abs(residual), residual**2
    of_spread = [
        ((weights * y) @ a - mean_a * (weights * y).sum(axis=1)) / sxx for y in (absolute, squared)
    ]
    return np.stack([slope, *of_spread], axis=1)


def _drawn(resampling: Resampling, a: Floats, d: Floats, sign: Floats) -> Replicates:
    """Slopes in every resample; of very many athletes from sums, as residuals keep their signs."""
    scales: tuple[Scale, ...] = ("plain",) * 3
    if resampling.n_athletes <= FROM_SUMS_ABOVE:
        return bootstrap(resampling, lambda w: _slopes(w, a, d), scales=scales)
    a, d = a - a.mean(), d - d.mean()
    parts = [np.ones_like(a), a, d, a * a, a * d, d * d, a**3, a * a * d, a * d * d]
    parts += [sign, sign * a, sign * a * a, sign * d, sign * a * d]
    return bootstrap_of_sums(resampling, np.stack(parts, axis=1), _slopes_of_sums, scales=scales)


def _slopes_of_sums(sums: Floats) -> Floats:
    """As `_slopes`, from sums (R, 14) of the powers of a, d and of the sign of the residual."""
    n, a, d, aa, ad, dd, aaa, aad, add, s, sa, saa, sd, sad = sums.T
    sxx = aa - a * a / n
    slope = (ad - a * d / n) / sxx
    start = (d - slope * a) / n
    absolute, with_a = sd - start * s - slope * sa, sad - start * sa - slope * saa
    squared = (
        dd - 2 * (start * d + slope * ad) + start**2 * n + 2 * start * slope * a + slope**2 * aa
    )
    squared_a = add - 2 * (start * ad + slope * aad) + start**2 * a + 2 * start * slope * aa
    squared_a += slope**2 * aaa
    of_spread = [(y - a / n * x) / sxx for x, y in ((absolute, with_a), (squared, squared_a))]
    return np.stack([slope, *of_spread], axis=1)


RECORD: Final = recorded("""
    trend, place 40, whole, own section: difference against fitness
    slope_on_mean [1]: slope of the difference on the mean
      Change of the difference for each mL/kg/min of the mean of both methods.
      = least squares of d on the mean of both | Bland & Altman 1999
    p_slope [p]: p of no slope
      How often chance makes a slope this steep.
    spread_on_mean [1]: slope of the spread on fitness
      Change of the size of residuals for each mL/kg/min of the mean of both methods.
      = least squares of the absolute residual on the mean | Bland & Altman 1999
    p_spread [p]: p of even spread
      How often chance alone would make the spread follow fitness this much.
      = squared residuals on the mean, studentised | Koenker 1981
    p_joint [p]: p of neither bias nor slope
      How often chance alone would set the line this far from no difference at all.
      = F of the line against no difference at all | Bradley & Blackwood 1989
    intercept_on_mean: intercept of the difference on fitness
      Where the line of the difference crosses a mean of zero.
      = as slope_on_mean
    residual_sd: spread about the line
      How far differences scatter about the line that follows fitness.
    spread_intercept: intercept of the spread on fitness
      Where the line of the size of residuals crosses a mean of zero.
      = as spread_on_mean
    """).by(trend_of, of_registry=("slope_on_mean", "p_slope", "spread_on_mean", "p_spread"))
