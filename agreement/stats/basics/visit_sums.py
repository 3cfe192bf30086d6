"""Visits of athletes: the table the error budget starts from, and the variance of a visit's mean."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from agreement.stats.basics.arrays import Floats, Integers, Objects
from agreement.stats.method_data import MethodData


@dataclass(frozen=True, slots=True)
class Visits:
    """Daily values joined to the pairs they belong to."""

    daily: pd.DataFrame  # sorted by visit, then date
    of_day: Integers  # shape (n_days,). Visit of each day.
    # one row per visit: the columns of the pairs, and ``mean``, the mean daily difference
    table: pd.DataFrame
    # shape (V,). Athlete of each visit, 0 ... G - 1 in the order of the ids.
    athlete: Integers
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


def visit_sums(values: Floats, athlete: Integers, n: int) -> VisitSums:
    """
    Sum up values of shape (V, k) by athlete.

    values: shape (V, k).
    athlete: shape (V,).
    n: athletes, with and without visits here.
    """
    centred = values - values.mean(axis=0)
    count = np.bincount(athlete, minlength=n).astype(np.float64)
    totals = np.zeros((n, values.shape[1]))
    np.add.at(totals, athlete, centred)
    means = totals / np.maximum(count, 1.0)[:, None]
    squares = np.zeros_like(totals)
    np.add.at(squares, athlete, (centred - means[athlete]) ** 2)
    return VisitSums(count, means, squares)
