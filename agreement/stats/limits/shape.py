"""Are the differences shaped as limits of agreement assume? Normality and skewness, one per athlete."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy

from agreement.arrays import DECIMALS, ArrayLike
from agreement.stats.basics.clusters import clusters
from agreement.stats.basics.intervals import said_p
from agreement.stats.limits.limits import FEWEST_FOR_SD
from agreement.stats.method_data import TOO_FEW, MethodData, NotEstimable
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows
from agreement.terms import counted

LARGEST_SHAPIRO: Final = 5000  # athletes looked at; the p value is not tabulated beyond


@dataclass(frozen=True, slots=True)
class Shape(Result):
    """Shape of the athletes' mean differences."""

    n: int
    n_pairs: int
    skewness: float
    p_normal: float  # Shapiro and Wilk's

    def _rows(self) -> TableRows:
        note = "of athletes' means" if self.n_pairs > self.n else ""
        return self.told(("skewness", self.skewness), ("p_normal", self.p_normal), note=note)

    def _finding(self) -> str:
        return f"Skewness of the differences {self.skewness:.1f}; Shapiro-Wilk {said_p(self.p_normal)}."


def shape(difference: ArrayLike, athlete: ArrayLike) -> Shape:
    """
    Skewness and Shapiro-Wilk test of the athletes' mean differences.

    difference, athlete: shape (n_pairs,). Field minus laboratory. [mL/kg/min]
    Raises NotEstimable with fewer than 3 athletes, or when all differ alike.

    .. [1] Shapiro SS, Wilk MB. An analysis of variance test for normality (complete samples).
       Biometrika 1965;52:591-611.
    """
    grouped = clusters(np.round(np.asarray(difference, dtype=np.float64), DECIMALS), athlete)
    if grouped.n < FEWEST_FOR_SD:
        raise NotEstimable(
            f"the differences of {counted(grouped.n, 'athlete')} have no shape.", TOO_FEW
        )
    means = np.round(grouped.means, DECIMALS)
    if float(np.ptp(means)) == 0.0:
        raise NotEstimable("all differences are equal.")
    return Shape(
        grouped.n,
        grouped.n_values,
        float(scipy.stats.skew(means)),
        float(scipy.stats.shapiro(means[:LARGEST_SHAPIRO]).pvalue),
    )


def shape_of(data: MethodData) -> Shape:
    """Shape of the differences of one method and mode, for the results table."""
    return shape(data.difference, data.athlete)


RECORD: Final = recorded("""
    shape, place 280, whole, own section: shape of the differences
    skewness [1]: skewness of differences
      Above zero, large positive differences are more common than large negative ones.
      = third moment about the mean, in standard deviations
    p_normal [p]: p of normal differences
      How often normal differences would look this far from normal.
      = order statistics of d | Shapiro & Wilk 1965
    """).by(shape_of)
