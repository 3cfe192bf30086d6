"""
One athlete's sessions as a picture needs them: points, line, and the line's error up to HRmax.

For the figure that shows why a training profile is misread.
"""

from collections.abc import Hashable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.physiology.heart_rate import PointSums, extrapolations, point_sums
from agreement.tables.options import Extrapolation
from agreement.terms import NOT_ENOUGH_DATA

BAND_COLUMNS: Final = ["hr_bpm", "vo2", "low", "high", "usual"]
_UNGUARDED: Final = Extrapolation(
    minimum_hr_span_bpm=0, minimum_points=3, minimum_top_share_of_hr_max=0
)
_STEPS: Final = 60


@dataclass(frozen=True, slots=True)
class SessionFan:
    """What one athlete's sessions say, and how far that may be off."""

    # athlete_id, mode, training_profile: who, and in which exercise
    athlete_id: str
    mode: str
    training_profile: str
    lab: float  # what the laboratory measured. [mL/kg/min]
    hr_max_bpm: float  # what the line is carried to. [bpm]
    # hr_bpm [bpm], vo2 [mL/kg/min]: steady stretches, uptake from pace or power
    points: pd.DataFrame
    # `BAND_COLUMNS`: from the lowest point to HRmax, the line (`hr_on_vo2`), one standard error
    # below and above it, and the usual form (`vo2_on_hr`) on the same points. [mL/kg/min]
    band: pd.DataFrame
    refused: str | None  # why the study makes no estimate of this line

    @property
    def standard_error(self) -> float:
        """Standard error of the line at HRmax. [mL/kg/min]."""
        end = self.band.iloc[-1]
        return float(end["high"] - end["vo2"])

    @property
    def usual_bias(self) -> float:
        """The usual form minus the line, at HRmax. [mL/kg/min]."""
        end = self.band.iloc[-1]
        return float(end["usual"] - end["vo2"])

    def summary(self) -> str:
        """Return the picture in one sentence."""
        pulse = self.points["hr_bpm"]
        return (
            f"{self.training_profile}: the sessions of {self.athlete_id} reach "
            f"{pulse.max() / self.hr_max_bpm:.0%} of HRmax over a span of {np.ptp(pulse):.0f} bpm; "
            f"at HRmax the line says {self.band['vo2'].iloc[-1]:.0f} \u00b1 "
            f"{self.standard_error:.1f}, the usual form {self.band['usual'].iloc[-1]:.0f}, the "
            f"laboratory measured {self.lab:.0f} mL/kg/min."
        )


def typical_fans(
    coverage: pd.DataFrame, points: pd.DataFrame, extrapolation: Extrapolation
) -> tuple[SessionFan, ...]:
    """
    Pick a typical athlete of each training profile and work out the fan of their line.

    coverage: of `agreement.physiology.coverage.intensity_coverage`.
    points: `agreement.physiology.readings.Readings.session_points`.
    extrapolation: the study's window and share of HRmax.
    Returns: one per profile with a line, that with the smallest standard error first. Typical is
        the athlete whose line's standard error is nearest to the median of the profile, among those
        whose line the study's guards let pass, if there is any.
    """
    known = coverage.drop_duplicates(["lab_test_id", "mode"])
    known = known[known["extrapolation_se"].notna() & (known["slope"] > 0)]
    known = known[known["training_profile"].notna()]
    known = known[known["training_profile"] != NOT_ENOUGH_DATA]
    found = []
    for _, every in known.groupby("training_profile", sort=True):
        carried = every[every["refused"].isna()]
        own = carried if len(carried) else every
        away = (own["extrapolation_se"] - own["extrapolation_se"].median()).abs().round(9)
        order = pd.DataFrame({"away": away, "athlete_id": own["athlete_id"]})
        first = order.sort_values(["away", "athlete_id"], kind="stable").index[0]
        found.append(_fan(own.loc[[first]].to_dict("records")[0], points, extrapolation))
    return tuple(sorted(found, key=lambda fan: fan.standard_error))


def _fan(line: dict[Hashable, Any], points: pd.DataFrame, options: Extrapolation) -> SessionFan:
    """Return the fan of one line of the coverage table."""
    top = float(line["hr_max_bpm"])
    ago = (line["line_date"] - points["date"]).dt.days
    own = points[
        (points["athlete_id"] == line["athlete_id"])
        & (points["mode"] == line["mode"])
        & (ago >= 0)
        & (ago < options.window_days)
        & (points["hr_bpm"] <= options.maximum_share_of_hr_max * top)
    ][["hr_bpm", "vo2"]]
    own = own.sort_values(
        ["hr_bpm", "vo2"], ignore_index=True
    )  # sums must not know the file's order
    refused = line["refused"]
    return SessionFan(
        athlete_id=str(line["athlete_id"]),
        mode=str(line["mode"]),
        training_profile=str(line["training_profile"]),
        lab=float(line["lab"]),
        hr_max_bpm=top,
        points=own,
        band=_band(own, top),
        refused=refused if isinstance(refused, str) else None,
    )


def _band(points: pd.DataFrame, hr_max: float) -> pd.DataFrame:
    """Return both forms of the line, and the error of `hr_on_vo2`, from the lowest point to HRmax."""
    pulse, uptake = (points[name].to_numpy(dtype=np.float64) for name in ("hr_bpm", "vo2"))
    one = point_sums(np.zeros(pulse.size, dtype=np.int64), pulse, uptake, groups=1)
    grid = np.linspace(pulse.min(), hr_max, _STEPS)
    sums = PointSums(*(np.repeat(part, _STEPS) for part in one))
    line = extrapolations(sums, grid, form="hr_on_vo2", guards=_UNGUARDED)
    usual = extrapolations(sums, grid, form="vo2_on_hr", guards=_UNGUARDED)
    return pd.DataFrame(
        {
            "hr_bpm": grid,
            "vo2": line["vo2max"],
            "low": line["vo2max"] - line["standard_error"],
            "high": line["vo2max"] + line["standard_error"],
            "usual": usual["vo2max"],
        }
    )[BAND_COLUMNS]
