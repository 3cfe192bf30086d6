"""How well the laboratory value can be predicted from the field value: least squares."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from agreement.arrays import ArrayLike, Floats
from agreement.stats.basics.bootstrap import Resampling, bootstrap_of_sums
from agreement.stats.basics.intervals import Interval, checked_share, correlation_interval
from agreement.stats.basics.least_squares import Line, fit_line, moments, products
from agreement.stats.basics.replicates import Replicates, Scale
from agreement.stats.limits.limits import checked_pairs
from agreement.stats.method_data import NOT_ESTIMABLE, MethodData
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows

_FLAT: Final = 1e-9  # share of the sum of squares that rounding may leave of none
# slope, intercept, r, standard error of estimate
LINE_SCALES: Final[tuple[Scale, ...]] = ("plain", "plain", "atanh", "log")


@dataclass(frozen=True, slots=True)
class Regression(Result):
    """Laboratory on field. [mL/kg/min]."""

    line: Line
    n: int  # athletes
    # lowest, highest: observed range of the field values
    lowest: float
    highest: float
    joint_f: float  # F of slope 1 and intercept 0 together, on (2, n - 2) degrees of freedom
    # bootstrap by athlete of slope, intercept, r and standard error, when pairs repeat
    replicates: Replicates | None = None

    @property
    def n_pairs(self) -> int:
        """Pairs."""
        return self.line.n

    @property
    def slope(self) -> float:
        """Slope; error in the field values pulls it below 1 without any bias."""
        return self.line.slope

    @property
    def intercept(self) -> float:
        """Intercept."""
        return self.line.intercept

    @property
    def r(self) -> float:
        """Correlation. Not a measure of agreement."""
        return self.line.r

    @property
    def standard_error_of_estimate(self) -> float:
        """Residual standard deviation on n - 2 degrees of freedom."""
        return self.line.residual_sd

    @property
    def p_joint(self) -> float:
        """P value of slope 1 and intercept 0, treating pairs as independent."""
        return float(special.fdtrc(2, self.line.df, self.joint_f))

    def prediction_interval(
        self, field: ArrayLike, confidence_level: float = 0.95
    ) -> tuple[Floats, Floats]:
        """Interval of the laboratory value of a new athlete with this field value."""
        f, line = np.asarray(field, dtype=np.float64), self.line
        spread = np.sqrt(1.0 + 1.0 / line.n + (f - line.mean_x) ** 2 / line.sxx)
        level = checked_share("confidence_level", confidence_level)
        half = special.stdtrit(line.df, (1.0 + level) / 2.0) * line.residual_sd * spread
        return line.at(f) - half, line.at(f) + half

    def intervals(self, confidence_level: float = 0.95) -> tuple[Interval, ...]:
        """Intervals of slope, intercept, r and standard error of estimate."""
        if self.replicates is not None:
            return tuple(self.replicates.interval(k, confidence_level) for k in range(4))
        return (
            self.line.slope_interval(confidence_level),
            self.line.intercept_interval(confidence_level),
            correlation_interval(self.r, self.n, confidence_level),
            self.line.residual_sd_interval(confidence_level),
        )

    def _rows(self) -> TableRows:
        names = ("slope", "intercept", "r", "standard_error_of_estimate")
        note = "" if self.replicates is None else "clustered"
        flat = f"{NOT_ESTIMABLE}: all laboratory values are equal"
        for name, interval in zip(names, self.intervals(), strict=True):
            value = getattr(self, name)
            yield self.row(name, value, interval, flat if np.isnan(value) else note)

    def _finding(self) -> str:
        of_r = "no r: equal laboratory values" if np.isnan(self.r) else f"r = {self.r:.2f}"
        return (
            f"Laboratory = {self.intercept:.1f} + {self.slope:.2f} x field, with a standard error "
            f"of estimate of {self.standard_error_of_estimate:.1f} mL/kg/min ({of_r})."
        )


# Ours: from sums over athletes, so that 9999 resamples are one product.
def regression(
    field: ArrayLike, lab: ArrayLike, *, resampling: Resampling | None = None
) -> Regression:
    """
    Ordinary least squares of the laboratory value on the field value.

    Parameters
    ----------
    field, lab : array_like, shape (n,)
        [mL/kg/min]
    resampling : Resampling, optional
        Of the athletes; needed when athletes have several pairs.

    Raises
    ------
    ValueError
        If the shapes differ, a value is missing, there are fewer than 3 pairs, or all field values
        are equal.

    Notes
    -----
    For prediction. For the structural line between two methods use Deming or Passing-Bablok.
    When pairs repeat, intervals are over athletes (`Replicates.interval`): of 30 they hold the truth
    in 93 % of studies, that of the standard error of estimate in 91 % (measured), else 95 %.

    Examples
    --------
    >>> line = regression([40.0, 50.0, 60.0], [42.0, 50.0, 58.0])
    >>> round(line.slope, 6), round(line.intercept, 6)
    (0.8, 10.0)
    """
    pairs = checked_pairs(field, lab)
    line = fit_line(pairs.field, pairs.lab)
    d = pairs.lab - pairs.field
    rss_identity = float(d @ d)
    joint = (rss_identity - line.rss) / 2.0 / (line.rss / line.df) if line.rss > 0.0 else np.inf
    ends = float(pairs.field.min()), float(pairs.field.max())
    joint = max(0.0, joint) if rss_identity > 0.0 else 0.0
    if resampling is None:
        return Regression(line, line.n, *ends, joint)
    drawn = _bootstrap(pairs.field, pairs.lab, resampling)
    return Regression(line, resampling.n_athletes, *ends, joint, drawn)


def regression_of(data: MethodData) -> Regression:
    """Regression of one method and mode, for the results table."""
    return regression(data.field, data.lab, resampling=data.resampling if data.clustered else None)


def _bootstrap(f: Floats, x: Floats, resampling: Resampling) -> Replicates:
    centre_f, centre_x = float(f.mean()), float(x.mean())
    f, x = f - centre_f, x - centre_x
    spread = float(f @ f)

    def statistics(sums: Floats) -> Floats:
        m = moments(sums)
        slope = m.xy / np.where(m.xx > _FLAT * spread, m.xx, np.nan)
        intercept = (m.y - slope * m.x) / m.n + centre_x - slope * centre_f
        error = np.sqrt(np.maximum(m.yy - slope * m.xy, 0.0) / (m.n - 2.0))
        return np.stack([slope, intercept, slope * np.sqrt(m.xx / m.yy), error], axis=1)

    return bootstrap_of_sums(resampling, products(f, x), statistics, scales=LINE_SCALES)


RECORD: Final = recorded("""
    regression, place 50, whole, own section: line of laboratory on field
    slope [1]: slope of laboratory on field
      Change of the laboratory value expected for each mL/kg/min of the field value.
      = least squares of laboratory on field; r with Fisher's z | textbook
    intercept: intercept of laboratory on field
      Laboratory value that the line gives for a field value of zero.
    r [1]: correlation r
      How closely both methods rank the same people; high in a group of mixed fitness even where
      they disagree.
    standard_error_of_estimate: standard error of estimate
      How far laboratory values scatter about the line that predicts them from the field value.
      = residual standard deviation of laboratory on field, on n - 2; interval by chi-square
      | textbook
    """).by(regression_of, of_registry=("slope", "intercept", "r", "standard_error_of_estimate"))
STANDARD_ERROR: Final = RECORD.statistics[-1]
