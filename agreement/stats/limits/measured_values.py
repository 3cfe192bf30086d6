"""Mean and spread of what laboratory and field measured, as papers print them before any difference."""

from dataclasses import dataclass

import numpy as np

from agreement.stats.limits.limits import FEWEST_FOR_SD
from agreement.stats.method_data import TOO_FEW, MethodData, NotEstimable
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows
from agreement.terms import counted


@dataclass(frozen=True, slots=True)
class MeasuredValues(Result):
    """Mean and standard deviation of both methods, every pair counted once. [mL/kg/min]."""

    n: int
    n_pairs: int
    lab_mean: float
    lab_sd: float
    field_mean: float
    field_sd: float

    def _rows(self) -> TableRows:
        names = ("lab_mean", "lab_sd", "field_mean", "field_sd")
        return self.told(*((name, getattr(self, name)) for name in names))

    def _finding(self) -> str:
        return (
            f"Laboratory {self.lab_mean:.1f} (SD {self.lab_sd:.1f}), field {self.field_mean:.1f} "
            f"(SD {self.field_sd:.1f}) mL/kg/min."
        )


def measured_values_of(data: MethodData) -> MeasuredValues:
    """
    Mean and spread of the paired values of one method and mode.

    Raises NotEstimable with fewer than 3 athletes.
    """
    if data.n < FEWEST_FOR_SD:
        who = counted(data.n, "athlete")
        raise NotEstimable(f"the values of {who} have no spread.", TOO_FEW)
    both = (data.lab, data.field)
    lab, field = ((float(np.mean(one)), float(np.std(one, ddof=1))) for one in both)
    return MeasuredValues(data.n, data.n_pairs, *lab, *field)


# Of two methods that some read and others do not, both means would tell the values of these few.
RECORD = recorded("""
    measured_values, place 450, one person: values of both methods
    lab_mean: mean of the laboratory
      Mean of the paired laboratory values.
      = mean over pairs
    lab_sd: SD of the laboratory
      Spread of the paired laboratory values, athletes' differences included.
      = standard deviation over pairs, divisor n - 1
    field_mean: mean of the field method
      Mean of the paired field values.
      = as lab_mean
    field_sd: SD of the field method
      Spread of the paired field values, athletes' differences included.
      = as lab_sd
    """).by(measured_values_of, shown_in=("validation",))
