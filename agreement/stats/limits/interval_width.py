"""How exactly the limits of agreement are known, and how many athletes would halve that doubt."""

from dataclasses import dataclass
from math import nan
from typing import Final, cast

import numpy as np

from agreement.arrays import DECIMALS
from agreement.stats.limits.limits import StudyLimits
from agreement.stats.limits.limits_of_agreement import GroupedLimits
from agreement.stats.method_data import NotEstimable, require_enough
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows
from agreement.stats.verdict.planning_power import smallest_number


@dataclass(frozen=True, slots=True)
class IntervalWidth(Result):
    """Widths of the 95 % intervals of both limits. [mL/kg/min]."""

    n: int
    n_pairs: int
    of_lower: float
    of_upper: float
    # smallest total number of athletes with intervals half as wide, at the same spread and, where
    # athletes repeat, the same number of pairs each; None: none up to 100 000
    athletes_to_halve: int | None

    def _rows(self) -> TableRows:
        wanted = self.athletes_to_halve
        return self.told(
            ("width_of_lower_limit", self.of_lower),
            ("width_of_upper_limit", self.of_upper),
            ("athletes_to_halve", wanted or nan, None, "" if wanted else "no number would do"),
        )

    def _finding(self) -> str:
        wanted = self.athletes_to_halve
        return (
            f"The intervals of the lower and the upper limit are {self.of_lower:.1f} and "
            f"{self.of_upper:.1f} mL/kg/min wide"
            + (f"; {wanted} athletes in all would halve them." if wanted else ".")
        )


def interval_width(limits: StudyLimits) -> IntervalWidth:
    """
    Find how wide the intervals of both limits are, and who would halve them.

    Raises NotEstimable when all differences are equal: nothing is left to halve.

    The width shrinks with about the root of the number of athletes: four times as many halve it,
    somewhat fewer in small groups, where Student's t and chi-square shrink as well. The number here is
    found by trying the same intervals that the report prints.
    """
    ends = limits.lower_interval(), limits.upper_interval()
    of_lower, of_upper = (float(np.ptp(interval)) for interval in ends)
    half = of_upper / 2
    if round(half, DECIMALS) == 0.0:
        raise NotEstimable("all differences are equal.")
    # the lower limit's is as wide
    halved = smallest_number(lambda n: bool(np.ptp(limits.of_size(n).upper_interval()) <= half))
    return IntervalWidth(limits.n, limits.n_pairs, of_lower, of_upper, halved)


def interval_width_of(groups: GroupedLimits) -> IntervalWidth:
    """
    Width of the intervals of group ``all`` of one method and mode.

    Raises NotEstimable with fewer than 10 athletes.
    """
    require_enough(groups["all"].n)
    return interval_width(cast("StudyLimits", groups["all"].limits))  # there are some from 3 on


RECORD: Final = recorded("""
    interval_width, place 350, whole, own section: width of the limits' intervals
    width_of_lower_limit: width of the lower limit's interval
      Our doubt about the lower limit, which more athletes narrow.
      = upper less lower end of the interval: exact (noncentral t), or MOVER where athletes have
      several pairs | Carkeet 2015; Zou 2013
    width_of_upper_limit: width of the upper limit's interval
      Our doubt about the upper limit, which more athletes narrow.
    athletes_to_halve [1] .0 planned: athletes who would halve the intervals
      Smallest total number of athletes with intervals half as wide.
      = the same intervals at the same spread, for more athletes
    """).by(interval_width_of, of="limits_of_agreement")
