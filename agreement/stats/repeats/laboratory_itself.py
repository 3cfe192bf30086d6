"""The laboratory by itself: how far its tests of one athlete lie apart, and who really changed."""

from dataclasses import dataclass
from math import nan, sqrt
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.arrays import ArrayLike
from agreement.stats.basics.intervals import Interval, sd_interval, t_interval, t_p_value, z_of
from agreement.stats.basics.shares import wilson_interval
from agreement.stats.method_data import NO_SECOND_VISIT, NotEstimable
from agreement.stats.record import recorded
from agreement.stats.repeats.laboratory_variance import (
    FEWEST_DF,
    LaboratoryVariance,
)
from agreement.stats.result import Result, Row, TableRows
from agreement.tables.options import ChangeOptions

FEWEST_STEPS: Final = FEWEST_DF + 1  # athletes with a test and the next


@dataclass(frozen=True, slots=True)
class Step:
    """A test of a unit and the next one. [mL/kg/min]."""

    name: str  # ``1 to 2`` for the first and the second
    n: int  # athletes who have both
    n_steps: int  # their occasions
    shift: float  # how much higher the later one reads on average: learning, or not yet recovered
    shift_interval: Interval  # Student's
    typical_error: float  # SD of the differences over root 2: the shift is not in it
    error_interval: Interval  # chi-square


@dataclass(frozen=True, slots=True)
class LaboratoryRepeats(Result):
    """Repeats of the laboratory, the mean shift from test to test told apart from the noise."""

    steps: tuple[Step, ...]
    n: int  # athletes with a repeat
    n_pairs: int  # their tests

    def _rows(self) -> TableRows:
        for step in self.steps:
            told: dict[str, Any] = {"n": step.n, "n_pairs": step.n_steps, "group": step.name}
            yield Row.of("mean_shift", step.shift, step.shift_interval, **told)
            yield Row.of("typical_error", step.typical_error, step.error_interval, **told)

    def _finding(self) -> str:
        first = self.steps[0]
        low, high = first.shift_interval
        return (
            f"The second test reads {first.shift:+.1f} mL/kg/min against the first "
            f"({low:+.1f} to {high:+.1f}), in {first.n} athletes."
        )


def laboratory_repeats(values: ArrayLike, unit: ArrayLike, athlete: ArrayLike) -> LaboratoryRepeats:
    """
    Mean shift of the laboratory from test to test, and the typical error about it.

    values: shape (n,). Laboratory VO2max, the tests of each unit in their order in time.
        [mL/kg/min]
    unit, athlete: shape (n,). Unit (one athlete's tests within days of one another) and athlete of
        each test.
    Raises NotEstimable without a step of four athletes; equal values were copied and make none.

    The typical error of a step is the SD of its differences over root 2 [1]_; that of all repeats is
    `agreement.stats.repeats.repeatability.laboratory_repeatability`.

    .. [1] Hopkins WG. Measures of reliability in sports medicine and science. Sports Med 2000;30:1-15
       (read second-hand).

    >>> found = laboratory_repeats(
    ...     [50, 52, 60, 61, 45, 48, 55, 57], [1, 1, 2, 2, 3, 3, 4, 4], list("aabbccdd")
    ... )
    >>> found.steps[0].shift, round(found.steps[0].typical_error, 3)
    (2.0, 0.577)
    """
    x, units = np.asarray(values, dtype=np.float64), np.asarray(unit)
    frame = pd.DataFrame({"x": x, "unit": units, "athlete": np.asarray(athlete)})
    frame["next"] = frame.groupby("unit", sort=False)["x"].shift(-1)
    frame["order"] = frame.groupby("unit", sort=False).cumcount() + 1
    repeated = frame[frame.groupby("unit")["x"].transform("size") > 1]
    steps = []
    for order, own in frame.dropna(subset="next").groupby("order"):
        difference, n, people = own["next"] - own["x"], len(own), int(own["athlete"].nunique())
        if people >= FEWEST_STEPS and difference.any():
            mean, sd = float(difference.mean()), float(difference.std(ddof=1))
            shift, error = t_interval(mean, sd / sqrt(n), n - 1), sd / sqrt(2.0)
            name = f"{order} to {int(str(order)) + 1}"
            steps.append(Step(name, people, n, mean, shift, error, sd_interval(error, n - 1)))
    if not steps:
        raise NotEstimable(f"fewer than {FEWEST_STEPS} athletes have repeats that differ.")
    return LaboratoryRepeats(tuple(steps), int(repeated["athlete"].nunique()), len(repeated))


@dataclass(frozen=True, slots=True)
class LaboratoryChange(Result):
    """Change of each athlete between two visits, beside what the laboratory's noise would do."""

    # one row per athlete, as `laboratory_change` makes it: change and noise (z times the SD of the
    # noise of this change) in mL/kg/min; beyond_noise yes or no
    people: pd.DataFrame
    variance: LaboratoryVariance

    @property
    def n(self) -> int:
        """Athletes with two visits."""
        return len(self.people)

    @property
    def beyond(self) -> int:
        """Athletes who changed by more than noise."""
        return int((self.people["beyond_noise"] == "yes").sum())

    @property
    def by_chance(self) -> int:
        """Of 100 athletes who did not change at all, how many change by more than noise."""
        return round(100 * t_p_value(z_of(0.95), self.variance.df))

    def _rows(self) -> TableRows:
        change = self.people["change"].to_numpy(dtype=np.float64)
        mean, sd = float(change.mean()), float(change.std(ddof=1)) if self.n > 1 else nan
        of_mean = t_interval(mean, sd / sqrt(self.n), self.n - 1)
        share, ends = self.beyond / self.n, wilson_interval(self.beyond, self.n)
        return self.told(
            ("mean_change", mean, of_mean),
            ("sd_of_change", sd, sd_interval(sd, self.n - 1)),
            ("share_beyond_noise", share, ends, self.variance.note),
        )

    def _finding(self) -> str:
        return (
            f"{self.beyond} of {self.n} athletes changed by more than the laboratory's own noise; of "
            f"100 who did not change at all, {self.by_chance} would."
        )


def laboratory_change(
    units: pd.DataFrame, variance: LaboratoryVariance, choice: ChangeOptions
) -> LaboratoryChange:
    """
    Who changed between the first and the last visit by more than the laboratory's noise.

    units: one mode: athlete_id, lab_test_id, date, lab [mL/kg/min], n_tests; one row per visit.
    variance: of one test.
    choice: its ``minimum_gap_days``; visits nearer than that are no change.
    Raises NotEstimable with fewer than three athletes of two visits.

    The noise of a change is z times the root of v (1/k1 + 1/k2), with k tests behind each visit.
    """
    ordered = units.sort_values(["athlete_id", "date", "lab_test_id"], ignore_index=True)
    by = ordered.groupby("athlete_id", sort=True)
    first, last = by.head(1), by.tail(1)
    both = first.merge(last, on="athlete_id", suffixes=("_1", "_2"))
    days = (both["date_2"] - both["date_1"]).dt.days
    both = both[days >= max(choice.minimum_gap_days, 1)]
    if len(both) < 3:
        raise NotEstimable("fewer than 3 athletes have two visits.", NO_SECOND_VISIT)
    change = both["lab_2"] - both["lab_1"]
    tests = 1 / both["n_tests_1"] + 1 / both["n_tests_2"]
    noise = z_of(0.95) * np.sqrt(variance.variance * tests)
    people = pd.DataFrame(
        {
            "athlete_id": both["athlete_id"],
            "first_test": both["date_1"],
            "last_test": both["date_2"],
            "days": days[both.index],
            "before": both["lab_1"],
            "after": both["lab_2"],
            "change": change,
            "noise": noise,
            "beyond_noise": np.where(change.abs() > noise, "yes", "no"),
        }
    )
    return LaboratoryChange(people.reset_index(drop=True), variance)


RECORDS: Final = (
    recorded("""
        laboratory_repeats, place 104, whole, own section: repeats of the laboratory, one test to the next
        mean_shift: mean shift
          How much higher a test reads than the one before it, within days: learning or recovery.
          = mean of the later minus the earlier test; interval by Student's t | Hopkins 2000
        typical_error: typical error
          Standard deviation of one test about what many would show, from a test and the next.
          = SD of the differences over root 2: the mean shift is not in it | Hopkins 2000
        """),
    recorded("""
        laboratory_change, place 106, whole, own section: change seen by the laboratory
        mean_change: mean change
          Laboratory change between two visits, over athletes.
          = mean of last minus first; interval by Student's t
        sd_of_change: SD of the changes
          How differently athletes changed, the laboratory's noise included.
          = SD of last minus first; interval by chi-square
        share_beyond_noise [1] of n: share of athletes who changed by more than noise
          Athletes whose change is larger than two tests of one unchanged athlete differ.
          = share with a change above z times the root of v (1/k1 + 1/k2); interval by Wilson |
          Hopkins 2000; Wilson 1927 (memory)
        """),
)
