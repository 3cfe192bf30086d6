"""Bias and limits of agreement of one pair per athlete, and of several; intervals of four grades."""

import warnings
from dataclasses import dataclass, replace
from typing import Any, Literal, NamedTuple, Self

import numpy as np
import pandas as pd

from agreement.arrays import ArrayLike, Floats
from agreement.errors import SmallSampleWarning
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
from agreement.stats.basics.tolerance import approximate_factors, limit_factors, tolerance_factor
from agreement.stats.limits.limits_shown import AnyLimits

Grade = Literal["exact", "exact pair", "approximate 1999", "approximate 1986"]

FEWEST_FOR_SD = 3  # athletes: a standard deviation of two says nothing
FEW = 30  # below, limits are barely determined
FEW_REPEATS = 5  # repeats beyond one each below which MOVER intervals explode
FEW_FOR_REPORTS = 10  # below, reports and tables leave limits out


class Pairs(NamedTuple):
    """Checked arrays of equal length."""

    field: Floats
    lab: Floats


@dataclass(frozen=True, slots=True)
class LimitsOfAgreement(AnyLimits):
    """Bias and limits of agreement, field minus laboratory. [mL/kg/min]."""

    n: int  # athletes, one pair each
    # bias, sd: mean and standard deviation of the differences
    bias: float
    sd: float
    coverage: float = 0.95  # share of differences that the limits should hold

    @property
    def n_pairs(self) -> int:
        """Pairs, as many as athletes."""
        return self.n

    def bias_interval(self, confidence_level: float = 0.95) -> Interval:
        """Student interval of the bias."""
        return t_interval(self.bias, self.sd / np.sqrt(self.n), self.n - 1, confidence_level)

    def sd_interval(self, confidence_level: float = 0.95) -> Interval:
        """Chi-square interval of the standard deviation."""
        return sd_interval(self.sd, self.n - 1, confidence_level)

    def lower_interval(self, confidence_level: float = 0.95, *, grade: Grade = "exact") -> Interval:
        """Interval of the lower limit, outer end first."""
        inner, outer = self._factors(grade, confidence_level)
        return Interval(self.bias - outer * self.sd, self.bias - inner * self.sd)

    def upper_interval(self, confidence_level: float = 0.95, *, grade: Grade = "exact") -> Interval:
        """
        Interval of the upper limit, inner end first.

        grade: "exact": each limit alone, noncentral t. "exact pair": both limits at once, from
            two-sided tolerance factors. "approximate 1999" and "approximate 1986": for comparison
            with older papers; lopsided at every realistic n, on the side that flatters.
        """
        inner, outer = self._factors(grade, confidence_level)
        return Interval(self.bias + inner * self.sd, self.bias + outer * self.sd)

    def prediction_limits(self) -> Interval:
        """Limits for the difference of one new athlete."""
        spread = self.sd * np.sqrt(1.0 + 1.0 / self.n)
        return t_interval(self.bias, spread, self.n - 1, self.coverage)

    def tolerance_limits(self, confidence: float = 0.95) -> Interval:
        """Limits that hold at least `coverage` of athletes with the given confidence."""
        half = tolerance_factor(self.n, self.coverage, confidence) * self.sd
        return Interval(self.bias - half, self.bias + half)

    def of_size(self, n: int) -> Self:
        """Return the same bias and spread in another number of athletes."""
        return replace(self, n=n)

    def _factors(self, grade: Grade, confidence_level: float) -> tuple[float, float]:
        if grade == "exact":
            return limit_factors(self.n, self.coverage, confidence_level)
        if grade == "approximate 1999":
            return approximate_factors(self.n, self.coverage, confidence_level)
        if grade == "approximate 1986":
            z = z_of(self.coverage)
            half = t_interval(0.0, float(np.sqrt(3.0 / self.n)), self.n - 1, confidence_level).high
            return z - half, z + half
        tail = (1.0 - checked_share("confidence_level", confidence_level)) / 2.0
        inner, outer = (tolerance_factor(self.n, self.coverage, p) for p in (tail, 1.0 - tail))
        return inner, outer


def limits_of_agreement(
    field: ArrayLike, lab: ArrayLike, *, coverage: float = 0.95
) -> LimitsOfAgreement:
    r"""
    Bias and limits of agreement of a field estimate with the laboratory.

    Parameters
    ----------
    field, lab : array_like, shape (n,)
        VO2max of the same athletes, in the same order, one pair each. [mL/kg/min]
    coverage : float, default 0.95
        Share of differences that the limits should hold, in (0, 1).

    Returns
    -------
    LimitsOfAgreement
        Bias is field minus laboratory: positive means the field estimate reads high.

    Raises
    ------
    ValueError
        If the shapes differ, a value is missing or infinite, or there are fewer than 3 pairs.

    Warns
    -----
    SmallSampleWarning
        Below 30 athletes.

    Notes
    -----
    Limits are :math:`\bar d \pm z s_d`, which assumes normal differences of constant spread [1]_.
    For several pairs per athlete use `limits_by_athlete`.

    References
    ----------
    .. [1] Bland JM, Altman DG. Statistical methods for assessing agreement between two methods of
       clinical measurement. Lancet 1986;i:307-310.

    Examples
    --------
    >>> import numpy as np
    >>> lab = np.arange(40.0, 70.0)
    >>> limits = limits_of_agreement(lab + np.tile([0.0, 2.0], 15), lab)
    >>> round(limits.bias, 2), round(limits.upper, 2)
    (1.0, 2.99)
    """
    pairs = checked_pairs(field, lab)
    checked_share("coverage", coverage)
    d = pairs.field - pairs.lab
    if d.size < FEW:
        message = f"{d.size} athletes: limits of agreement are barely determined below {FEW}"
        warnings.warn(message, SmallSampleWarning, stacklevel=2)
    return LimitsOfAgreement(d.size, float(d.mean()), float(d.std(ddof=1)), coverage)


def checked_pairs(field: ArrayLike, lab: ArrayLike, *, fewest: int = FEWEST_FOR_SD) -> Pairs:
    """Return two float arrays of one shape without gaps, or say what is wrong with them."""
    if isinstance(field, pd.Series) and isinstance(lab, pd.Series):
        lab = _in_order_of(field, lab)
    f, x = np.asarray(field, dtype=np.float64), np.asarray(lab, dtype=np.float64)
    if f.ndim != 1 or f.shape != x.shape:
        raise ValueError(
            "`field` and `lab` must be one-dimensional and of equal length; "
            f"got shapes {f.shape} and {x.shape}"
        )
    if not np.isfinite(f.sum() + x.sum()):  # one pass; which values are at fault is the slow path
        name, values = ("field", f) if not np.isfinite(f).all() else ("lab", x)
        bad = np.flatnonzero(~np.isfinite(values))
        if bad.size:
            kind = "missing" if np.isnan(values[bad[0]]) else "infinite"
            raise ValueError(
                f"`{name}` has {bad.size} missing or infinite values, the first ({kind}) at "
                f"position {bad[0]}; leave out pairs without both values and say how many"
            )
    if f.size < fewest:
        raise ValueError(f"at least {fewest} pairs are needed; {f.size} found")
    return Pairs(f, x)


def _in_order_of(field: "pd.Series[Any]", lab: "pd.Series[Any]") -> "pd.Series[Any]":
    """Return `lab` in the order of `field`'s index, or refuse two that are not about the same."""
    if field.index.equals(lab.index):
        return lab
    if field.index.is_unique and lab.index.is_unique and len(field) == len(lab):
        ordered = lab.reindex(field.index)
        if field.index.isin(lab.index).all():
            return ordered
    raise ValueError(
        "`field` and `lab` are Series with different indexes; give both one unique index, or "
        "`.to_numpy()` where their order is the same"
    )


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
    def sd(self) -> float:
        """Standard deviation of the difference of a single pair."""
        return float(np.sqrt(self.between + self.within_share * self.within))

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
    Bias and limits of agreement where athletes may have several pairs; few give no warning.

    Parameters
    ----------
    difference : array_like, shape (n,)
        Field minus laboratory. [mL/kg/min]
    athlete : array_like, shape (n,)
        Whose difference it is.
    coverage : float, default 0.95
        Share of differences that the limits should hold, in (0, 1).

    Returns
    -------
    LimitsOfAgreement or RepeatedLimits
        The latter where somebody has several: every athlete weighs alike.

    Raises
    ------
    ValueError
        With fewer than 3 athletes, with missing values, or a coverage outside (0, 1).

    Examples
    --------
    >>> limits_by_athlete([1.0, 3.0, 1.0, 4.0, 2.0], ["A", "A", "B", "C", "D"]).bias
    2.25
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
        grouped.within_share,
        coverage,
    )
