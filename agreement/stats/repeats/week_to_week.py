"""How far a field value moves from one week to the next: not yet a change over weeks."""

from dataclasses import dataclass
from math import nan, sqrt
from typing import Final

import numpy as np
import pandas as pd

from agreement.stats.basics.arrays import ArrayLike
from agreement.stats.basics.intervals import Interval, z_of
from agreement.stats.method_data import TOO_FEW, too_few_athletes
from agreement.stats.repeats.laboratory_variance import variance_ends
from agreement.stats.result import Row

WEEK: Final = 7  # days
FEWEST_DAYS: Final = 2  # of a week, for its mean
FEWEST_TWICE: Final = 10  # athletes


@dataclass(frozen=True, slots=True)
class WeekToWeek:
    """Change of a field value from one week to the next, and its interval. [mL/kg/min]."""

    n: int  # athletes with two neighbouring weeks
    shift: float  # mean change
    # two weeks of one athlete differ by up to this, about the mean; NaN below 10 athletes
    change: float
    interval: Interval

    def row(self) -> Row:
        """Return the row of the results table."""
        note = f"{TOO_FEW}: {too_few_athletes(self.n)}." if np.isnan(self.change) else ""
        return Row.of("week_to_week_change", self.change, self.interval, n=self.n, note=note)


def week_to_week(earlier: ArrayLike, later: ArrayLike, *, coverage: float = 0.95) -> WeekToWeek:
    """
    How far the means of two neighbouring weeks of one athlete differ.

    earlier, later: shape (n,). One pair of weekly means per athlete. [mL/kg/min]

    No smallest real change: what differs from visit to visit is not in it, and .24 to .35 of
    unchanged athletes lie beyond it six weeks later where days are alike or visits differ
    (simulated).
    """
    w = np.asarray(later, dtype=np.float64) - np.asarray(earlier, dtype=np.float64)
    if w.size < FEWEST_TWICE:
        return WeekToWeek(w.size, nan, nan, Interval(nan, nan))
    z, variance = z_of(coverage), float(w.var(ddof=1))
    low, high = variance_ends(variance, w.size - 1)
    ends = Interval(z * sqrt(low), z * sqrt(high))
    return WeekToWeek(w.size, float(w.mean()), z * sqrt(variance), ends)


def weeks_of(daily: pd.DataFrame, *, coverage: float = 0.95) -> WeekToWeek:
    """
    Compare the last two weeks before each athlete's first test.

    daily: columns athlete_id, lab_test_id, gap_days, field; sorted by athlete and test.
    """
    athlete, test = (daily[name].to_numpy(dtype=object) for name in ("athlete_id", "lab_test_id"))
    begins = (athlete[1:] != athlete[:-1]) | (test[1:] != test[:-1])
    visit = np.cumsum(np.r_[False, begins][: len(daily)])
    before, field = daily["gap_days"].to_numpy(), daily["field"].to_numpy(dtype=np.float64)
    means = []
    for first in (1 + WEEK, 1):
        rows = (before >= first) & (before < first + WEEK)
        count = np.bincount(visit[rows], minlength=len(daily))
        total = np.bincount(visit[rows], field[rows], minlength=len(daily))
        means.append(np.where(count >= FEWEST_DAYS, total / np.maximum(count, 1), np.nan))
    earlier, later = means
    known = np.flatnonzero(np.isfinite(earlier + later))  # visits in order of athlete and test
    owner = athlete[np.searchsorted(visit, known)]
    own = known[np.unique(owner, return_index=True)[1]] if known.size else known
    return week_to_week(earlier[own], later[own], coverage=coverage)
