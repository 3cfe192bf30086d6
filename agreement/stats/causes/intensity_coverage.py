"""What sessions, or the stages of a test, covered, and how much of the errors that explains."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from agreement.arrays import floats
from agreement.stats.basics.intervals import (
    sd_interval,
    squared_correlation_interval,
    t_interval,
)
from agreement.stats.method_data import NOT_ESTIMABLE, TOO_FEW, MethodData, NotEstimable, pair_keys
from agreement.stats.record import recorded
from agreement.stats.result import Result, Row, TableRows, in_group, told_rows
from agreement.terms import SESSIONS_METHOD

FEWEST_FOR_SHARE: Final = 10  # athletes; below, a share of the spread says nothing
FEWEST_FOR_ERROR: Final = 5  # athletes; below, a profile shows no mean error
OWN_FORM: Final = f"{NOT_ESTIMABLE}: the estimate is the line itself"


@dataclass(frozen=True, slots=True)
class CoveredGroup:
    """One training profile, or everybody: its rows, and whose pairs they are of."""

    rows: dict[str, Row]  # by statistic; `n` athletes and `n_pairs` pairs with a line
    pairs: frozenset[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class IntensityCoverage(Result):
    """Coverage and error of one method, everybody first, then by training profile."""

    groups: dict[str, CoveredGroup]
    # whether the method is the estimate of these lines themselves, of which no bias is expected
    own_form: bool = False

    def _rows(self) -> TableRows:
        for name, group in self.groups.items():
            yield from in_group(name, group.rows.values())

    def members(self) -> dict[str, frozenset[tuple[str, str]]]:
        """Return whose pairs stand in each profile, and in all."""
        return {name: group.pairs for name, group in self.groups.items()}

    def _finding(self) -> str:
        share = self.groups["all"].rows["share_explained"]
        if np.isnan(share.value):
            return "How much of the errors the sessions' coverage explains cannot be told here."
        return (
            f"What the sessions covered explains {100 * share.value:.0f} % of the spread of the errors "
            f"(95 % interval {100 * share.low:.0f} % to {100 * share.high:.0f} %, {share.n} athletes)."
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
    groups = {str(name): _summed_up(part, own_form=own_form) for name, part in parts}
    return IntensityCoverage(groups, own_form)


def intensity_coverage_of(data: MethodData) -> IntensityCoverage:
    """Coverage and error of one method and mode, for the results table."""
    if not data.heart_rate_based:
        raise NotEstimable("the method does not rest on heart rate.")
    if data.coverage is None:
        raise NotEstimable("not computed for estimates in parts.")
    own = data.coverage["expected_bias"].isna().all() or data.method == SESSIONS_METHOD
    return coverage_by_profile(data.coverage, own_form=bool(own))


def _summed_up(part: pd.DataFrame, *, own_form: bool) -> CoveredGroup:
    """Return medians of what is covered, and errors over athletes, each with the mean of the own."""
    each = part.groupby("athlete_id")["observed_error"].mean()
    n, few = len(each), ""
    line = float(np.sqrt((part["extrapolation_se"].astype("float64") ** 2).mean()))
    mean = spread = unexplained = np.nan
    of_mean = of_spread = within = None
    if n >= FEWEST_FOR_ERROR:
        mean, spread = float(each.mean()), float(each.std(ddof=1))
        of_mean, of_spread = t_interval(mean, spread / n**0.5, n - 1), sd_interval(spread, n - 1)
        # what the lines' own error leaves of it; 0 where that is larger
        unexplained = float(np.sqrt(max(spread**2 - line**2, 0.0)))
    else:
        few = TOO_FEW
    share, of_share = np.nan, OWN_FORM if own_form else TOO_FEW if n < FEWEST_FOR_SHARE else ""
    if not of_share:
        known = part[part["expected_bias"].notna() & part["observed_error"].notna()]
        expected, observed = floats(known, "expected_bias", "observed_error")
        if len(known) and np.ptp(expected) > 0 and np.ptp(observed) > 0:
            r = float(np.corrcoef(expected, observed)[0, 1])
            few_known = min(n, known["athlete_id"].nunique())
            share, within = r**2, squared_correlation_interval(r, few_known)
    bias = float(part["expected_bias"].astype("float64").mean())
    bottom = part["top_share_of_hr_max"] - part["hr_span"] / part["hr_max_bpm"]
    told = (
        ("bottom_share_of_hr_max", bottom.median()),
        ("top_share_of_hr_max", part["top_share_of_hr_max"].median()),
        ("extrapolation_se", line),
        ("expected_bias", bias, None, OWN_FORM if np.isnan(bias) else ""),
        ("observed_error", mean, of_mean, few),
        ("observed_sd", spread, of_spread, few),
        ("unexplained_sd", unexplained, None, few),
        ("share_explained", share, within, of_share),
    )
    rows = {row.statistic: row for row in told_rows(told, n=n, n_pairs=len(part))}
    return CoveredGroup(rows, frozenset(pair_keys(part)))


RECORD: Final = recorded("""
    intensity_coverage, place 310, partition, own section: what sessions or stages covered
    bottom_share_of_hr_max [1]: lowest share of maximal heart rate / lowest, of HRmax
      Where the heart rates of steady stretches begin.
      = medians over pairs of the steady stretches of sessions, or of stages
    top_share_of_hr_max [1]: highest share of maximal heart rate / highest, of HRmax
      Where the heart rates of steady stretches end.
    extrapolation_se: standard error of the extrapolation / line's standard error
      How uncertain the line is where it meets the maximal heart rate.
      = root of the mean square, over pairs, of the error of each line where it meets the maximal
      heart rate
    expected_bias: bias expected of the line / expected bias
      What an estimator of the usual form would misread on the same sessions.
      = mean over pairs of minus the line's slope, times the share of noise in the variance of heart
      rate, times the beats from their mean to the maximum
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
    """).by(intensity_coverage_of)
