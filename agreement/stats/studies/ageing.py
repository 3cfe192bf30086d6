"""The age of a reading: what weeks between it and the test add to the error, and bin by bin."""

from dataclasses import dataclass
from math import sqrt
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from agreement.arrays import ArrayLike, Flags
from agreement.stats.basics.intervals import Interval, t_interval
from agreement.stats.basics.replicates import jackknife_error
from agreement.stats.compare.closer import N_FLIPS, Closer, closer
from agreement.stats.method_data import TOO_FEW, MethodData, NotEstimable
from agreement.stats.record import recorded
from agreement.stats.result import Result, Row, TableRows
from agreement.terms import UNIT

WEEKS: Final = 28.0  # days that the numbers are for
FEWEST_AGEING: Final = 10  # athletes
READINGS: Final = 3  # of each of them
SPAN: Final = 21  # days between the first and the last
EDGES: Final = (0, 8, 22, 43, np.inf)  # days from which a bin begins
AGE_BINS: Final = ("0-7 days", "8-21 days", "22-42 days", "43 days and more")
FEWEST_IN_BINS: Final = 10  # athletes with readings in every bin that is compared


@dataclass(frozen=True, slots=True)
class Ageing(Result):
    """Growth of the error with the days between a reading and the laboratory test, within athletes."""

    n: int
    n_readings: int
    square: float  # growth of the squared difference in 28 days. [(mL/kg/min)^2]
    square_interval: Interval  # indicative: short where the true value wanders
    drift: float  # change of the difference in 28 days. [mL/kg/min]
    drift_interval: Interval
    # at_once, after: root mean squared difference on day 0 and day 28. [mL/kg/min]
    at_once: float
    after: float

    def _rows(self) -> TableRows:
        read = f"{self.n_readings} readings"
        return self.told(
            ("added_square", self.square, self.square_interval, f"indicative; {read}"),
            ("drift_in_28_days", self.drift, self.drift_interval, read),
            ("error_on_day_0", self.at_once, None, read),
            ("error_on_day_28", self.after, None, read),
            n_pairs=self.n,
        )

    def _finding(self) -> str:
        low, high = self.square_interval
        shown = "" if low > 0 or high < 0 else ": not shown"
        return (
            f"Four weeks between reading and test: typical difference {self.after:.1f} instead of "
            f"{self.at_once:.1f} mL/kg/min (added square {self.square:.1f}, {low:.1f} to "
            f"{high:.1f}{shown}). Season, training and firmware move with the gap."
        )


def ageing(difference: ArrayLike, gap_days: ArrayLike, athlete: ArrayLike) -> Ageing:
    """
    Growth of the error with the age of a reading.

    difference: shape (n,). Of daily readings before any summary, field minus laboratory.
        [mL/kg/min]
    gap_days: shape (n,). Laboratory date minus the reading's.
    athlete: shape (n,).
    Raises ValueError when shapes differ, or no gap differs within an athlete.

    Within athletes, each weighing the same: slopes of d and d^2 on the gap about the athlete's mean;
    jackknife by athlete, Student's t on athletes - 1.
    """
    d, gap = (np.asarray(one, dtype=np.float64) for one in (difference, gap_days))
    names = np.asarray(athlete)
    if d.ndim != 1 or d.shape != gap.shape or names.shape != d.shape:
        raise ValueError("`difference`, `gap_days` and `athlete` must be equally long rows")
    codes = np.unique(names, return_inverse=True)[1]
    readings = np.bincount(codes)
    share = 1.0 / readings[codes]
    t = gap - (np.bincount(codes, gap) / readings)[codes]
    squares = np.bincount(codes, share * t**2)
    if not squares.sum() > 0:
        raise ValueError("no gap differs within an athlete")
    (square, square_ends), (drift, drift_ends) = (
        _slope(np.bincount(codes, share * t * y), squares) for y in (d**2, d)
    )
    means = np.bincount(codes, d**2) / readings, np.bincount(codes, gap) / readings
    start = float(means[0].mean()) - square / WEEKS * float(means[1].mean())
    errors = (sqrt(max(value, 0.0)) for value in (start, start + square))
    return Ageing(readings.size, d.size, square, square_ends, drift, drift_ends, *errors)


def _slope(products: npt.NDArray[Any], squares: npt.NDArray[Any]) -> tuple[float, Interval]:
    """Return the slope in 28 days with its jackknife interval."""
    n = products.size
    value = WEEKS * float(products.sum() / squares.sum())
    left = WEEKS * (products.sum() - products) / (squares.sum() - squares)
    return value, t_interval(value, float(jackknife_error(left)), n - 1)


def admitted(gap_days: ArrayLike, athlete: ArrayLike) -> Flags:
    """Return the readings of athletes with enough of them, far enough apart."""
    gap = np.asarray(gap_days, dtype=np.float64)
    codes = np.unique(np.asarray(athlete), return_inverse=True)[1]
    count = np.bincount(codes)
    highest, lowest = np.full(count.size, -np.inf), np.full(count.size, np.inf)
    np.maximum.at(highest, codes, gap)
    np.minimum.at(lowest, codes, gap)
    return np.asarray(((count >= READINGS) & (highest - lowest >= SPAN))[codes])


def ageing_of(data: MethodData) -> Ageing:
    """Ageing of the readings of one method and mode, day by day before they are summarised."""
    daily = data.daily
    kept = daily[admitted(daily["gap_days"], daily["athlete_id"])]
    if kept["athlete_id"].nunique() < FEWEST_AGEING:
        few = f"fewer than {FEWEST_AGEING} athletes have {READINGS} readings over {SPAN} days"
        raise NotEstimable(f"{few} of a window.", TOO_FEW)
    return ageing(kept["field"] - kept["lab"], kept["gap_days"], kept["athlete_id"])


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class AgeingBins(Result):
    """Errors of readings by their age, the same tests in every bin."""

    found: Closer  # its methods are the bins, the freshest first. [mL/kg/min]

    def _rows(self) -> TableRows:
        found = self.found
        counts: dict[str, Any] = {"n": found.n, "n_pairs": found.n_pairs}
        for k, name in enumerate(found.names):
            size, ends = float(found.sizes[k]), found.size_interval(k)
            yield Row.of("error_of_age", size, ends, **counts, group=name)
        for k, name in enumerate(found.names[1:], start=1):
            place = found.place(0, k)
            low, high = found.joint_interval(place)
            ratio, ends = 1.0 / found.ratio(place), Interval(1.0 / high, 1.0 / low)
            note = f"against {found.names[0]}; joint p {found.p_joint[place]:.3f}"
            yield Row.of("ratio_to_freshest", ratio, ends, **counts, note=note, group=name)

    def _finding(self) -> str:
        found = self.found
        sizes = zip(found.names, found.sizes.tolist(), strict=True)
        told = "; ".join(f"{name} {size:.1f}" for name, size in sizes)
        return f"Typical error by age of the reading, {UNIT}, {found.n} athletes: {told}."


def ageing_bins(
    difference: ArrayLike,
    gap_days: ArrayLike,
    athlete: ArrayLike,
    test: ArrayLike,
    *,
    n_flips: int = N_FLIPS,
    rng: int | None = None,
) -> AgeingBins:
    """
    Compare the errors of readings 0-7, 8-21, 22-42 and 43 or more days before a test.

    difference: shape (n,). Of daily readings before any summary, field minus laboratory.
        [mL/kg/min]
    gap_days: shape (n,). Laboratory date minus the reading's; readings after the test are left out.
    athlete, test: shape (n,).
    Raises NotEstimable when fewer than 10 athletes have a test with readings in two bins or more.

    One mean for each athlete, test and bin, only tests with readings in every bin compared; bins
    are then compared like methods (`agreement.stats.compare.closer`). A bin that fewer than 10
    athletes have is not compared.

    >>> rng = np.random.default_rng(1)
    >>> who = np.repeat([f"A{i}" for i in range(12)], 2)
    >>> d = np.where(np.arange(24) % 2, 3.0, 1.0) * rng.choice([-1, 1], 24) + rng.normal(0, 0.1, 24)
    >>> found = ageing_bins(d, [3, 15] * 12, who, who, rng=1).found
    >>> found.names, round(1 / found.ratio(0), 1)
    (('0-7 days', '8-21 days'), 3.0)
    """
    place = np.digitize(np.asarray(gap_days, dtype=np.float64), EDGES) - 1
    before = place >= 0
    place, d = place[before], np.asarray(difference, np.float64)[before]
    people, tests = (
        np.unique(np.asarray(one)[before], return_inverse=True)[1] for one in (athlete, test)
    )
    visits, visit = np.unique(people * (tests.max(initial=0) + 1) + tests, return_inverse=True)
    owner = visits // (tests.max(initial=0) + 1)
    wide = np.full((visits.size, len(AGE_BINS)), np.nan)
    cells, cell = np.unique(visit * len(AGE_BINS) + place, return_inverse=True)
    wide.flat[cells] = np.bincount(cell, d) / np.bincount(cell)
    there = ~np.isnan(wide)
    enough = [
        k for k in range(len(AGE_BINS)) if np.unique(owner[there[:, k]]).size >= FEWEST_IN_BINS
    ]
    whole = there[:, enough].all(axis=1)
    n = int(np.unique(owner[whole]).size)
    if len(enough) < 2 or n < FEWEST_IN_BINS:
        raise NotEstimable(
            f"fewer than {FEWEST_IN_BINS} athletes have readings in two bins of age.", TOO_FEW
        )
    names, used, who = [AGE_BINS[k] for k in enough], wide[whole][:, enough], owner[whole]
    return AgeingBins(closer(used, athlete=who, names=names, n_flips=n_flips, rng=rng))


def ageing_bins_of(data: MethodData) -> AgeingBins:
    """Errors by age of the readings of one method and mode, day by day as they were read."""
    daily = data.daily
    return ageing_bins(
        daily["field"].to_numpy(np.float64) - daily["lab"].to_numpy(np.float64),
        daily["gap_days"],
        daily["athlete_id"].to_numpy(dtype=object),
        daily["lab_test_id"].to_numpy(dtype=object),
        rng=data.seed,
    )


RECORDS: Final = (
    recorded("""
        ageing, place 247, whole: error added by the age of a reading
        added_square [(mL/kg/min)^2]: squared error that four weeks add
          Above zero a reading tells less the older it is; season and training move with its age.
          = slope of squared d on the days between reading and test, within athletes, times 28 |
          arithmetic; jackknife by athlete
        drift_in_28_days: change of the difference with four weeks of age
          How the difference moves, within athletes, with the age of the reading.
          = slope of d on these days, within athletes, times 28 | arithmetic; jackknife by athlete
        error_on_day_0: typical error of a reading of the test's day
          Root mean squared difference, carried to no age at all.
          = root of the mean squared d, carried along its slope to day 0
        error_on_day_28: typical error of a reading four weeks old
          Root mean squared difference, carried to 28 days.
          = root of the mean squared d, carried along its slope to day 28
        """).by(ageing_of, shown_in=("validation", "audit")),
    recorded("""
        ageing_bins, place 248, whole: error by age of the reading
        error_of_age: typical error by age of the reading
          Root mean squared difference of readings so many days before the test.
          = root of the mean squared mean of d of an athlete's readings in a bin of days | Fisher 1935;
          Westfall & Young 1993 (memory)
        ratio_to_freshest [1] .1: its ratio to that of the freshest readings
          Above 1 older readings tell less; joint interval over all bins.
          = error of a bin over that of the first, joint interval by flips of sign | Fisher 1935;
          Westfall & Young 1993 (memory)
        """).by(ageing_bins_of, shown_in=("validation", "audit")),
)
