"""The laboratory's control over time: whether the laboratory drifts, or the field method."""

from dataclasses import dataclass
from math import hypot
from typing import Final

import numpy as np

from agreement.stats.basics.intervals import Interval
from agreement.stats.basics.least_squares import Line, fit_line
from agreement.stats.lines.slope_on_one_method import DAYS, Drift, drift_of
from agreement.stats.method_data import TOO_FEW, MethodData, NotEstimable
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows
from agreement.terms import UNIT, counted

FEWEST_CONTROLS: Final = 5  # tests of the control (common practice, no source)


@dataclass(frozen=True, slots=True)
class Control(Result):
    """Drift of the laboratory, seen by its control, and what it leaves to the field method."""

    # value of the control on days since the first laboratory test of an athlete. [mL/kg/min]
    line: Line
    drift: Drift  # of the difference, field minus laboratory
    n: int  # athletes behind the numbers: 1 where the control is a person, whose numbers they are
    # days, values: of the control
    days: tuple[float, ...]
    values: tuple[float, ...]

    @property
    def laboratory(self) -> tuple[float, Interval]:
        """Change of the control in 30 days, with its interval. [mL/kg/min]."""
        low, high = self.line.slope_interval()
        return DAYS * self.line.slope, Interval(DAYS * low, DAYS * high)

    @property
    def field(self) -> tuple[float, Interval]:
        """Change of the field method in 30 days: of the difference, plus the laboratory's own."""
        (lab, (lab_low, lab_high)), d = self.laboratory, self.drift
        value = d.change + lab
        low = hypot(d.change - DAYS * d.interval.low, lab - lab_low)
        high = hypot(DAYS * d.interval.high - d.change, lab_high - lab)
        return value, Interval(value - low, value + high)

    def _rows(self) -> TableRows:
        return self.told(
            ("laboratory_drift", *self.laboratory),
            ("field_drift", *self.field),
            ("control_sd", self.line.residual_sd),
            note=f"{counted(self.line.n, 'test')} of the control",
            n_pairs=self.n,
        )

    def _finding(self) -> str:
        said = {
            (True, False): "the laboratory drifts; the field method is not shown to",
            (False, True): "the field method drifts; the laboratory is not shown to",
            (True, True): "both drift",
            (False, False): "neither is shown to drift",
        }
        ends = (self.laboratory[1], self.field[1])
        lab, field = (not low <= 0 <= high for low, high in ends)
        (a, (a1, a2)), (b, (b1, b2)) = self.laboratory, self.field
        return (
            f"In {DAYS} days the laboratory's control changes by {a:.1f} ({a1:.1f} to {a2:.1f}) and "
            f"the field method by {b:.1f} ({b1:.1f} to {b2:.1f}) {UNIT}: {said[lab, field]}. It rests "
            "on a control that itself stayed as it was."
        )


def control_of(data: MethodData) -> Control:
    """
    Tell the laboratory's drift from the field method's by the control.

    The difference is field minus laboratory, so its drift is the field's less the laboratory's. The
    control's tests are independent of the athletes' differences; the interval of the sum is MOVER's
    [1]_ (memory). A person's own change would look like the laboratory's: a calibrator has none.

    .. [1] Zou GY, Donner A. Construction of confidence limits about effect measures: a general
       approach. Stat Med 2008;27:1693-1702.
    """
    if data.control is None or data.control.empty:
        raise NotEstimable("no control is declared ([control] of study.toml).")
    own = data.control[data.control["mode"].isin(data.pairs["lab_mode"].unique())]
    if len(own) < FEWEST_CONTROLS:
        raise NotEstimable(
            f"fewer than {FEWEST_CONTROLS} tests of the control in this mode.", TOO_FEW
        )
    days = (own["date"] - data.pairs["lab_date"].min()).dt.days.to_numpy(dtype=np.float64)
    if np.ptp(days) < DAYS:
        raise NotEstimable(f"all tests of the control lie within {DAYS} days.")
    values = own["lab"].to_numpy(dtype=np.float64)
    drift, n = drift_of(data), 1 if data.options.control.kind == "person" else data.n
    line, told = fit_line(days, values), (tuple(days.tolist()), tuple(values.tolist()))
    return Control(line, drift, n, *told)


RECORD: Final = recorded("""
    control, place 245, whole: laboratory's control
    laboratory_drift: change of the laboratory's control in 30 days
      Away from zero the laboratory itself has moved.
      = least squares of the control's value on the day, times 30
    field_drift: change of the field method in 30 days
      Drift of the difference with the laboratory's own drift added back.
      = change_in_30_days plus laboratory_drift; interval by MOVER | Zou & Donner 2008
    control_sd: scatter of the control about its line
      How far the control's tests scatter from day to day.
      = residual standard deviation of that line
    """).by(control_of, shown_in=("validation", "audit"))
