"""How exactly the limits of agreement are known, and how many athletes would halve that doubt."""

from dataclasses import dataclass
from math import nan
from typing import Final, cast

from agreement.stats.limits.limits import StudyLimits
from agreement.stats.limits.limits_of_agreement import GroupedLimits
from agreement.stats.method_data import DECIMALS, NotEstimable, require_enough
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows, told_rows
from agreement.stats.verdict.planning_power import smallest_number


@dataclass(frozen=True, slots=True)
class IntervalWidth(Result):
    """Widths of the 95 % intervals of both limits. [mL/kg/min]."""

    limits: StudyLimits
    # smallest total number of athletes with intervals half as wide, at the same spread and, where
    # athletes repeat, the same number of pairs each; None: none up to 100 000
    athletes_to_halve: int | None

    @property
    def of_lower(self) -> float:
        """Width of the interval of the lower limit."""
        low, high = self.limits.lower_interval()
        return high - low

    @property
    def of_upper(self) -> float:
        """Width of the interval of the upper limit."""
        low, high = self.limits.upper_interval()
        return high - low

    def _rows(self) -> TableRows:
        wanted = self.athletes_to_halve
        halve = (nan, None, "no number would do") if wanted is None else (wanted,)
        rows = (
            ("width_of_lower_limit", self.of_lower),
            ("width_of_upper_limit", self.of_upper),
            ("athletes_to_halve", *halve),
        )
        return told_rows(rows, n=self.limits.n, n_pairs=self.limits.n_pairs)

    def _finding(self) -> str:
        said = (
            f"The intervals of the lower and the upper limit are {self.of_lower:.1f} and "
            f"{self.of_upper:.1f} mL/kg/min wide"
        )
        wanted = self.athletes_to_halve
        return (
            f"{said}." if wanted is None else f"{said}; {wanted} athletes in all would halve them."
        )


def interval_width(limits: StudyLimits) -> IntervalWidth:
    """
    Find how wide the intervals of both limits are, and who would halve them.

    Raises NotEstimable when all differences are equal: nothing is left to halve.

    The width shrinks with about the root of the number of athletes: four times as many halve it,
    somewhat fewer in small groups, where Student's t and chi-square shrink as well. The number here is
    found by trying the same intervals that the report prints.
    """
    half = _width(limits) / 2
    if round(half, DECIMALS) == 0.0:
        raise NotEstimable("all differences are equal.")
    return IntervalWidth(limits, smallest_number(lambda n: _width(limits.of_size(n)) <= half))


def interval_width_of(groups: GroupedLimits) -> IntervalWidth:
    """
    Width of the intervals of group ``all`` of one method and mode.

    Raises NotEstimable with fewer than 10 athletes.
    """
    require_enough(groups["all"].n)
    return interval_width(cast("StudyLimits", groups.everyone))  # there are limits from 3 on


def _width(limits: StudyLimits) -> float:
    """Return the width of either interval; those of both limits are equal."""
    low, high = limits.upper_interval()
    return high - low


RECORD: Final = recorded("""
    interval_width, place 350, whole, own section: width of the limits' intervals
    width_of_lower_limit: width of the lower limit's interval
      Our doubt about the lower limit, which more athletes narrow.
      = exact, noncentral t | Carkeet 2015
    width_of_upper_limit: width of the upper limit's interval
      Our doubt about the upper limit, which more athletes narrow.
    athletes_to_halve [1] .0: athletes who would halve the intervals
      Smallest total number of athletes with intervals half as wide.
      = the same intervals at the same spread, for more athletes
    """).by(interval_width_of, of="limits_of_agreement")
