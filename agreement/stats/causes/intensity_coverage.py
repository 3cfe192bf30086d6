"""What sessions, or the stages of a test, covered, and how much of the errors that explains."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from agreement.stats.basics.intervals import Interval, correlation_interval, sd_interval, t_interval
from agreement.stats.limits.limits_of_agreement import pairs_of
from agreement.stats.method_data import NOT_ESTIMABLE, TOO_FEW, MethodData, NotEstimable
from agreement.stats.record import Analysis, Privacy, declared
from agreement.stats.result import Result, Row, TableRows, in_group, told_rows
from agreement.terms import SESSIONS_METHOD

FEWEST_FOR_SHARE: Final = 10  # athletes; below, a share of the spread says nothing
FEWEST_FOR_ERROR: Final = 5  # athletes; below, a profile shows no mean error
OWN_FORM: Final = f"{NOT_ESTIMABLE}: the estimate is the line itself"
_NOTHING: Final = Interval(np.nan, np.nan)


@dataclass(frozen=True, slots=True)
class ProfileCoverage:
    """One training profile, or everybody. Errors are field - laboratory. [mL/kg/min]."""

    name: str  # ``all`` or the training profile
    # n, n_pairs: athletes and pairs with a line through sessions
    n: int
    n_pairs: int
    # bottom_share, top_share: between which heart rates sessions have steady stretches: medians.
    # [share of HRmax]
    bottom_share: float
    top_share: float
    extrapolation_se: float  # standard error of the lines at HRmax: root mean square. [mL/kg/min]
    # mean, of an estimator of the usual form on the same sessions. [mL/kg/min]
    expected_bias: float
    observed_error: float  # mean of athletes; NaN below 5. [mL/kg/min]
    error_interval: Interval  # of that mean, 95 % by t over athletes
    observed_sd: float  # standard deviation of the athletes' errors; NaN below 5. [mL/kg/min]
    sd_interval: Interval  # of that, 95 % by chi-square
    # what the lines' own error leaves of it: root of its square less that of `extrapolation_se`, 0
    # where that is larger. [mL/kg/min]
    unexplained_sd: float
    # squared correlation of observed errors and expected bias; NaN below 10 athletes, or when one
    # of them does not vary
    share_explained: float
    share_interval: Interval  # 95 %, from Fisher's z of the correlation on the number of athletes
    pairs: frozenset[tuple[str, str]] = frozenset()


@dataclass(frozen=True, slots=True)
class IntensityCoverage(Result):
    """Coverage and error of one method, everybody first, then by training profile."""

    groups: tuple[ProfileCoverage, ...]
    # whether the method is the estimate of these lines themselves, of which no bias is expected
    own_form: bool = False

    def _rows(self) -> TableRows:
        for group in self.groups:
            yield from in_group(group.name, self._of(group))

    def _of(self, group: ProfileCoverage) -> Iterator[Row]:
        few_for_error = TOO_FEW if group.n < FEWEST_FOR_ERROR else ""
        of_share = OWN_FORM if self.own_form else TOO_FEW if group.n < FEWEST_FOR_SHARE else ""
        of_bias = OWN_FORM if np.isnan(group.expected_bias) else ""
        rows = (
            ("bottom_share_of_hr_max", group.bottom_share, _NOTHING, ""),
            ("top_share_of_hr_max", group.top_share, _NOTHING, ""),
            ("extrapolation_se", group.extrapolation_se, _NOTHING, ""),
            ("expected_bias", group.expected_bias, _NOTHING, of_bias),
            ("observed_error", group.observed_error, group.error_interval, few_for_error),
            ("observed_sd", group.observed_sd, group.sd_interval, few_for_error),
            ("unexplained_sd", group.unexplained_sd, _NOTHING, few_for_error),
            ("share_explained", group.share_explained, group.share_interval, of_share),
        )
        return told_rows(rows, n=group.n, n_pairs=group.n_pairs)

    def members(self) -> dict[str, frozenset[tuple[str, str]]]:
        """Return whose pairs stand in each profile, and in all."""
        return {group.name: group.pairs for group in self.groups}

    def _finding(self) -> str:
        everybody = self.groups[0]
        if self.own_form or np.isnan(everybody.share_explained):
            return "How much of the errors the sessions' coverage explains cannot be told here."
        low, high = everybody.share_interval
        return (
            f"What the sessions covered explains {100 * everybody.share_explained:.0f} % of the spread of "
            f"the errors (95 % interval {100 * low:.0f} % to {100 * high:.0f} %, {everybody.n} athletes)."
        )


def coverage_by_profile(coverage: pd.DataFrame, *, own_form: bool = False) -> IntensityCoverage:
    """
    Summarise coverage and error of one method, for everybody and by training profile.

    coverage: `agreement.physiology.coverage.COVERAGE_COLUMNS`, one row per pair of one method and
        mode.
    own_form: whether the errors are of the estimate of these lines themselves: coverage then
        predicts no bias.
    Raises NotEstimable without a row.
    """
    if coverage.empty:
        raise NotEstimable(
            "no stage, and no session with a record of heart rate, lies before a paired test."
        )
    parts = [("all", coverage), *coverage.groupby("training_profile", sort=True)]
    groups = tuple(_summed_up(str(name), part, own_form=own_form) for name, part in parts)
    return IntensityCoverage(groups, own_form)


def intensity_coverage_of(data: MethodData) -> IntensityCoverage:
    """Coverage and error of one method and mode, for the results table."""
    if not data.heart_rate_based:
        raise NotEstimable("the method does not rest on heart rate.")
    if data.coverage is None:
        raise NotEstimable("not computed for estimates in parts.")
    own = data.coverage["expected_bias"].isna().all() or data.method == SESSIONS_METHOD
    return coverage_by_profile(data.coverage, own_form=bool(own))


def _summed_up(name: str, part: pd.DataFrame, *, own_form: bool) -> ProfileCoverage:
    n = int(part["athlete_id"].nunique())
    of_athletes = part.groupby("athlete_id")["observed_error"].mean()
    error, ends = _mean_error(of_athletes)
    enough = n >= FEWEST_FOR_ERROR
    spread = float(of_athletes.std(ddof=1)) if enough else np.nan
    line = float(np.sqrt((part["extrapolation_se"].astype("float64") ** 2).mean()))
    share, within = _NOTHING.low, _NOTHING
    if n >= FEWEST_FOR_SHARE and not own_form:
        share, within = _share_explained(part, n)
    bottom = part["top_share_of_hr_max"] - part["hr_span"] / part["hr_max_bpm"]
    return ProfileCoverage(
        name=name,
        n=n,
        n_pairs=len(part),
        bottom_share=float(bottom.median()),
        top_share=float(part["top_share_of_hr_max"].median()),
        extrapolation_se=line,
        expected_bias=float(part["expected_bias"].astype("float64").mean()),
        observed_error=error,
        error_interval=ends,
        observed_sd=spread,
        sd_interval=sd_interval(spread, n - 1) if enough else _NOTHING,
        unexplained_sd=float(np.sqrt(max(spread**2 - line**2, 0.0))) if enough else np.nan,
        share_explained=share,
        share_interval=within,
        pairs=pairs_of(part),
    )


def _mean_error(of_athletes: "pd.Series[float]") -> tuple[float, Interval]:
    n = len(of_athletes)
    if n < FEWEST_FOR_ERROR:
        return np.nan, _NOTHING
    mean, spread = float(of_athletes.mean()), float(of_athletes.std(ddof=1))
    return mean, t_interval(mean, spread / n**0.5, n - 1)


def _share_explained(part: pd.DataFrame, n: int) -> tuple[float, Interval]:
    """Return the squared correlation of error and expected bias, and its interval."""
    known = part[part["expected_bias"].notna() & part["observed_error"].notna()]
    expected, observed = (
        known[name].to_numpy(dtype=np.float64) for name in ("expected_bias", "observed_error")
    )
    if not len(known) or np.ptp(expected) == 0 or np.ptp(observed) == 0:
        return np.nan, _NOTHING
    r = float(np.corrcoef(expected, observed)[0, 1])
    low, high = correlation_interval(r, min(n, known["athlete_id"].nunique()))
    ends = sorted((low**2, high**2))
    return r**2, Interval(0.0 if low < 0 < high else ends[0], ends[1])


RECORD: Final = Analysis(
    name="intensity_coverage",
    place=310,
    label="what sessions or stages covered",
    statistics=declared("""
        bottom_share_of_hr_max [1]: lowest share of maximal heart rate / lowest, % of HRmax
          Where the heart rates of steady stretches begin.
          = medians over pairs of the steady stretches of sessions, or of stages
        top_share_of_hr_max [1]: highest share of maximal heart rate / highest, % of HRmax
          Where the heart rates of steady stretches end.
        extrapolation_se: standard error of the extrapolation / line's standard error
          How uncertain the line is where it meets the maximal heart rate.
          = the lines of heart rate on work, carried to the maximal heart rate
        expected_bias: bias expected of the line / expected bias
          What an estimator of the usual form would misread on the same sessions.
        observed_error: observed error
          Mean difference of the same people.
          = mean of athletes; interval by Student's t
        observed_sd: observed spread of the error / its spread (SD)
          Standard deviation of the differences of the same people.
          = means of athletes; interval by chi-square
        unexplained_sd: spread that the line's error leaves / spread beyond the line
          What of that spread the lines' own standard error does not account for: cost of work, day,
          laboratory.
          = root of observed_sd^2 - extrapolation_se^2
        share_explained [1]: share of the spread explained / spread explained
          Share of the spread of errors that the expected bias explains.
          = squared correlation of d with the bias expected of the line; interval by Fisher's z
        """),
    privacy=Privacy.PARTITION,
    compute=intensity_coverage_of,
    own_section=True,
)
