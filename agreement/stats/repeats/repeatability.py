"""
How far repeated values of one method lie apart within an athlete: the typical error.

Equal laboratory repeats count as none: a noise of exactly 0 is rounding or copying.
"""

from dataclasses import dataclass, replace
from math import nan, sqrt
from typing import Final

import numpy as np
import pandas as pd

from agreement.arrays import ArrayLike
from agreement.stats.basics.clusters import clusters
from agreement.stats.basics.intervals import Interval, sd_interval, t_p_value, z_of
from agreement.stats.method_data import TOO_FEW, MethodData, NotEstimable, too_few_athletes
from agreement.stats.record import recorded
from agreement.stats.repeats.laboratory_variance import (
    laboratory_from,
    repeats_differ,
    variance_ends,
)
from agreement.stats.result import Result, Row, TableRows
from agreement.tables.options import Reference
from agreement.terms import counted

WEEK: Final = 7  # days
FEWEST_DAYS: Final = 2  # of a week, for its mean
FEWEST_TWICE: Final = 10  # athletes
FEW_VALUES: Final = 5  # below, an interval of the typical error spans a factor of 3 and more


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


def week_to_week(earlier: ArrayLike, later: ArrayLike) -> WeekToWeek:
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
    z, variance = z_of(0.95), float(w.var(ddof=1))
    low, high = variance_ends(variance, w.size - 1)
    ends = Interval(z * sqrt(low), z * sqrt(high))
    return WeekToWeek(w.size, float(w.mean()), z * sqrt(variance), ends)


def weeks_of(daily: pd.DataFrame) -> WeekToWeek:
    """
    Compare the last two weeks before each athlete's first test.

    daily: columns athlete_id, lab_test_id, date, gap_days, field; sorted by athlete and test. Which
        test is the first, dates say, never ids: an audit gives others.
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
    known = np.flatnonzero(np.isfinite(earlier + later))
    days = daily["date"].to_numpy(dtype="datetime64[D]").astype(np.int64) + before
    place = np.searchsorted(visit, known)
    order = np.argsort(days[place], kind="stable")  # of the laboratory tests
    own = known[order][np.unique(athlete[place][order], return_index=True)[1]]
    return week_to_week(earlier[own], later[own])


@dataclass(frozen=True, slots=True)
class Repeatability(Result):
    """Typical error of one method, from its repeats. [mL/kg/min]."""

    # within-athlete standard deviation: of field values the root of the within-group mean square, of
    # the laboratory that of one test about what many would show, the mean shift taken out
    typical_error: float
    df: float  # its degrees of freedom; 0 when the error was declared, not measured
    # n, n_values: athletes with repeats, and values behind the number
    n: int
    n_values: int
    assumed: bool = False  # declared in the study file, not measured in this study
    mean: float = np.nan  # of the values behind the number; NaN when it was declared
    few: str = ""  # the code that says so, where few repeats of the laboratory are behind it
    # whether the values are days of one week: they say nothing about a change over weeks
    of_days: bool = False
    # two neighbouring weeks of a field method; they say nothing of such a change either
    weeks: WeekToWeek | None = None

    @property
    def variance(self) -> float:
        """Within-athlete variance."""
        return self.typical_error**2

    @property
    def smallest_real_change(self) -> float:
        """Change of one athlete that repeats alone exceed in 5 % of cases."""
        return z_of(0.95) * float(np.sqrt(2.0)) * self.typical_error

    @property
    def noise_floor(self) -> float:
        """Half width of the limits that repeats alone make; no other method can agree better."""
        return z_of(0.95) * self.typical_error

    @property
    def noise_holds(self) -> int:
        """Of 100 values, how many lie within `noise_floor`; a declared error is taken as known."""
        return round(100 * (1.0 - t_p_value(z_of(0.95), np.inf if self.assumed else self.df)))

    @property
    def note(self) -> str:
        """What the results table should say of these numbers; mostly nothing."""
        if self.assumed:
            return "assumed"
        if self.typical_error == 0.0:
            return "all repeats are equal: held or rounded values, not an error of 0"
        return self.few

    def interval(self, confidence_level: float = 0.95) -> Interval:
        """Chi-square interval of the typical error; none when it was declared or came out as 0."""
        if self.assumed or self.typical_error == 0.0:
            return Interval(np.nan, np.nan)
        return sd_interval(self.typical_error, self.df, confidence_level)

    def _rows(self) -> TableRows:
        """Return the statistics of the record; a declared error has no coefficient of variation."""
        change = "day_to_day_spread" if self.of_days else "smallest_real_change"
        factors = {"typical_error": 1.0, change: z_of(0.95) * float(np.sqrt(2.0))}
        if self.mean > 0:
            factors["coefficient_of_variation"] = 1.0 / self.mean
        low, high = self.interval()
        for name, times in factors.items():
            value, ends = times * self.typical_error, Interval(times * low, times * high)
            yield self.row(name, value, ends, self.note, n_pairs=self.n_values)
        if self.weeks is not None:
            yield self.weeks.row()

    def _finding(self) -> str:
        origin = f"{counted(self.n, 'athlete')} with repeats"
        origin = "declared, not measured here" if self.assumed else origin
        apart = f"{self.smallest_real_change:.1f} mL/kg/min"
        if self.of_days:
            return (
                f"Two single days of one week differ by up to {apart}; this says nothing about a "
                "change over weeks."
            )
        return (
            f"Repeated values of one athlete differ with a standard deviation of "
            f"{self.typical_error:.2f} mL/kg/min ({origin}); a change below "
            f"{apart} may be noise."
        )


def repeatability(
    values: ArrayLike, group: ArrayLike, *, athlete: ArrayLike | None = None
) -> Repeatability:
    """
    Typical error: root of the mean square within groups of repeats.

    values: shape (n_values,) [mL/kg/min]
    group: shape (n_values,). Values of one group are repeats of one another; groups of one value
        say nothing.
    athlete: shape (n_values,). Athlete of each value, to count them; default: the group.
    Raises NotEstimable when no group holds two values.
    Raises ValueError with missing or infinite values.

    .. [1] Bland JM, Altman DG. Measurement error. BMJ 1996;313:744.
    """
    x, grouped = np.asarray(values, dtype=np.float64), clusters(values, group)
    df, kept = grouped.df_within, grouped.sizes[grouped.codes] > 1
    if df == 0:
        raise NotEstimable("no athlete has repeated values close together.")
    # equal ones: not the noise of the arithmetic
    within = grouped.ms_within if repeats_differ(x, grouped.codes) else 0.0
    who = np.asarray(group if athlete is None else athlete)[kept]
    counts = df, np.unique(who).size, int(kept.sum())
    return Repeatability(sqrt(within), *counts, mean=float(x[kept].mean()))


def laboratory_repeatability(repeats: pd.DataFrame, reference: Reference) -> Repeatability:
    """
    Typical error of the laboratory: the root of `laboratory_from`, and what is behind it.

    repeats: columns athlete_id, lab_test_id (of the unit), lab; the tests of a unit in their order
        in time.
    Raises NotEstimable where `laboratory_from` does.
    """
    lab = repeats["lab"].to_numpy(dtype=np.float64)
    unit = pd.factorize(repeats["lab_test_id"].to_numpy(dtype=object))[0]
    again = repeats["lab_test_id"].duplicated(keep=False).to_numpy()
    try:
        variance = laboratory_from(lab, unit, reference)
    except NotEstimable:
        if not again.any():
            raise NotEstimable("no athlete has repeated values close together.") from None
        if not repeats_differ(lab, unit):
            raise NotEstimable(
                f"the laboratory's {again.sum()} repeated values equal one another: rounded or "
                "copied, so its own error is unknown."
            ) from None
        raise
    if variance.assumed:
        return Repeatability(variance.sd, 0, 0, 0, assumed=True)
    counts = variance.df, int(repeats["athlete_id"][again].nunique()), int(again.sum())
    mean = float(lab[again].mean())
    return Repeatability(variance.sd, *counts, mean=mean, few=variance.note)


def field_repeatability(daily: pd.DataFrame) -> Repeatability:
    """Typical error of a field method: between the days of one pairing window."""
    found = repeatability(daily["field"], daily["lab_test_id"], athlete=daily["athlete_id"])
    return replace(found, of_days=True)


def repeatability_of(data: MethodData) -> Repeatability:
    """Typical error of one field method and mode, for the results table."""
    return replace(field_repeatability(data.daily), weeks=weeks_of(data.daily))


RECORD: Final = recorded("""
    repeatability, place 100, whole, own section, any size: error of repeated values
    typical_error: typical error
      Standard deviation of repeated values of one method within one athlete.
      = root of the mean square within visits; of the laboratory of the residual about unit and
      order, the mean shift taken out; interval by chi-square | Bland & Altman 1996; Hopkins 2000
    smallest_real_change: smallest real change
      A change of one athlete in the laboratory below it may be noise alone.
      = z times the root of 2 times the typical error | Hopkins 2000
    day_to_day_spread: two single days of one week differ by up to
      How far two single days of one week lie apart; it says nothing about a change over weeks.
    week_to_week_change: two neighbouring weeks differ by up to
      How far the means of two weeks before one test lie apart; a change over more weeks can be
      larger by noise alone.
      = z times the standard deviation of the later mean less the earlier; interval by chi-square
    coefficient_of_variation [p]: coefficient of variation
      Typical error as a share of the mean of the repeated values.
      = typical error over the mean of the repeated values
    """).by(
    repeatability_of,
    of_registry=(
        "typical_error",
        "smallest_real_change",
        "day_to_day_spread",
        "week_to_week_change",
    ),
)
