"""
Why a profile is misread: which intensities an athlete's sessions cover, and what that explains.

A line through a narrow, low range of heart rates is carried far: its error grows, and the usual form
of the line (`vo2_on_hr`) then reads low. Both are known before anyone is tested.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from scipy import stats

COVERAGE_COLUMNS: Final = [
    "athlete_id",
    "lab_test_id",
    "mode",
    "training_profile",
    "lab",
    "line_date",
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
FEWEST_FOR_SHARE: Final = 10  # pairs; below, a share of the spread says nothing
FEWEST_FOR_ERROR: Final = 5  # pairs; below, a profile shows no mean error


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
        The paired table: athlete_id, lab_test_id, lab_date, lab, mode, method, difference,
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
            "date_session": "line_date",
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
    n_athletes : int
        Athletes.
    share_of_variance, share_low, share_high : float
        Squared correlation of the observed errors with the expected bias, and its 95 % interval
        (Fisher's z of the correlation, on the number of athletes). [-]
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
    n_athletes: int
    share_of_variance: float
    share_low: float
    share_high: float
    slope: float
    mean_expected_bias: float
    rms_extrapolation_se: float
    sd_of_errors: float

    def to_frame(self) -> pd.DataFrame:
        """Return one row per number: statistic, value, low, high, unit, n, n_pairs, note."""
        unit, none = "mL/kg/min", np.nan
        rows = [
            ("share_of_variance", self.share_of_variance, self.share_low, self.share_high, "1"),
            ("slope", self.slope, none, none, "1"),
            ("mean_expected_bias", self.mean_expected_bias, none, none, unit),
            ("rms_extrapolation_se", self.rms_extrapolation_se, none, none, unit),
            ("sd_of_errors", self.sd_of_errors, none, none, unit),
        ]
        frame = pd.DataFrame(rows, columns=["statistic", "value", "low", "high", "unit"])
        return frame.assign(n=self.n_athletes, n_pairs=self.n, note="")

    def summary(self) -> str:
        """Return what the coverage explains in one sentence."""
        return (
            f"What the sessions covered explains {self.share_of_variance:.0%} of the spread of the "
            f"errors of {self.method} ({self.mode}; 95 % interval {self.share_low:.0%} to "
            f"{self.share_high:.0%}, {self.n_athletes} athletes)."
        )

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>"


def explained_by_coverage(coverage: pd.DataFrame) -> tuple[ExplainedByCoverage, ...]:
    """
    Relate observed errors to what the sessions let expect, for each method and mode.

    Parameters
    ----------
    coverage : DataFrame
        Of `intensity_coverage`, of methods that rest on heart rate.

    Returns
    -------
    tuple of ExplainedByCoverage
        Methods with at least four athletes whose expected bias is known and differs.
    """
    known = coverage[coverage["expected_bias"].notna() & coverage["observed_error"].notna()]
    results = []
    for (method, mode), part in known.groupby(["method", "mode"], sort=True):
        expected = part["expected_bias"].to_numpy(dtype=np.float64)
        observed = part["observed_error"].to_numpy(dtype=np.float64)
        athletes = part["athlete_id"].nunique()
        if athletes < 4 or np.ptp(expected) == 0 or np.ptp(observed) == 0:
            continue
        squares = np.nanmean(part["extrapolation_se"].to_numpy(dtype=np.float64) ** 2)
        covariance = np.cov(expected, observed)
        r = float(np.corrcoef(expected, observed)[0, 1])
        low, high = _squared_interval(r, athletes)
        results.append(
            ExplainedByCoverage(
                method=str(method),
                mode=str(mode),
                n=len(part),
                n_athletes=athletes,
                share_of_variance=r**2,
                share_low=low,
                share_high=high,
                slope=float(covariance[0, 1] / covariance[0, 0]),
                mean_expected_bias=float(expected.mean()),
                rms_extrapolation_se=float(np.sqrt(squares)),
                sd_of_errors=float(observed.std(ddof=1)),
            )
        )
    return tuple(results)


def _squared_interval(r: float, n: int) -> tuple[float, float]:
    """Return the 95 % interval of a squared correlation, from that of the correlation."""
    if abs(r) == 1:
        return 1.0, 1.0
    reach = stats.norm.ppf(0.975) / np.sqrt(n - 3)
    low, high = np.tanh(np.arctanh(r) + np.array([-reach, reach]))
    ends = sorted((low**2, high**2))
    return (0.0 if low < 0 < high else float(ends[0])), float(ends[1])


def coverage_by_profile(coverage: pd.DataFrame) -> pd.DataFrame:
    """
    Summarise coverage and error for each method, mode and training profile.

    Parameters
    ----------
    coverage : DataFrame
        Of `intensity_coverage`.

    Returns
    -------
    DataFrame
        method, mode, training_profile (``all`` last), n_athletes, n_pairs, hr_span [bpm],
        top_share_of_hr_max (medians), extrapolation_se (root mean square), expected_bias,
        observed_error (means; NaN below 5 pairs) with observed_low and observed_high (95 %, t over
        athletes), share_explained (NaN below 10 athletes). [mL/kg/min]
    """
    rows = []
    for (method, mode), own in coverage.groupby(["method", "mode"], sort=True):
        groups = list(own.groupby("training_profile", sort=True))
        rows += [_summary(str(method), str(mode), str(name), part) for name, part in groups]
        rows.append(_summary(str(method), str(mode), "all", own))
    return pd.DataFrame(rows, columns=BY_PROFILE_COLUMNS)


BY_PROFILE_COLUMNS: Final = [
    "method",
    "mode",
    "training_profile",
    "n_athletes",
    "n_pairs",
    "hr_span",
    "top_share_of_hr_max",
    "extrapolation_se",
    "expected_bias",
    "observed_error",
    "observed_low",
    "observed_high",
    "share_explained",
]


def _summary(method: str, mode: str, profile: str, part: pd.DataFrame) -> dict[str, object]:
    """Return one line of `coverage_by_profile`."""
    athletes = part["athlete_id"].nunique()
    mean, low, high = _mean_interval(part.groupby("athlete_id")["observed_error"].mean())
    explained = explained_by_coverage(part) if athletes >= FEWEST_FOR_SHARE else ()
    squares = part["extrapolation_se"].astype("float64") ** 2
    return {
        "method": method,
        "mode": mode,
        "training_profile": profile,
        "n_athletes": athletes,
        "n_pairs": len(part),
        "hr_span": part["hr_span"].median(),
        "top_share_of_hr_max": part["top_share_of_hr_max"].median(),
        "extrapolation_se": np.sqrt(squares.mean()),
        "expected_bias": part["expected_bias"].mean(),
        "observed_error": mean,
        "observed_low": low,
        "observed_high": high,
        "share_explained": explained[0].share_of_variance if explained else np.nan,
    }


def _mean_interval(values: "pd.Series[float]") -> tuple[float, float, float]:
    """Return a mean with its 95 % interval by t; nothing below 5 athletes."""
    n = len(values)
    if n < FEWEST_FOR_ERROR:
        return np.nan, np.nan, np.nan
    mean, spread = float(values.mean()), float(values.std(ddof=1))
    reach = float(stats.t.ppf(0.975, n - 1)) * spread / n**0.5
    return mean, mean - reach, mean + reach
