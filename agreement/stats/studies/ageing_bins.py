"""The age of a reading, without a straight line: the error of fresher and of older readings."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from agreement.stats.basics.arrays import ArrayLike
from agreement.stats.basics.intervals import Interval
from agreement.stats.compare.closer import N_FLIPS, Closer, closer
from agreement.stats.method_data import TOO_FEW, MethodData, NotEstimable
from agreement.stats.record import recorded
from agreement.stats.result import Result, Row, TableRows
from agreement.terms import UNIT

EDGES: Final = (0, 8, 22, 43, np.inf)  # days from which a bin begins
AGES: Final = ("0-7 days", "8-21 days", "22-42 days", "43 days and more")
FEWEST_IN_BINS: Final = 10  # athletes with readings in every bin that is compared


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
    wide = np.full((visits.size, len(AGES)), np.nan)
    cells, cell = np.unique(visit * len(AGES) + place, return_inverse=True)
    wide.flat[cells] = np.bincount(cell, d) / np.bincount(cell)
    there = ~np.isnan(wide)
    enough = [k for k in range(len(AGES)) if np.unique(owner[there[:, k]]).size >= FEWEST_IN_BINS]
    whole = there[:, enough].all(axis=1)
    n = int(np.unique(owner[whole]).size)
    if len(enough) < 2 or n < FEWEST_IN_BINS:
        raise NotEstimable(
            f"fewer than {FEWEST_IN_BINS} athletes have readings in two bins of age.", TOO_FEW
        )
    names, used, who = [AGES[k] for k in enough], wide[whole][:, enough], owner[whole]
    return AgeingBins(closer(used, athlete=who, names=names, n_flips=n_flips, rng=rng))


def ageing_bins_of(data: MethodData) -> AgeingBins:
    """
    Errors by age of the readings of one method and mode, day by day before they are summarised.

    Raises NotEstimable as `ageing_bins`.
    """
    daily = data.daily
    return ageing_bins(
        daily["field"].to_numpy(np.float64) - daily["lab"].to_numpy(np.float64),
        daily["gap_days"],
        daily["athlete_id"].to_numpy(dtype=object),
        daily["lab_test_id"].to_numpy(dtype=object),
        rng=data.seed,
    )


RECORD: Final = recorded("""
    ageing_bins, place 248, whole: error by age of the reading
    error_of_age: typical error by age of the reading
      Root mean squared difference of readings so many days before the test.
      = root of the mean squared mean of d of an athlete's readings in a bin of days | Fisher 1935;
      Westfall & Young 1993 (memory)
    ratio_to_freshest [1] .1: its ratio to that of the freshest readings
      Above 1 older readings tell less; joint interval over all bins.
      = error of a bin over that of the first, joint interval by flips of sign | Fisher 1935;
      Westfall & Young 1993 (memory)
    """).by(ageing_bins_of, shown_in=("validation", "audit"))
