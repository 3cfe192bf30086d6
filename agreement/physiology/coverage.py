"""
Why a profile is misread: which intensities an athlete's sessions, or the stages of a test, cover.

A line through a narrow, low range of heart rates is carried far: its error grows, and the usual form
of the line (`vo2_on_hr`) then reads low. Both are known before anyone is tested. What that explains
of the errors is a matter of statistics: `agreement.stats.causes.intensity_coverage`.
"""

from typing import Final

import numpy as np
import pandas as pd

from agreement.physiology.readings import Readings
from agreement.physiology.set_aside import joined

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

    session_lines: `agreement.physiology.readings.Readings.session_lines`.
    pairs: the paired table: athlete_id, lab_test_id, lab_date, lab, mode, method, difference,
        training_profile.
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

    window_days: as in `intensity_coverage`.
    Returns: `COVERAGE_COLUMNS`; one row per pair of a stage test (that of the reading used), with
        no bias expected of its own line, and one of every other pair whose athlete has sessions.
    """
    own = stage_coverage(readings.stage_lines, pairs)
    others = pairs[~pairs["method"].isin(own["method"].unique())]
    sessions = intensity_coverage(readings.session_lines, others, window_days=window_days)
    return joined((own, sessions), sessions)


def stage_coverage(stage_lines: pd.DataFrame, pairs: pd.DataFrame) -> pd.DataFrame:
    """
    Set each pair's observed error beside what the stages of its test covered.

    stage_lines: `agreement.physiology.readings.Readings.stage_lines`.
    Returns: `COVERAGE_COLUMNS`; expected_bias NaN, for the estimate is this very line. [mL/kg/min]
    """
    if stage_lines.empty or pairs.empty:
        return pd.DataFrame(columns=COVERAGE_COLUMNS)
    gap = pd.to_timedelta(pairs["gap_days"], unit="D")
    tests = pairs.assign(date=pd.to_datetime(pairs["lab_date"]).astype("datetime64[us]") - gap)
    key = ["athlete_id", "method", "mode", "date"]
    lines = stage_lines[stage_lines["refused"].isna()].drop_duplicates(key)
    both = tests.merge(lines, on=key).assign(other_form_bias=np.nan)
    return _named(both.assign(line_date=both["date"]))


def _named(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of pairs with their line in the columns and order of coverage."""
    ours = {"standard_error": "extrapolation_se", "other_form_bias": "expected_bias"}
    named = rows.rename(columns=ours | {"difference": "observed_error"})
    keys = ["method", "mode", "athlete_id", "lab_test_id"]
    return named.sort_values(keys, kind="stable")[COVERAGE_COLUMNS].reset_index(drop=True)
