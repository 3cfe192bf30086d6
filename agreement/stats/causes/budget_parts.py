"""The arithmetic of the error budget: the parts of one reading's error, for any weights of athletes."""

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from agreement.arrays import Floats, floats
from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.basics.least_squares import moments, products
from agreement.stats.basics.replicates import Replicates
from agreement.stats.causes.explained import BLOCKS, Explaining, Shares, design_of
from agreement.stats.lines.structural import StructuralSlope, structural_slope
from agreement.stats.method_data import (
    NOT_ESTIMABLE,
    TOO_FEW,
    MethodData,
    NotEstimable,
    once,
    require_enough,
)
from agreement.stats.repeats.day_to_day import (
    DayNoise,
    DaySums,
    Visits,
    VisitSums,
    day_sums,
    visit_sums,
    visits_of,
)
from agreement.stats.repeats.laboratory_variance import LaboratoryVariance, laboratory_of

R = TypeVar("R")
BUDGET_RESAMPLES = 1999
FEWEST_WITH_DAYS = 5
FEW_FOR_PARTS = 20  # athletes; below, values without intervals
MOST_LEFT_OUT = 1000  # in turn: n by n weights of a registry would be gigabytes


@dataclass(frozen=True)
class Sources:
    """All that budget and averaging curve are computed from, as sums by athlete."""

    visits: Visits
    days: DaySums
    means: VisitSums
    counts: npt.NDArray[np.uint8]  # of the resamples, shape (B, G)
    laboratory: LaboratoryVariance | None  # from its repeats, or declared
    laboratory_variance: float  # of the error of a visit's laboratory value; nan if unknown
    level: StructuralSlope | None  # how the field follows true fitness
    no_level: str  # why that is not known
    level_sums: Floats  # shape (G, 6). `products` of laboratory and field, summed by athlete.

    def of_all(self, function: Callable[[Floats], R]) -> tuple[R, R, R]:
        """Return a function of the sample, of its resamples and of samples of one less."""
        # one after another: the weights of 20 000 athletes are hundreds of megabytes
        n = self.visits.n
        whole, drawn = function(np.ones((1, n))), function(self.counts.astype(np.float64))
        # each athlete left out in turn, of many one group of them after another: influences of
        # groups have the skewness, over the 3/2 power of their squares, of single ones
        one_less = np.ones((min(n, MOST_LEFT_OUT), n))
        one_less[np.arange(n) % len(one_less), np.arange(n)] = 0.0
        return whole, drawn, function(one_less)

    @cached_property
    def lasting(self) -> tuple[tuple[DayNoise, Floats], ...]:
        """Noise and what lasts, of the sample, of its resamples and of samples of one less."""
        return self.of_all(lambda weights: persistent_variance(self, weights))

    def level_variance(self, weights: Floats) -> Floats:
        """
        Return what reading over or under with true fitness adds to the error of a reading.

        0 unless the interval of the slope excludes 1. The laboratory's noise is taken as in the sample.
        """
        if self.level is None or not self.level.excludes_one:
            return np.zeros(len(weights))
        m = moments(weights @ self.level_sums)
        true = m.xx / (m.n - 1.0) - self.level.moments.noise
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = m.xy / (m.n - 1.0) / true
        return np.where(true > 0.0, (slope - 1.0) ** 2 * true, 0.0)


@dataclass(frozen=True, slots=True)
class Parts:
    """Variances of one reading's difference in each resample. [(mL/kg/min)^2]."""

    noise: DayNoise
    persistent: Floats
    blocks: Floats  # shape (R, 3), in the order of `BLOCKS`; nan for a block that stays out
    level: Floats
    total: Floats  # of a single reading; of a visit where no visit has two days
    # what lasts and no cause explains, the laboratory's error included; may be below 0
    unexplained: Floats


@dataclass(frozen=True, slots=True)
class BudgetSplit:
    """The parts in the sample (shape (1,)), in its resamples, and with each athlete left out."""

    sample: Parts
    resamples: Parts
    left_out: Parts

    def replicates(self, of: Callable[[Parts], Floats]) -> Replicates:
        """One quantity for the bootstrap; shape (R,) from parts of shape (R,)."""
        drawn, left_out = of(self.resamples), of(self.left_out)
        return Replicates(of(self.sample), drawn[:, None], left_out[:, None])


@once
def sources_of(data: MethodData) -> Sources:
    """
    Gather the sums of one method and mode.

    Raises NotEstimable with fewer than 5 athletes with daily values.
    """
    if data.daily["athlete_id"].nunique() < FEWEST_WITH_DAYS:
        raise NotEstimable(f"fewer than {FEWEST_WITH_DAYS} athletes have daily values.", TOO_FEW)
    visits = visits_of(data)
    means = visits.table["mean"].to_numpy(dtype=np.float64)
    drawn = cluster_resampling(np.arange(visits.n), n_resamples=BUDGET_RESAMPLES, rng=data.seed)
    # what the mean of a visit's tests keeps of the error variance of one: 1/2 of a test and its repeat
    tests = visits.table["lab_test_id"].map(data.repeats["lab_test_id"].value_counts()).fillna(1.0)
    shares = 1.0 / tests.to_numpy(np.float64)
    laboratory = None
    with suppress(NotEstimable):
        laboratory = laboratory_of(data)
    lab, field = floats(visits.table, "lab", "field")
    columns = products(lab - lab.mean(), field - field.mean())
    return Sources(
        visits,
        day_sums(visits.daily, visits.of_day, visits.athlete),
        visit_sums(means[:, None], visits.athlete, visits.n),
        drawn.counts,
        laboratory,
        np.nan if laboratory is None else laboratory.variance * float(shares.mean()),
        *_level(data, visits, shares),
        np.stack([np.bincount(visits.athlete, column) for column in columns.T], axis=1),
    )


def persistent_variance(sources: Sources, weights: Floats) -> tuple[DayNoise, Floats]:
    """Return the day-to-day noise and the variance of what lasts through a visit."""
    noise = sources.days.noise(weights)
    of_means = sources.means.variance(weights)[:, 0]
    lasting = of_means - np.nan_to_num(noise.kept * noise.variance)
    return noise, np.maximum(lasting, 0.0)


# Ours: sums give 999 resamples of athletes in one product; MixedLM fits each anew (speed table).
def parts(
    sources: Sources,
    design: Explaining,
    shares: Shares,
    weights: Floats,
    lasting: tuple[DayNoise, Floats] | None = None,
) -> Parts:
    """Split the variance of one reading's difference; `lasting` where it is known already."""
    noise, persistent = lasting or persistent_variance(sources, weights)
    blocks = np.full((len(weights), len(BLOCKS)), np.nan)
    places = [BLOCKS.index(name) for name in design.blocks]
    blocks[:, places] = shares.of(weights) * persistent[:, None]
    level = sources.level_variance(weights)
    unexplained = persistent - (np.nansum(blocks, axis=1) + level)
    total = persistent + np.nan_to_num(noise.variance)
    return Parts(noise, persistent, blocks, level, total, unexplained)


def split(sources: Sources) -> tuple[Explaining, BudgetSplit]:
    """Return what may explain, and the parts of sample, resamples and samples of one less."""
    visits = sources.visits
    design = design_of(visits.table, visits.athlete)
    means = visits.table["mean"].to_numpy(dtype=np.float64)
    shares = Shares(design, means, visits.athlete)
    known = iter(sources.lasting)
    found = sources.of_all(lambda some: parts(sources, design, shares, some, next(known)))
    return design, BudgetSplit(*found)


def _level(data: MethodData, visits: Visits, shares: Floats) -> tuple[StructuralSlope | None, str]:
    """Return the structural slope of the visits, or why there is none."""
    lab, field = floats(visits.table, "lab", "field")
    try:
        require_enough(visits.n)
        found = structural_slope(
            field, lab, laboratory_of(data), athlete=visits.athlete, noise_shares=shares
        )
    except NotEstimable as problem:
        return None, str(problem)
    except ValueError:
        return None, f"{NOT_ESTIMABLE}: all laboratory values are equal"
    if np.isnan(found.slope):
        return None, f"{NOT_ESTIMABLE}: the laboratory's noise explains all of its spread"
    return found, ""
