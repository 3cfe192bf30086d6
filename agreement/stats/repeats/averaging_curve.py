"""The averaging curve: how narrow the limits become when readings of several days are averaged."""

from dataclasses import dataclass
from math import nan
from typing import Any, Final, NamedTuple

import numpy as np

from agreement.arrays import Floats
from agreement.stats.basics.intervals import Interval, sd_interval, z_of
from agreement.stats.basics.replicates import Replicates
from agreement.stats.causes.budget_parts import FEW_FOR_PARTS, Sources, sources_of
from agreement.stats.method_data import NOT_ESTIMABLE, TOO_FEW, MethodData
from agreement.stats.record import recorded
from agreement.stats.repeats.day_to_day import Visits, visit_sums
from agreement.stats.result import Result, Row, TableRows

MOST_DAYS: Final = 14
FEWEST_ON_CURVE: Final = 15  # behind every point of the observed curve
NO_INTERVAL: Final = Interval(nan, nan)


class Point(NamedTuple):
    """Half width of the limits at one number of days; nan with a reason where there is none."""

    half_width: float
    interval: Interval
    note: str = ""


@dataclass(frozen=True, slots=True)
class AveragingCurve(Result):
    """Half width of the limits of agreement against days averaged. [mL/kg/min]."""

    # n, n_visits: athletes and visits behind the fitted curve
    n: int
    n_visits: int
    # n_observed, n_visits_observed: those behind the observed one: the same visits at every number
    # of days
    n_observed: int
    n_visits_observed: int
    # observed, fitted: for means of 1 ... 14 days.
    observed: tuple[Point, ...]
    fitted: tuple[Point, ...]
    floor: Point  # z times the laboratory's typical error: no method can agree better
    # z times the root of what lasts through a visit: no averaging gets below
    persistent_floor: float
    correlation: float  # of the noise of one day with the next

    @property
    def days(self) -> range:
        """Numbers of days averaged, in the order of the points."""
        return range(1, len(self.fitted) + 1)

    def _rows(self) -> TableRows:
        fitted, observed = (self.n, self.n_visits), (self.n_observed, self.n_visits_observed)
        points = []
        for day, seen, smooth in zip(self.days, self.observed, self.fitted, strict=True):
            points.append((str(day), "half_width_observed", seen, *observed))
            points.append((str(day), "half_width_fitted", smooth, *fitted))
        points.append(("floor", "half_width_laboratory", self.floor, *fitted))
        for group, name, point, n, n_pairs in points:
            told: dict[str, Any] = {"n": n, "n_pairs": n_pairs, "note": point.note, "group": group}
            yield Row.of(name, point.half_width, point.interval, **told)

    def _finding(self) -> str:
        return (
            f"Averaging 7 days instead of 1 narrows the limits from -/+ "
            f"{self.fitted[0].half_width:.1f} to -/+ {self.fitted[6].half_width:.1f} mL/kg/min; "
            f"no averaging gets below {self.persistent_floor:.1f}."
        )


def averaging_curve_of(data: MethodData) -> AveragingCurve:
    r"""
    Averaging curve of one method and mode, observed and fitted.

    Raises NotEstimable with fewer than 5 athletes with daily values.

    Observed: the mean of the m nearest days of the visits that have a value on enough days; the
    largest number of days that keeps 15 athletes decides which visits these are. Fitted:
    :math:`V(m) = B + \sigma_e^2 g(m)` with
    :math:`g(m) = \frac1m [1 + 2\sum_{k=1}^{m-1} (1 - k/m) \rho^k]`, days in a row. Intervals, from
    20 athletes on, are BCa, from a bootstrap over athletes, B = 1999: of 60 athletes they hold the known curve in 92 %
    of cohorts, and miss it as often on either side (measured; percentiles end too low).
    """
    sources, z = sources_of(data), z_of(0.95)
    noise, persistent = sources.lasting[0]
    once, drawn, left_out = (
        lasting[:, None]
        + noise.variance[:, None]
        * np.stack(
            [kept_share(days, noise.correlation) for days in range(1, MOST_DAYS + 1)], axis=1
        )
        for noise, lasting in sources.lasting
    )
    reason = f"{NOT_ESTIMABLE}: one day per visit"
    fitted = _points(Replicates(once[0], drawn, left_out), z, reason)
    observed, n_observed, n_visits = _observed(sources, z)
    found = sources.laboratory
    floor = Point(nan, NO_INTERVAL, f"{NOT_ESTIMABLE}: the laboratory's own error is unknown")
    if found is not None:
        ends = NO_INTERVAL if found.assumed else sd_interval(found.sd, found.df)
        floor = Point(z * found.sd, Interval(z * ends.low, z * ends.high), found.note)
    return AveragingCurve(
        *(sources.visits.n, len(sources.visits.table), n_observed, n_visits, observed, fitted),
        *(floor, z * float(np.sqrt(persistent[0])), float(noise.correlation[0])),
    )


def kept_share(days: int, correlation: Floats) -> Floats:
    """Share g(m) of the day-to-day variance that the mean of m days in a row keeps."""
    k = np.arange(1, days)
    powers = np.asarray(correlation, dtype=np.float64)[..., None] ** k
    return np.asarray((1.0 + 2.0 * (powers * (1.0 - k / days)).sum(axis=-1)) / days)


def _observed(sources: Sources, z: float) -> tuple[tuple[Point, ...], int, int]:
    """Return the points, and the athletes and visits behind them: as many days as 15 athletes have."""
    visits = sources.visits
    count, most = np.bincount(visits.of_day), 0
    if visits.n >= FEWEST_ON_CURVE:
        days = np.zeros(visits.n, dtype=np.intp)
        np.maximum.at(days, visits.athlete, count)
        most = int(min(MOST_DAYS, np.sort(days)[-FEWEST_ON_CURVE]))
    refusals = (Point(nan, NO_INTERVAL, TOO_FEW),) * (MOST_DAYS - most)
    if most == 0:
        return refusals, 0, 0
    kept = np.flatnonzero(count >= most)
    means = _nearest_means(visits, most)[kept]
    sums = visit_sums(means, visits.athlete[kept], visits.n)
    once, drawn, left_out = sources.of_all(sums.variance)
    points = _points(Replicates(once[0], drawn, left_out), z, TOO_FEW)
    return points + refusals, int((sums.visits > 0).sum()), len(kept)


def _nearest_means(visits: Visits, most: int) -> Floats:
    """Mean difference over the m nearest days for m = 1 ... `most`; shape (V, most)."""
    daily = visits.daily
    gap = daily["gap_days"].to_numpy()
    order = np.lexsort((gap < 0, np.abs(gap), visits.of_day))  # a tie: the day before the test
    count = np.bincount(visits.of_day)
    place = np.arange(len(daily)) - (np.cumsum(count) - count)[visits.of_day]
    table = np.full((len(count), most), nan)
    near = place < most
    difference = (daily["field"] - daily["lab"]).to_numpy(dtype=np.float64)[order]
    table[visits.of_day[near], place[near]] = difference[near]
    return np.cumsum(table, axis=1) / np.arange(1, most + 1)


def _points(variances: Replicates, z: float, reason: str) -> tuple[Point, ...]:
    """Half widths from k variances."""
    points = []
    for k, value in enumerate(variances.estimate):
        if not np.isfinite(value):
            points.append(Point(nan, NO_INTERVAL, reason))
            continue
        ends, note = NO_INTERVAL, TOO_FEW
        if len(variances.jackknife) >= FEW_FOR_PARTS:
            low, high = z * np.sqrt(variances.bca_interval(k))
            ends, note = Interval(float(low), float(high)), variances.notes[k]
        points.append(Point(z * float(np.sqrt(value)), ends, note))
    return tuple(points)


_OF_DAYS: Final = ("half_width_observed", "half_width_fitted")
RECORD: Final = recorded("""
    averaging_curve, place 170, nested, own section: averaging curve
    half_width_observed: half width, observed
      How far the limits lie from the bias for means of so many days, as observed.
      = z s of means of 1 to 14 days of the same visits
    half_width_fitted: half width, fitted
      The same by the model of what lasts and what averages out.
      = z times the root of what lasts plus what the mean of so many days in a row keeps of the
      day-to-day noise
    half_width_laboratory: noise floor
      Half width that the laboratory's own noise alone makes; no method can agree better.
      = z times the laboratory's typical error
    """).by(
    averaging_curve_of,
    unless_possible=(
        *((str(day), _OF_DAYS) for day in range(1, MOST_DAYS + 1)),
        ("floor", ("half_width_laboratory",)),
    ),
)
