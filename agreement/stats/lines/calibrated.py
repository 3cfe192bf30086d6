"""The calibration of a field estimate for one squad: what was chosen, and how far it can be off."""

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from scipy import special

from agreement.stats.basics.arrays import Floats
from agreement.stats.basics.intervals import Interval, checked_share
from agreement.stats.basics.left_out import ESTIMATED, MODELS, Fits, Model
from agreement.stats.lines.squad_calibration import LocalOffset
from agreement.stats.result import Result, TableRows

FEW: Final = 20
BEYOND_RANGE: Final = 2.0  # field values further outside are refused [mL/kg/min]
ORDINARY_SLOPES: Final = Interval(0.7, 1.3)


class LaboratoryEquivalent(NamedTuple):
    """What the laboratory would have read for one field value; empty with a reason if refused."""

    value: float
    low: float
    high: float
    note: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Calibration(Result):
    """None, an offset or a line, judged on athletes that it was not fitted to. [mL/kg/min]."""

    # n, n_pairs: athletes and pairs
    n: int
    n_pairs: int
    offset: float  # to be added to a field value: minus the bias
    # slope, intercept: least squares of laboratory on field over all pairs
    slope: float
    intercept: float
    offset_interval: Interval
    slope_interval: Interval
    intercept_interval: Interval
    # root mean square error of ``none``, ``offset``, ``line``, each athlete left out in turn
    rmse_cv: dict[Model, float]
    rmse_intervals: dict[Model, Interval]  # over athletes
    choice: Model  # by the rule of `agreement.stats.lines.squad_calibration`
    # lowest, highest: observed range of the field values
    lowest: float
    highest: float
    clustered: bool  # whether athletes have several pairs
    _fit: Fits
    _covariance: Floats
    _local: LocalOffset | None = None

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader should know: few athletes, an unusual slope."""
        said = []
        if self.n < FEW:
            said.append(f"fewer than {FEW} athletes")
        if self.choice == "line" and not ORDINARY_SLOPES.contains(self.slope):
            said.append("the method shrinks or stretches differences between athletes")
        return tuple(said)

    def laboratory_equivalent(
        self, field: float, confidence_level: float = 0.95
    ) -> LaboratoryEquivalent:
        """
        Return the laboratory value that one field value stands for, with its prediction interval.

        field: [mL/kg/min]
        Returns the value, without numbers more than 2 mL/kg/min outside the observed field values.
        """
        refused = self._refusal(field)
        if refused:
            return LaboratoryEquivalent(np.nan, np.nan, np.nan, refused)
        if self._local is not None:
            return LaboratoryEquivalent(*self._local.interval(field, confidence_level))
        value = float(self._fit.intercept[0] + self._fit.slope[0] * field)
        at = np.array([1.0, field])
        df = self.n - ESTIMATED[self.choice]
        spread = float(np.sqrt(self._fit.variance[0] + at @ self._covariance @ at))
        half = (
            float(
                special.stdtrit(df, (1 + checked_share("confidence_level", confidence_level)) / 2)
            )
            * spread
        )
        return LaboratoryEquivalent(value, value - half, value + half)

    def _rows(self) -> TableRows:
        return self.told(
            ("offset", self.offset, self.offset_interval),
            ("slope", self.slope, self.slope_interval),
            ("intercept", self.intercept, self.intercept_interval),
            *((f"rmse_cv_{one}", self.rmse_cv[one], self.rmse_intervals[one]) for one in MODELS),
            note="; ".join((("clustered",) if self.clustered else ()) + self.notes),
        )

    def _finding(self) -> str:
        what = {
            "none": "use the field value as it is",
            "offset": f"add {self.offset:.1f} to the field value",
            "line": f"take {self.intercept:.1f} + {self.slope:.2f} x field",
        }[self.choice]
        return (
            f"For a new athlete of this squad {what}: a typical miss of "
            f"{self.rmse_cv[self.choice]:.1f} mL/kg/min, against {self.rmse_cv['none']:.1f} "
            f"without calibration ({self.n} athletes, each left out in turn)."
        )

    def _refusal(self, field: float) -> str:
        if self.lowest - BEYOND_RANGE <= field <= self.highest + BEYOND_RANGE:
            return ""
        return (
            f"field value {field:.1f} is outside the calibrated range "
            f"{self.lowest:.1f} to {self.highest:.1f}"
        )
