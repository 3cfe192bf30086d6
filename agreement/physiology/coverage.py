"""
Why a profile is misread: which intensities an athlete's sessions, or the stages of a test, cover.

A line through a narrow, low range of heart rates is carried far: its error grows, and the usual form
of the line (`vo2_on_hr`) then reads low. Both are known before anyone is tested. What that explains
of the errors is a matter of statistics: `agreement.stats.causes.intensity_coverage`.
"""

from collections.abc import Hashable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.arrays import floats
from agreement.physiology.heart_rate import PointSums, extrapolations, point_sums
from agreement.physiology.readings import Readings
from agreement.physiology.set_aside import joined
from agreement.tables.options import Extrapolation
from agreement.terms import NOT_ENOUGH_DATA

COVERAGE_COLUMNS: Final = [
    "athlete_id", "lab_test_id", "mode", "training_profile", "lab", "line_date", "n_points",
    "hr_span", "top_share_of_hr_max", "slope", "intercept", "hr_max_bpm", "extrapolation_se",
    "expected_bias", "refused", "method", "observed_error",
]  # fmt: skip


def intensity_coverage(
    session_lines: pd.DataFrame, pairs: pd.DataFrame, *, window_days: int = 42
) -> pd.DataFrame:
    """
    Set each pair's observed error beside what the athlete's sessions covered.

    window_days: how old the last session may be on the day of the test. [days]
    Returns: `COVERAGE_COLUMNS`, one row per pair with a session of its mode before the test:
        extrapolation_se of the sessions' line, expected_bias of an estimator of form `vo2_on_hr` on
        the same sessions, observed_error = field - laboratory. [mL/kg/min]
    """
    if session_lines.empty or pairs.empty:
        return pd.DataFrame(columns=COVERAGE_COLUMNS)
    tests = pairs.assign(date=pd.to_datetime(pairs["lab_date"]).astype("datetime64[us]"))
    both = tests.merge(session_lines, on=["athlete_id", "mode"], suffixes=("", "_session"))
    ago = (both["date"] - both["date_session"]).dt.days
    both = both[(ago >= 0) & (ago <= window_days)]
    key = ["athlete_id", "lab_test_id", "method", "mode"]
    last = both.sort_values("date_session", kind="stable").drop_duplicates(key, keep="last")
    return _named(last.rename(columns={"date_session": "line_date"}))


def every_coverage(readings: Readings, pairs: pd.DataFrame, *, window_days: int) -> pd.DataFrame:
    """
    Return the coverage of every method: what its own test saw, else what the sessions saw.

    Returns: `COVERAGE_COLUMNS`; one row per pair of a stage test (that of the reading used), with
        no bias expected of its own line, and one of every other pair whose athlete has sessions.
    """
    own, lines = pd.DataFrame(columns=COVERAGE_COLUMNS), readings.stage_lines
    if len(lines) and len(pairs):
        gap = pd.to_timedelta(pairs["gap_days"], unit="D")
        tests = pairs.assign(date=pd.to_datetime(pairs["lab_date"]).astype("datetime64[us]") - gap)
        key = ["athlete_id", "method", "mode", "date"]
        both = tests.merge(lines[lines["refused"].isna()].drop_duplicates(key), on=key)
        own = _named(both.assign(line_date=both["date"], other_form_bias=np.nan))
    others = pairs[~pairs["method"].isin(own["method"].unique())]
    sessions = intensity_coverage(readings.session_lines, others, window_days=window_days)
    return joined((own, sessions), sessions)


def _named(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of pairs with their line in the columns and order of coverage."""
    ours = {"standard_error": "extrapolation_se", "other_form_bias": "expected_bias"}
    named = rows.rename(columns=ours | {"difference": "observed_error"})
    keys = ["method", "mode", "athlete_id", "lab_test_id"]
    return named.sort_values(keys, kind="stable")[COVERAGE_COLUMNS].reset_index(drop=True)


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


def typical_fans(
    coverage: pd.DataFrame, points: pd.DataFrame, extrapolation: Extrapolation
) -> tuple[SessionFan, ...]:
    """
    Pick a typical athlete of each training profile and work out the fan of their line.

    Returns: one per profile with a line, that with the smallest standard error first. Typical is
        the athlete whose line's standard error is nearest to the median of the profile, among those
        whose line the study's guards let pass, if there is any.
    """
    known, found = coverage.drop_duplicates(["lab_test_id", "mode"]), []
    known = known[known["extrapolation_se"].notna() & (known["slope"] > 0)]
    known = known[
        known["training_profile"].notna() & (known["training_profile"] != NOT_ENOUGH_DATA)
    ]
    for _, every in known.groupby("training_profile", sort=True):
        carried = every[every["refused"].isna()]
        own = carried if len(carried) else every
        away = (own["extrapolation_se"] - own["extrapolation_se"].median()).abs().round(9)
        order = pd.DataFrame({"away": away, "athlete_id": own["athlete_id"]})
        first = order.sort_values(["away", "athlete_id"], kind="stable").index[0]
        found.append(_fan(own.loc[[first]].to_dict("records")[0], points, extrapolation))
    return tuple(sorted(found, key=lambda fan: fan.standard_error))


def _fan(line: dict[Hashable, Any], points: pd.DataFrame, options: Extrapolation) -> SessionFan:
    top, refused = float(line["hr_max_bpm"]), line["refused"]
    ago = (line["line_date"] - points["date"]).dt.days
    own = points[
        (points["athlete_id"] == line["athlete_id"])
        & (points["mode"] == line["mode"])
        & (ago >= 0)
        & (ago < options.window_days)
        & (points["hr_bpm"] <= options.maximum_share_of_hr_max * top)
    ][["hr_bpm", "vo2"]]
    own = own.sort_values(["hr_bpm", "vo2"], ignore_index=True)  # sums know no order of the file
    who, mode, profile = (str(line[name]) for name in ("athlete_id", "mode", "training_profile"))
    why = refused if isinstance(refused, str) else None
    return SessionFan(who, mode, profile, float(line["lab"]), top, own, _band(own, top), why)


def _band(points: pd.DataFrame, hr_max: float) -> pd.DataFrame:
    """Return both forms of the line, and the error of `hr_on_vo2`, from the lowest point to HRmax."""
    pulse, uptake = floats(points, "hr_bpm", "vo2")
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
