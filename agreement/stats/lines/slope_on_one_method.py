"""Slopes of the difference that a reader may ask for: over calendar time, and on one method alone."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from agreement.arrays import Floats
from agreement.stats.basics.bootstrap import resampled_slope
from agreement.stats.basics.intervals import Interval
from agreement.stats.basics.least_squares import Line, fit_line
from agreement.stats.method_data import TOO_FEW, MethodData, NotEstimable, too_few_athletes
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows
from agreement.terms import counted

DAYS: Final = 30  # over which a drift is told
FEWEST_FOR_DRIFT: Final = 5  # athletes


@dataclass(frozen=True, slots=True)
class Drift(Result):
    """Change of the difference over calendar time."""

    line: Line  # difference on days since the first laboratory test
    n: int  # athletes
    interval: Interval  # of the slope of a day, 95 %
    # whether the interval comes from resampling athletes, because some have several pairs
    clustered: bool

    @property
    def change(self) -> float:
        """Change of the difference in 30 days. [mL/kg/min]."""
        return DAYS * self.line.slope

    def _rows(self) -> TableRows:
        ends = Interval(DAYS * self.interval.low, DAYS * self.interval.high)
        said = ("clustered" if self.clustered else "", getattr(self.interval, "said", ""))
        note = "; ".join(filter(None, said))
        return [self.row("change_in_30_days", self.change, ends, note, n_pairs=self.line.n)]

    def _finding(self) -> str:
        low, high = (DAYS * end for end in self.interval)
        return (
            f"The difference changes by {self.change:.1f} mL/kg/min in {DAYS} days (95 % interval "
            f"{low:.1f} to {high:.1f})."
        )


@dataclass(frozen=True, slots=True)
class OnOneMethod(Result):
    """Slope of the difference on the laboratory value, and on the field value."""

    laboratory: Line
    field: Line
    n: int  # athletes
    intervals: tuple[Interval, Interval]  # of both slopes, 95 %
    clustered: bool  # as for `Drift`

    def _rows(self) -> TableRows:
        return self.told(
            ("slope_on_laboratory", self.laboratory.slope, self.intervals[0]),
            ("slope_on_field", self.field.slope, self.intervals[1]),
            note="clustered" if self.clustered else "",
            n_pairs=self.laboratory.n,
        )

    def _finding(self) -> str:
        return (
            f"The difference changes by {self.laboratory.slope:.2f} for each mL/kg/min of the "
            f"laboratory value, and by {self.field.slope:.2f} for each of the field value."
        )


def drift_of(data: MethodData) -> Drift:
    """Drift of one method and mode."""
    days = data.day
    if data.n < FEWEST_FOR_DRIFT:
        raise NotEstimable(f"{too_few_athletes(data.n)} to see a drift.", TOO_FEW)
    span = int(np.ptp(days))
    if span < DAYS:  # carried on to 30 days, chance would look like a protocol out of hand
        within = "were on one day" if span == 0 else f"lie within {counted(span, 'day')}"
        raise NotEstimable(f"all laboratory tests {within}: a drift needs {DAYS} days to show.")
    line = fit_line(days, data.difference)
    return Drift(line, data.n, _interval(line, days, data), data.clustered)


def slope_on_one_method_of(data: MethodData) -> OnOneMethod:
    """
    Slopes of the difference on each method alone, as papers draw them.

    The difference holds each method's own error, so it slopes down on the laboratory and up on the
    field value even where the methods agree [1]_ (memory); the slope on their mean is the fair one.

    .. [1] Bland JM, Altman DG. Comparing methods of measurement: why plotting difference against
       standard method is misleading. Lancet 1995;346:1085-1087.
    """
    if np.ptp(data.lab) == 0.0 or np.ptp(data.field) == 0.0:
        raise NotEstimable("all values of one method are equal.")
    laboratory, field = (fit_line(x, data.difference) for x in (data.lab, data.field))
    intervals = (_interval(laboratory, data.lab, data), _interval(field, data.field, data))
    return OnOneMethod(laboratory, field, data.n, intervals, data.clustered)


def _interval(line: Line, x: Floats, data: MethodData) -> Interval:
    """Interval of a slope: Student's, or by resampling athletes where some have several pairs."""
    if not data.clustered:
        return line.slope_interval()
    return resampled_slope(x, data.difference, data.resampling).interval()


RECORDS: Final = (
    recorded("""
        slope_on_one_method, place 200, whole, own section: difference against one method
        slope_on_laboratory [1]: slope of the difference on the laboratory
          As papers draw it; below zero by noise alone.
          = least squares of d on the laboratory | Bland & Altman 1995
        slope_on_field [1]: slope of the difference on the field value
          As papers draw it; above zero by noise alone.
          = least squares of d on the field value | Bland & Altman 1995
        """).by(slope_on_one_method_of),
    recorded("""
        drift, place 240, whole, own section: drift
        change_in_30_days on lab_date: change of the difference in 30 days
          How the difference moves with calendar time.
          = least squares of d on the day of the laboratory test, times 30
        """).by(drift_of),
)
