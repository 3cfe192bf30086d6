"""
Where stages carry a measured oxygen uptake: how much of an estimate's error is cost, how much pulse.

An estimate from heart rate and work rate errs twice: the equation from work rate to oxygen uptake is
not this athlete's, and heart rate is carried to its maximum along a line. With the uptake of the
stages measured, the second part can be had alone; the first is the rest.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from agreement.physiology.heart_rate import GUARDS, Form, heart_rate_extrapolation
from agreement.tables.options import Extrapolation


@dataclass(frozen=True, slots=True)
class ErrorSplit:
    """The two parts of one estimate's error. [mL/kg/min]."""

    total: float  # estimate from work rate - laboratory; the sum of the parts
    cost: float  # what the equation from work rate to oxygen uptake adds
    heart_rate: float  # what carrying heart rate to its maximum adds, on measured uptake
    n_points: int  # stages used
    refused: str | None  # why there is no split

    def to_frame(self) -> pd.DataFrame:
        """Return one row per part: statistic, value, low, high, unit, n, n_pairs, note."""
        rows = [("total", self.total), ("cost", self.cost), ("heart_rate", self.heart_rate)]
        frame = pd.DataFrame(rows, columns=["statistic", "value"])
        return frame.assign(
            low=np.nan,
            high=np.nan,
            unit="mL/kg/min",
            n=1,
            n_pairs=self.n_points,
            note=self.refused or "",
        )

    def summary(self) -> str:
        """Return the split in one sentence."""
        if self.refused is not None:
            return f"The error cannot be split: {self.refused}."
        return (
            f"Of {self.total:+.1f} mL/kg/min, {self.cost:+.1f} come from the cost equation and "
            f"{self.heart_rate:+.1f} from carrying heart rate to its maximum."
        )

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>"


def split_error(
    hr: ArrayLike,
    costed_vo2: ArrayLike,
    measured_vo2: ArrayLike,
    hr_max: float,
    lab: float,
    *,
    form: Form = "vo2_on_hr",
    guards: Extrapolation = GUARDS,
) -> ErrorSplit:
    """
    Split the error of a heart-rate estimate.

    hr, costed_vo2, measured_vo2: shape (n,). Of the same stages: heart rate [bpm], uptake by the
        cost equation and as measured [mL/kg/min]. Stages where one is missing are left out.
    hr_max, lab: measured heart-rate maximum [bpm] and VO2max [mL/kg/min].
    form, guards: as in `agreement.physiology.heart_rate.heart_rate_extrapolation`.
    Returns: total = cost + heart_rate = estimate - laboratory.
    """
    stages = np.column_stack(
        [np.asarray(v, dtype=np.float64) for v in (hr, costed_vo2, measured_vo2)]
    )
    pulse, costed, measured = stages[np.isfinite(stages).all(axis=1)].T
    by_cost, by_measure = (
        heart_rate_extrapolation(pulse, vo2, hr_max, form=form, guards=guards)
        for vo2 in (costed, measured)
    )
    return ErrorSplit(
        total=by_cost.vo2max - lab,
        cost=by_cost.vo2max - by_measure.vo2max,
        heart_rate=by_measure.vo2max - lab,
        n_points=by_cost.n_points,
        refused=by_cost.refused or by_measure.refused,
    )
