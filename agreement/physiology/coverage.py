"""
Why a profile is misread: which intensities an athlete's sessions cover, and what that explains.

A line through a narrow, low range of heart rates is carried far: its error grows, and the form that
most wrist estimates use (`vo2_on_hr`) then reads low. Both are known before anyone is tested.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

COVERAGE_COLUMNS: Final = [
    "athlete_id",
    "lab_test_id",
    "mode",
    "training_profile",
    "n_points",
    "hr_span",
    "top_share_of_hr_max",
    "slope",
    "intercept",
    "hr_max_bpm",
    "extrapolation_se",
    "expected_bias",
    "refused",
    "method",
    "observed_error",
]


def intensity_coverage(
    session_lines: pd.DataFrame, pairs: pd.DataFrame, *, window_days: int = 42
) -> pd.DataFrame:
    """
    Set each pair's observed error beside what the athlete's sessions covered.

    Parameters
    ----------
    session_lines : DataFrame
        `agreement.physiology.readings.Readings.session_lines`.
    pairs : DataFrame
        The paired table: athlete_id, lab_test_id, lab_date, mode, method, difference,
        training_profile.
    window_days : int
        How old the last session may be on the day of the test. [days]

    Returns
    -------
    DataFrame
        `COVERAGE_COLUMNS`, one row per pair with a session of its mode before the test:
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
    named = last.rename(
        columns={
            "standard_error": "extrapolation_se",
            "other_form_bias": "expected_bias",
            "difference": "observed_error",
        }
    )
    return named.sort_values(["method", "mode", "athlete_id", "lab_test_id"], kind="stable")[
        COVERAGE_COLUMNS
    ].reset_index(drop=True)


@dataclass(frozen=True, slots=True)
class ExplainedByCoverage:
    """
    How much of the spread of errors the sessions' coverage explains.

    Attributes
    ----------
    method, mode : str
        Whose errors.
    n : int
        Pairs.
    share_of_variance : float
        Squared correlation of the observed errors with the expected bias. [-]
    slope : float
        Change of the observed error with the expected bias: 1 when it arises as expected. [-]
    mean_expected_bias : float
        [mL/kg/min]
    rms_extrapolation_se : float
        Root mean square of the lines' standard errors. [mL/kg/min]
    sd_of_errors : float
        Standard deviation of the observed errors. [mL/kg/min]
    """

    method: str
    mode: str
    n: int
    share_of_variance: float
    slope: float
    mean_expected_bias: float
    rms_extrapolation_se: float
    sd_of_errors: float

    def to_frame(self) -> pd.DataFrame:
        """Return one row per number: statistic, value, low, high, unit, n, n_pairs, note."""
        unit = "mL/kg/min"
        rows = [
            ("share_of_variance", self.share_of_variance, "1"),
            ("slope", self.slope, "1"),
            ("mean_expected_bias", self.mean_expected_bias, unit),
            ("rms_extrapolation_se", self.rms_extrapolation_se, unit),
            ("sd_of_errors", self.sd_of_errors, unit),
        ]
        frame = pd.DataFrame(rows, columns=["statistic", "value", "unit"])
        frame.insert(2, "low", np.nan)
        frame.insert(3, "high", np.nan)
        return frame.assign(n=self.n, n_pairs=self.n, note="")

    def summary(self) -> str:
        """Return what the coverage explains in one sentence."""
        return (
            f"What the sessions covered explains {self.share_of_variance:.0%} of the spread of the "
            f"errors of {self.method} ({self.mode}, n {self.n}); on average it lets expect "
            f"{self.mean_expected_bias:+.1f} mL/kg/min."
        )

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>"


def explained_by_coverage(coverage: pd.DataFrame) -> tuple[ExplainedByCoverage, ...]:
    """
    Relate observed errors to what the sessions let expect, for each method and mode.

    Parameters
    ----------
    coverage : DataFrame
        Of `intensity_coverage`.

    Returns
    -------
    tuple of ExplainedByCoverage
        Methods with at least three pairs whose expected bias is known and differs.
    """
    known = coverage[coverage["expected_bias"].notna() & coverage["observed_error"].notna()]
    results = []
    for (method, mode), part in known.groupby(["method", "mode"], sort=True):
        expected = part["expected_bias"].to_numpy(dtype=np.float64)
        observed = part["observed_error"].to_numpy(dtype=np.float64)
        if len(part) < 3 or np.ptp(expected) == 0 or np.ptp(observed) == 0:
            continue
        squares = np.nanmean(part["extrapolation_se"].to_numpy(dtype=np.float64) ** 2)
        covariance = np.cov(expected, observed)
        results.append(
            ExplainedByCoverage(
                method=str(method),
                mode=str(mode),
                n=len(part),
                share_of_variance=float(np.corrcoef(expected, observed)[0, 1] ** 2),
                slope=float(covariance[0, 1] / covariance[0, 0]),
                mean_expected_bias=float(expected.mean()),
                rms_extrapolation_se=float(np.sqrt(squares)),
                sd_of_errors=float(observed.std(ddof=1)),
            )
        )
    return tuple(results)
