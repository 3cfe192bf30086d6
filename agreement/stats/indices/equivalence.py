"""Whether the mean bias, or single athletes, are shown to lie inside a margin agreed beforehand."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy import special

from agreement.arrays import ArrayLike
from agreement.stats.basics.clusters import clusters
from agreement.stats.basics.intervals import SIGNIFICANT, Interval, t_interval
from agreement.stats.method_data import NO_MARGIN, MethodData, NotEstimable
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows


@dataclass(frozen=True, slots=True)
class Equivalence(Result):
    """Two one-sided tests of the mean bias against a margin."""

    # n, n_pairs: athletes and pairs
    n: int
    n_pairs: int
    margin: float  # [mL/kg/min]
    bias: float  # mean of the athletes' mean differences. [mL/kg/min]
    interval: Interval  # 90 %: inside the margin exactly when p_tost is below 0.05
    p_tost: float  # the larger of the p values against minus and plus the margin
    note: str = ""

    def _rows(self) -> TableRows:
        return [self.row("p_tost", self.p_tost, note=self.note)]

    def _finding(self) -> str:
        shown = "lies" if self.p_tost < SIGNIFICANT else "is not shown to lie"
        return (
            f"The mean bias of {self.bias:.1f} mL/kg/min {shown} within {self.margin:g} mL/kg/min "
            f"(p = {self.p_tost:.3f}); this says nothing about a single athlete."
        )


# Ours: statsmodels' ttost_mean takes several pairs of one athlete for independent.
def equivalence(
    difference: ArrayLike, margin: float, *, athlete: ArrayLike | None = None
) -> Equivalence:
    """
    Two one-sided t tests that the mean bias lies inside -/+ margin.

    difference: shape (n_pairs,). Field minus laboratory. [mL/kg/min]
    margin: agreed before looking, above 0. [mL/kg/min]
    athlete: shape (n_pairs,). With several pairs per athlete the test is on the athletes' means.
    Raises ValueError with a margin of 0 or below, fewer than 3 athletes, or missing values.

    .. [1] Schuirmann DJ. A comparison of the two one-sided tests procedure and the power approach
       for assessing the equivalence of average bioavailability. J Pharmacokinet Biopharm
       1987;15:657-680.

    >>> result = equivalence([-1.0, 0.5, 0.2, -0.4, 0.9, 0.1], 2.0)
    >>> result.p_tost < 0.01
    True
    """
    if not (np.isfinite(margin) and margin > 0):
        raise ValueError(f"`margin` must be above 0; got {margin:g}")
    d = np.asarray(difference, dtype=np.float64)
    grouped = clusters(d, np.arange(d.size) if athlete is None else athlete)
    n = grouped.n
    if n < 3:
        raise ValueError(f"the test needs at least 3 athletes; got {n}")
    bias = float(grouped.means.mean())
    error = float(grouped.means.std(ddof=1)) / float(np.sqrt(n))
    room = margin - abs(bias)  # to the nearer end, whose p value is the larger
    p = float(special.stdtr(n - 1, -room / error)) if error > 0 else float(room <= 0)
    ends = t_interval(bias, error, n - 1, 0.90)
    return Equivalence(n, grouped.n_values, float(margin), bias, ends, p)


def equivalence_of(data: MethodData) -> Equivalence:
    """
    Test the mean bias against ``mean_limit_ml_kg_min``, or the limit for one athlete.

    Raises NotEstimable without a margin, ValueError with fewer than 3 athletes.
    """
    agreed = data.options.margin
    margin = agreed.for_means
    if margin is None:
        raise NotEstimable("no limit was agreed beforehand.", NO_MARGIN)
    result = equivalence(data.difference, margin, athlete=data.athlete)
    notes = ["clustered"] if data.clustered else []
    agreed_on, first = agreed.agreed_on, data.first_lab_date
    if agreed_on is not None and first is not None and agreed_on > first:
        notes.append("margin agreed after the first laboratory test")
    return replace(result, note="; ".join(notes))


RECORD: Final = recorded("""
    equivalence, place 150, whole, own section: equivalence of the mean
    p_tost [p]: p of a bias beyond the limit for the mean
      Small: the bias lies inside the limit agreed for the mean.
      = two one-sided t tests of the bias | Schuirmann 1987
    """).by(equivalence_of)
