"""Centred sums of pairs: what bias, limits, trend, regression and errors need, and no more."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from agreement.stats.basics.least_squares import Line
from agreement.stats.limits.limits import FEWEST, LimitsOfAgreement
from agreement.stats.method_data import DECIMALS

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PairSums:
    """
    Sums over the pairs of one chunk or many. [mL/kg/min].

    Kept for the difference d = field - laboratory and the mean a of both, not for field and
    laboratory: differences are small beside the values, and would drown in their rounding.

    Attributes
    ----------
    n : int
        Pairs.
    origin_d, offset_d, origin_a, offset_a : float
        Means of d and of a, each as a first value and the distance from it, so that values of 1e8
        keep their digits through many merges.
    ss_d, ss_a, sp_ad : float
        Centred sums of squares and of products.
    lowest, highest : float
        Range of a.
    absolute, absolute_share : float
        Sums of abs(d) and of abs(d) / laboratory.
    within : int
        Pairs with abs(d) <= `margin`.
    margin : float
        NaN: none was set.
    """

    n: int = 0
    origin_d: float = 0.0
    offset_d: float = 0.0
    origin_a: float = 0.0
    offset_a: float = 0.0
    ss_d: float = 0.0
    ss_a: float = 0.0
    sp_ad: float = 0.0
    lowest: float = np.inf
    highest: float = -np.inf
    absolute: float = 0.0
    absolute_share: float = 0.0
    within: int = 0
    margin: float = np.nan

    @classmethod
    def of(cls, field: Floats, lab: Floats, *, margin: float = np.nan) -> "PairSums":
        """
        Sum one chunk.

        Parameters
        ----------
        field, lab : ndarray, shape (n,)
            Finite; n may be 0.
        margin : float, optional
            For the share of pairs within it.

        Raises
        ------
        ValueError
            If a value is missing or infinite: a chunk must not spoil the whole.
        """
        if field.size == 0:
            return cls(margin=margin)
        d, a = field - lab, (field + lab) / 2.0
        if not np.isfinite(d.sum() + a.sum()):
            message = "a chunk holds missing or infinite values; leave them out and count them"
            raise ValueError(message)
        size = np.abs(d)
        origin_d, origin_a = float(d[0]), float(a[0])
        cd, ca = d - origin_d, a - origin_a
        offset_d, offset_a = float(cd.mean()), float(ca.mean())
        cd -= offset_d
        ca -= offset_a
        return cls(
            d.size,
            origin_d,
            offset_d,
            origin_a,
            offset_a,
            float(cd @ cd),
            float(ca @ ca),
            float(ca @ cd),
            float(a.min()),
            float(a.max()),
            float(size.sum()),
            float((size / lab).sum()),
            int(np.count_nonzero(np.round(size, DECIMALS) <= round(margin, DECIMALS))),
            margin,
        )

    def __add__(self, other: "PairSums") -> "PairSums":
        """
        Merge with the sums of other pairs.

        Notes
        -----
        Pairwise update of centred sums [1]_: no large numbers are subtracted.

        References
        ----------
        .. [1] Chan TF, Golub GH, LeVeque RJ. Algorithms for computing the sample variance.
           Am Stat 1983;37:242-247.
        """
        if self.n == 0 or other.n == 0:
            return replace(self if other.n == 0 else other)
        n = self.n + other.n
        share, weight = other.n / n, self.n * (other.n / n)
        gap_d = (other.origin_d - self.origin_d) + (other.offset_d - self.offset_d)
        gap_a = (other.origin_a - self.origin_a) + (other.offset_a - self.offset_a)
        return PairSums(
            n,
            self.origin_d,
            self.offset_d + share * gap_d,
            self.origin_a,
            self.offset_a + share * gap_a,
            self.ss_d + other.ss_d + weight * gap_d**2,
            self.ss_a + other.ss_a + weight * gap_a**2,
            self.sp_ad + other.sp_ad + weight * gap_a * gap_d,
            min(self.lowest, other.lowest),
            max(self.highest, other.highest),
            self.absolute + other.absolute,
            self.absolute_share + other.absolute_share,
            self.within + other.within,
            self.margin,
        )

    @property
    def mean_d(self) -> float:
        """Mean difference."""
        return self.origin_d + self.offset_d

    @property
    def mean_a(self) -> float:
        """Mean of the means of both methods."""
        return self.origin_a + self.offset_a

    def limits(self, *, coverage: float = 0.95) -> LimitsOfAgreement:
        """
        Bias and limits, as `agreement.stats.limits.limits.limits_of_agreement` gives them.

        Raises
        ------
        ValueError
            Below 3 pairs.
        """
        self._refuse_below(FEWEST)
        return LimitsOfAgreement(
            self.n, self.mean_d, float(np.sqrt(self.ss_d / (self.n - 1))), coverage
        )

    def trend_line(self) -> Line:
        """Line of the difference on the mean of both methods."""
        return self._line(self.mean_a, self.mean_d, self.ss_a, self.sp_ad, self.ss_d)

    def regression_line(self) -> Line:
        """Line of the laboratory on the field value."""
        ss_field = self.ss_a + self.sp_ad + self.ss_d / 4.0
        ss_lab = self.ss_a - self.sp_ad + self.ss_d / 4.0
        half = self.mean_d / 2.0
        return self._line(
            self.mean_a + half, self.mean_a - half, ss_field, self.ss_a - self.ss_d / 4.0, ss_lab
        )

    @property
    def mae(self) -> float:
        """Mean absolute difference."""
        return self.absolute / self.n

    @property
    def mape(self) -> float:
        """Mean absolute difference in percent of the laboratory value."""
        return 100.0 * self.absolute_share / self.n

    @property
    def rmse(self) -> float:
        """Root of the mean squared difference."""
        return float(np.sqrt(self.ss_d / self.n + self.mean_d**2))

    @property
    def share_within(self) -> float:
        """Share of pairs within the margin; NaN without one."""
        return float("nan") if np.isnan(self.margin) else self.within / self.n

    def _line(self, mean_x: float, mean_y: float, sxx: float, sxy: float, syy: float) -> Line:
        self._refuse_below(3)
        if sxx <= 0.0:
            message = "no line can be fitted: all values on the horizontal axis are equal"
            raise ValueError(message)
        slope = sxy / sxx
        rss = max(0.0, syy - slope * sxy)
        return Line(self.n, slope, mean_y - slope * mean_x, mean_x, mean_y, sxx, syy, rss)

    def _refuse_below(self, fewest: int) -> None:
        if self.n < fewest:
            message = f"at least {fewest} pairs are needed; {self.n} found"
            raise ValueError(message)
