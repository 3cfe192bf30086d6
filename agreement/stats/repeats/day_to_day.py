"""
The noise of single days around a visit's mean, and how much of it a mean of several days keeps.

Every quantity is kept as sums by athlete, so that a resample of athletes is a weighted sum.
"""

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.arrays import Floats, Ints, Objects
from agreement.stats.method_data import MethodData


@dataclass(frozen=True, slots=True)
class Visits:
    """Daily values joined to the pairs they belong to."""

    daily: pd.DataFrame  # sorted by visit, then date
    of_day: Ints  # shape (n_days,). Visit of each day.
    # one row per visit: the columns of the pairs, and ``mean``, the mean daily difference
    table: pd.DataFrame
    # shape (V,). Athlete of each visit, 0 ... G - 1 in the order of the ids.
    athlete: Ints
    ids: Objects  # shape (G,). Athletes.

    @property
    def n(self) -> int:
        """Athletes."""
        return len(self.ids)


def visits_of(data: MethodData) -> Visits:
    """Join the daily values of one method and mode to its pairs."""
    daily = data.daily.sort_values(["athlete_id", "lab_test_id", "date"], ignore_index=True)
    of_day, tests = pd.factorize(daily["lab_test_id"].to_numpy(dtype=object))
    rows = pd.Index(data.texts("lab_test_id")).get_indexer(pd.Index(tests))
    difference = (daily["field"] - daily["lab"]).to_numpy(dtype=np.float64)
    mean = np.bincount(of_day, difference) / np.bincount(of_day)
    table = data.pairs.take(rows).reset_index(drop=True).assign(mean=mean)
    ids, athlete = np.unique(data.texts("athlete_id")[rows], return_inverse=True)
    return Visits(daily, of_day, table, athlete, ids)


@dataclass(frozen=True, slots=True)
class VisitSums:
    """Sums by athlete of k values per visit, from which their variances follow."""

    visits: Floats  # shape (G,)
    # means, squares: shape (G, k). Athletes' means, and sums of squares within athletes.
    means: Floats
    squares: Floats

    def variance(self, weights: Floats) -> Floats:
        """
        Variance of a single visit's value by unweighted means, for weights of shape (R, G).

        Athletes without visits do not take part.
        """
        taking_part = (self.visits > 0).astype(np.float64)
        g = (weights @ taking_part)[:, None]
        mean = weights @ self.means / g
        between = (weights @ self.means**2 - g * mean**2) / (g - 1.0)
        df = (weights @ np.maximum(self.visits - 1.0, 0.0))[:, None]
        within = weights @ self.squares / np.maximum(df, 1.0)
        inverse = (weights @ (taking_part / np.maximum(self.visits, 1.0)))[:, None] / g
        return np.asarray(np.maximum(between, 0.0) + (1.0 - inverse) * within)


def visit_sums(values: Floats, athlete: Ints, n: int) -> VisitSums:
    """Sum up values of shape (V, k) by athlete, of n with and without visits here."""
    centred = values - values.mean(axis=0)
    count = np.bincount(athlete, minlength=n).astype(np.float64)
    means = _by_athlete(athlete, centred, n) / np.maximum(count, 1.0)[:, None]
    return VisitSums(count, means, _by_athlete(athlete, (centred - means[athlete]) ** 2, n))


def _by_athlete(athlete: Ints, values: Floats, n: int) -> Floats:
    total = np.zeros((n, values.shape[1]))
    np.add.at(total, athlete, values)
    return total


CORRELATIONS: Final = np.linspace(0.0, 0.95, 20)  # of one day with the next, tried in turn


class DayNoise(NamedTuple):
    """Day-to-day noise for each resample; nan where no visit has two days."""

    variance: Floats  # of a single day
    correlation: Floats  # of one day with the next
    kept: Floats  # mean over visits of the share of the variance that a visit's mean keeps


@dataclass(frozen=True, slots=True)
class DaySums:
    """Sums by athlete; a last axis of 20 runs over `CORRELATIONS`."""

    # visits, df: shape (G,). Visits, and days beyond one each.
    visits: Floats
    df: Floats
    squares: Floats  # shape (G,). Sum of squares within visits.
    expected: Floats  # shape (G, 20). What `squares` should be at a day variance of 1.
    # shape (G, 20). Sum over visits of the variance of the visit's mean at a day variance of 1.
    kept: Floats
    # weighted_squares, log_determinants: shape (G, 20). For the restricted likelihood.
    weighted_squares: Floats
    log_determinants: Floats

    def noise(self, weights: Floats) -> DayNoise:
        """
        Estimate the noise when athletes stand as often as their weights say, shape (R, G).

        The correlation is the one of `CORRELATIONS` with the highest restricted likelihood, each
        visit with a mean of its own: with one mean per few days, plain likelihood would be as
        biased towards 0 as the correlation of the residuals is.
        """
        df = weights @ self.df
        rows = np.arange(len(df))
        with np.errstate(divide="ignore", invalid="ignore"):
            spread = (weights @ self.weighted_squares) / df[:, None]
            criterion = df[:, None] * np.log(np.maximum(spread, 1e-300))
            criterion += weights @ self.log_determinants
            best = np.where(df > 0, np.argmin(criterion, axis=1), 0)
            variance = weights @ self.squares / (weights @ self.expected)[rows, best]
        kept = (weights @ self.kept)[rows, best] / (weights @ self.visits)
        known = df > 0
        return DayNoise(
            np.where(known, variance, np.nan), np.where(known, CORRELATIONS[best], np.nan), kept
        )


def day_sums(daily: pd.DataFrame, visit: Ints, athlete: Ints) -> DaySums:
    """
    Sum up daily differences.

    daily: columns date, field, lab; sorted by visit, then date; one row per day.
    visit, athlete: visit of each day, 0 ... V - 1, and athlete of each visit, 0 ... G - 1.

    A day's noise correlates with that of t days later by rho to the power t. Whitened by the day
    before it, a visit's likelihood is a sum over its days.
    """
    m = np.bincount(visit).astype(np.float64)
    y = (daily["field"] - daily["lab"]).to_numpy(dtype=np.float64)
    y = y - (np.bincount(visit, y) / m)[visit]
    first = np.r_[True, visit[1:] != visit[:-1]]
    days = np.diff(daily["date"].to_numpy().astype("datetime64[D]").astype(np.int64), prepend=0)
    link = np.where(first[:, None], 0.0, CORRELATIONS ** np.where(first, 1, days)[:, None])
    free = 1.0 - link**2
    one = (1.0 - link) / np.sqrt(free)
    white = (y[:, None] - link * np.r_[0.0, y[:-1]][:, None]) / np.sqrt(free)
    ones, cross, squares, logs = (
        np.add.reduceat(part, np.flatnonzero(first), axis=0)
        for part in (one * one, one * white, white * white, np.log(free))
    )
    place = np.arange(len(visit)) - np.r_[0, np.cumsum(m)[:-1]].astype(np.intp)[visit]
    before = np.zeros_like(link)  # sum of correlations with all earlier days of the visit
    for k in range(1, int(m.max())):
        rows = np.flatnonzero(place == k)
        before[rows] = link[rows] * (1.0 + before[rows - 1])
    later = np.add.reduceat(before, np.flatnonzero(first), axis=0)
    # variance of each visit's mean at a day variance of 1; shape (V, 20)
    kept = (m[:, None] + 2.0 * later) / m[:, None] ** 2
    parts = (m[:, None] * (1.0 - kept), kept, squares - cross**2 / ones, logs + np.log(ones))
    visits = np.bincount(athlete).astype(np.float64)
    return DaySums(
        visits,
        np.asarray(np.bincount(athlete, m - 1), dtype=np.float64),
        np.asarray(np.bincount(athlete, np.bincount(visit, y * y)), dtype=np.float64),
        *(_by_athlete(athlete, part, visits.size) for part in parts),
    )
