"""Concordance and intraclass correlations of field and laboratory: index numbers, never the headline."""

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from scipy import special

from agreement.arrays import ArrayLike, Floats
from agreement.stats.basics.bootstrap import bootstrap_of_sums
from agreement.stats.basics.intervals import Interval, checked_share, z_of
from agreement.stats.basics.least_squares import moments, products
from agreement.stats.limits.limits import checked_pairs
from agreement.stats.method_data import MethodData
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows

IccForm = Literal[
    "A,1", "C,1"
]  # McGraw and Wong 1996; Shrout and Fleiss 1979 call them 2,1 and 3,1


@dataclass(frozen=True, slots=True)
class MeanSquares:
    """Mean squares of n athletes measured by k methods."""

    n: int
    k: int
    # athletes, methods, error: of the two-way table: BMS, JMS, EMS
    athletes: float
    methods: float
    error: float


# Ours: pingouin rounds intervals to two decimals and takes 30 times as long (speed table).
def intraclass_correlation(
    squares: MeanSquares, form: IccForm = "A,1", *, confidence_level: float = 0.95
) -> tuple[float, Interval]:
    """
    Intraclass correlation of a single value, and its interval, from mean squares.

    form: "A,1" absolute agreement, "C,1" consistency.

    .. [1] Shrout PE, Fleiss JL. Intraclass correlations: uses in assessing rater reliability.
       Psychol Bull 1979;86:420-428.
    .. [2] McGraw KO, Wong SP. Forming inferences about some intraclass correlation coefficients.
       Psychol Methods 1996;1:30-46.
    """
    share = 1 - (1 - checked_share("confidence_level", confidence_level)) / 2
    s, n, k = squares, squares.n, squares.k
    if form == "C,1":  # (F - 1)/(F + k - 1) for the ratio of two mean squares, and at its bounds
        if s.error <= 0:
            return 1.0, Interval(1.0, 1.0)
        ratio, df = s.athletes / s.error, float((n - 1) * (k - 1))
        lower, upper = special.fdtri(n - 1, df, share), special.fdtri(df, n - 1, share)
        bounds = (ratio, ratio / lower, ratio * upper)
        value, low, high = (float((f - 1) / (f + k - 1)) for f in bounds)
        return value, Interval(low, high)
    r = (s.athletes - s.error) / (s.athletes + (k - 1) * s.error + k * (s.methods - s.error) / n)
    if r >= 1.0:  # no noise, or less than the spread between athletes can be told from
        return 1.0, Interval(1.0, 1.0)
    a, b = k * r / (n * (1 - r)), 1 + k * r * (n - 1) / (n * (1 - r))
    df = (a * s.methods + b * s.error) ** 2 / (
        (a * s.methods) ** 2 / (k - 1) + (b * s.error) ** 2 / ((n - 1) * (k - 1))
    )
    lower, upper = special.fdtri(n - 1, df, share), special.fdtri(df, n - 1, share)
    noise = k * s.methods + (k * n - k - n) * s.error
    low = n * (s.athletes - lower * s.error) / (lower * noise + n * s.athletes)
    high = n * (upper * s.athletes - s.error) / (noise + n * upper * s.athletes)
    return float(r), Interval(float(low), float(high))


_ROUNDING: Final = 1e-9  # what the rounding of a mean leaves between equal values [mL/kg/min]
FEWEST_CONCORDANT: Final = (
    4  # the variance of the concordance divides by n - 2, and 2 points always concord
)


@dataclass(frozen=True, slots=True)
class Concordance(Result):
    """How near the pairs lie to the line of equality, in units of how much athletes differ."""

    # n, n_pairs: athletes and pairs
    n: int
    n_pairs: int
    ccc: float  # lin's concordance correlation coefficient
    ccc_interval: Interval
    # intraclass correlation of absolute agreement, single values: ICC(A,1), also called ICC(2,1)
    icc_a1: float
    icc_a1_interval: Interval
    icc_c1: float  # of consistency, which hides a bias: ICC(C,1), also called ICC(3,1)
    icc_c1_interval: Interval
    clustered: bool = False  # whether the intervals are from a bootstrap over athletes

    def _rows(self) -> TableRows:
        return self.told(
            ("ccc", self.ccc, self.ccc_interval),
            ("icc_a1", self.icc_a1, self.icc_a1_interval),
            ("icc_c1", self.icc_c1, self.icc_c1_interval),
            note="clustered" if self.clustered else "",
        )

    def _finding(self) -> str:
        return (
            f"Concordance {self.ccc:.2f}, ICC(A,1) = ICC(2,1) {self.icc_a1:.2f}, ICC(C,1) = ICC(3,1) "
            f"{self.icc_c1:.2f}; the same errors give higher figures in a group that differs more."
        )


# Ours: no library here has it with an interval.
def concordance(field: ArrayLike, lab: ArrayLike, *, confidence_level: float = 0.95) -> Concordance:
    r"""
    Concordance correlation and intraclass correlations with unrounded intervals.

    Parameters
    ----------
    field, lab : array_like, shape (n,)
        One pair per athlete. [mL/kg/min]
    confidence_level : float, default 0.95
        Of the intervals, in (0, 1).

    Raises
    ------
    ValueError
        If the shapes differ, a value is missing or infinite, there are fewer than 4 pairs, or one
        of the two does not vary.

    Notes
    -----
    Moments with divisor n [1]_. The variance of :math:`z = \mathrm{artanh}(ccc)` is the corrected
    one: the 1989 paper printed a factor 4 where 2 is right [2]_. The interval of ICC(A,1) is that
    of [3]_.

    References
    ----------
    .. [1] Lin LI. A concordance correlation coefficient to evaluate reproducibility. Biometrics
       1989;45:255-268.
    .. [2] Lin LI. A note on the concordance correlation coefficient. Biometrics 2000;56:324-325.
    .. [3] McGraw KO, Wong SP. Forming inferences about some intraclass correlation coefficients.
       Psychol Methods 1996;1:30-46.

    Examples
    --------
    >>> result = concordance([42.0, 46.5, 50.0, 54.5], [40.0, 45.0, 50.0, 55.0])
    >>> round(result.ccc, 3)
    0.969
    """
    y, x = checked_pairs(field, lab, fewest=FEWEST_CONCORDANT)
    level = checked_share("confidence_level", confidence_level)
    n = len(x)
    dx, dy = x - x.mean(), y - y.mean()
    sxx, syy, sxy = float(dx @ dx) / n, float(dy @ dy) / n, float(dx @ dy) / n
    if min(np.ptp(x), np.ptp(y)) <= _ROUNDING:
        raise ValueError("one of the two methods does not vary: no correlation can be given.")
    shift = float(x.mean() - y.mean())
    ccc = 2 * sxy / (sxx + syy + shift**2)
    r = sxy / np.sqrt(sxx * syy)
    total, difference = y + x, y - x
    spread, noise = total - total.mean(), difference - difference.mean()
    free, of_methods = 2 * (n - 1), n * float(difference.mean()) ** 2 / 2
    of_athletes, of_error = float(spread @ spread) / free, float(noise @ noise) / free
    squares = MeanSquares(n, 2, of_athletes, of_methods, of_error)
    return Concordance(
        n,
        n,
        ccc,
        _ccc_interval(ccc, r, shift / (sxx * syy) ** 0.25, n, level),
        *intraclass_correlation(squares, "A,1", confidence_level=level),
        *intraclass_correlation(squares, "C,1", confidence_level=level),
    )


def concordance_of(data: MethodData) -> Concordance:
    """
    Concordance and ICC(A,1) over all pairs.

    With several pairs of an athlete the intervals are over athletes, by `Replicates.interval`.

    Raises ValueError with fewer than 4 pairs, or when one of the methods does not vary.
    """
    result = concordance(data.field, data.lab)
    if not data.clustered:
        return result
    x, y = data.lab - data.lab.mean(), data.field - data.lab.mean()
    drawn = bootstrap_of_sums(data.resampling, products(x, y), _from_sums, scales=("atanh",) * 3)
    return replace(
        result,
        n=data.n,
        ccc_interval=drawn.interval(0),
        icc_a1_interval=drawn.interval(1),
        icc_c1_interval=drawn.interval(2),
        clustered=True,
    )


def _ccc_interval(ccc: float, r: float, u: float, n: int, level: float) -> Interval:
    """Interval on Fisher's scale; u is the shift over the geometric mean of the two spreads."""
    if abs(ccc) >= 1 - 1e-15:
        return Interval(ccc, ccc)
    if r == 0:
        return Interval(-1.0, 1.0)  # the variance has no limit as r goes to 0
    c = ccc
    variance = (
        (1 - r**2) * c**2 * (1 - c**2) / r**2
        + 2 * c**3 * (1 - c) * u**2 / r
        - c**4 * u**4 / (2 * r**2)
    ) / (n - 2)
    half = z_of(level) * np.sqrt(max(variance, 0.0)) / (1 - c**2)
    z = np.arctanh(c)
    return Interval(float(np.tanh(z - half)), float(np.tanh(z + half)))


def _from_sums(sums: Floats) -> Floats:
    """Ccc, ICC(A,1) and ICC(C,1), the identities for two methods, from sums of `products`."""
    n, sx, sy, sxx, syy, sxy = moments(sums)
    shift = (sx - sy) / n
    with np.errstate(divide="ignore", invalid="ignore"):
        ccc = 2 * sxy / (sxx + syy + n * shift**2)
        of_differences = (sxx + syy - 2 * sxy) / n
        icc = 2 * sxy / (sxx + syy + (n - 1) * (shift**2) - of_differences)
        consistent = 2 * sxy / (sxx + syy)
    return np.stack([ccc, icc, consistent], axis=1)


RECORD: Final = recorded("""
    concordance, place 80, whole, own section: coefficients of agreement
    ccc [1]: concordance correlation / concordance
      How close the points lie to the line of equality, 1 at best.
      = 2 cov / (variances + squared bias) | Lin 1989
    icc_a1 [1]: intraclass correlation ICC(A,1) = ICC(2,1), absolute agreement / ICC(A,1)
      Share of all variance that lies between people; a bias lowers it.
      = two-way, single value; absolute agreement and consistency | Shrout & Fleiss 1979; McGraw &
      Wong 1996
    icc_c1 [1]: intraclass correlation ICC(C,1) = ICC(3,1), consistency: hides a bias
      Share of variance that lies between people, a bias between methods set aside.
    """).by(concordance_of)
