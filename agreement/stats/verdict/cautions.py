"""What a reader should know before believing the numbers of one method and mode."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from agreement.stats.basics.arrays import Floats
from agreement.stats.basics.clusters import clusters
from agreement.stats.basics.intervals import said_p, z_of
from agreement.stats.causes.profile_bias import ProfileBias
from agreement.stats.causes.wrong_inputs import wrong_mass
from agreement.stats.limits.limits import FEW, FEW_FOR_REPORTS, RepeatedLimits, limits_by_athlete
from agreement.stats.limits.shape import shape_of
from agreement.stats.lines.structural import StructuralSlope
from agreement.stats.lines.trend import SIGNIFICANT, Trend
from agreement.stats.method_data import DECIMALS, MethodData, NotEstimable
from agreement.stats.repeats.repeatability import FEW_VALUES, laboratory_repeatability
from agreement.terms import MASS_WITHIN_PCT, counted

EXACT_ONLY = 40  # athletes below which older approximate intervals mislead
NOT_NORMAL_P, SKEWED = 0.01, 1.0
INFLUENTIAL = 0.10  # share of the half width by which one athlete may move a limit
UNEVEN_GROUPS = 2.0  # ratio of standard deviations
GAP_DAYS = 14
_TAILS = "tails are heavier than the limits assume; "
WORTHWHILE = 0.2  # of the spread between athletes
_FEW_CLUSTERS, _UNEQUAL_SIZES = 12, 3


@dataclass(frozen=True, slots=True)
class Caution:
    """One thing to know, with a short code."""

    code: str
    sentence: str
    # whether it speaks of everybody; else it may count one to four people, or tell what one does,
    # and an audit leaves it out
    of_all: bool = False


def cautions_of(
    data: MethodData,
    trend: Trend | None = None,
    profiles: ProfileBias | None = None,
    structural: StructuralSlope | None = None,
) -> tuple[Caution, ...]:
    """
    Look for what makes the numbers of one method less trustworthy than they seem.

    structural: which alone can tell proportional bias from unequal noise.
    """
    if data.n == 0:
        return (Caution("few_athletes", "Nobody is left to compare.", of_all=True),)
    found = [
        *_of_size(data),
        *_of_trend(trend, structural),
        *_of_profiles(profiles),
        *_of_inputs(data),
    ]
    if data.n >= FEW_FOR_REPORTS:
        found += [*_of_shape(data), *_of_repeats(data), *_of_laboratory(data)]
    return tuple(found)


def _of_size(data: MethodData) -> Iterator[Caution]:
    if data.n < FEW_FOR_REPORTS:
        few = f"Fewer than {FEW_FOR_REPORTS} athletes are too few for limits of agreement."
        yield Caution("few_athletes", few, of_all=True)
    elif data.n < EXACT_ONLY:
        so = "the limits are indicative" if data.n < FEW else "trust the exact intervals"
        yield Caution("few_athletes", f"{data.n} athletes: {so} only.", of_all=True)


def _of_trend(trend: Trend | None, structural: StructuralSlope | None) -> Iterator[Caution]:
    if structural is not None and structural.excludes_one:
        yield Caution("proportional_bias", structural.summary(), of_all=True)
    if trend is None:
        return
    if trend.steep and (structural is None or not structural.excludes_one):
        noise = "unequal noise of laboratory and field can make such a lean by itself"
        if structural is not None and not np.isnan(structural.lean_from_noise):
            noise = f"unequal noise alone gives {structural.lean_from_noise:.2f}"
        yield Caution(
            "trend",
            f"The differences lean by {trend.line.slope:.2f} per mL/kg/min of fitness "
            f"({said_p(trend.p_slope)}); {noise}.",
            of_all=True,
        )
    if trend.p_spread < SIGNIFICANT:
        yield Caution(
            "spread",
            f"The spread of differences changes with fitness ({said_p(trend.p_spread)}): "
            "read the limits that follow it, or those of the ratio.",
            of_all=True,
        )


def _of_profiles(profiles: ProfileBias | None) -> Iterator[Caution]:
    if profiles is not None and profiles.spread_ratio > UNEVEN_GROUPS:
        p = profiles.p_spread
        tested = "" if np.isnan(p) else f" ({said_p(p)})"
        so = "one pair of limits for all misleads" if p < SIGNIFICANT else "that may be chance"
        yield Caution(
            "uneven_groups",
            f"Differences spread {profiles.spread_ratio:.1f} times as far in one training profile as "
            f"in another{tested}: {so}.",
            of_all=True,
        )


def _of_inputs(data: MethodData) -> Iterator[Caution]:
    pairs = data.pairs
    mass = int(wrong_mass(pairs).sum())
    if mass:
        yield Caution(
            "mass_mismatch",
            f"In {mass} of {data.n_pairs} pairs the mass given to the estimate is more than "
            f"{MASS_WITHIN_PCT:g} % off the laboratory's.",
        )
    if (pairs["gap_days"] == 0).any():
        yield Caution(
            "shared_day",
            "Laboratory and field share a day, so their errors may be shared; own limits may be too "
            "narrow.",
        )
    late = int((pairs["gap_days"].abs() > GAP_DAYS).sum())
    if late:
        yield Caution(
            "long_gap",
            f"In {late} of {data.n_pairs} pairs more than {GAP_DAYS} days lie between test and "
            "reading: the true value may have changed.",
        )
    open_tests = int((pairs["max_confirmed"] != "yes").sum())
    if open_tests:
        yield Caution(
            "not_confirmed",
            f"{open_tests} of {data.n_pairs} laboratory values {'is' if open_tests == 1 else 'are'} not "
            "confirmed as maximal"
            f"{': compare the group of confirmed ones' if open_tests < len(pairs) else ''}.",
        )


def _of_shape(data: MethodData) -> Iterator[Caution]:
    try:
        found = shape_of(data)
    except NotEstimable:
        return
    if found.p_normal < NOT_NORMAL_P or abs(found.skewness) > SKEWED:
        yield Caution(
            "not_normal",
            f"The differences are not normal (Shapiro-Wilk {said_p(found.p_normal)}, skewness "
            f"{found.skewness:.1f}): {_TAILS if found.p_normal < NOT_NORMAL_P else ''}look at "
            "quantile limits beside the normal ones.",
            of_all=True,
        )
    means = clusters(np.round(data.difference, DECIMALS), data.athlete).means
    moved = _largest_move(means)
    if moved > INFLUENTIAL:
        yield Caution(
            "influential",
            f"Without one athlete a limit moves by {100 * moved:.0f} % of the half width.",
        )


# Ours: statsmodels' influence is of regressions; a limit is none.
def _largest_move(d: Floats) -> float:
    """How far a limit moves when one athlete is left out, in half widths."""
    n, z = d.size, z_of(0.95)
    mean, variance = float(d.mean()), float(d.var(ddof=1))
    centred = d - mean
    mean_without = mean - centred / (n - 1)
    rest = (n - 1) * variance - centred**2 * n / (n - 1)
    sd_without = np.sqrt(np.maximum(rest, 0.0) / (n - 2))
    half = z * np.sqrt(variance)
    moves = [mean_without + k * z * sd_without - (mean + k * half) for k in (-1.0, 1.0)]
    return float(np.abs(moves).max() / half)


def _of_repeats(data: MethodData) -> Iterator[Caution]:
    if not data.clustered:
        return
    limits = limits_by_athlete(data.difference, data.athlete)
    sizes = np.bincount(data.athlete)
    if data.n < _FEW_CLUSTERS:
        yield Caution("few_clusters", f"{data.n} athletes with repeats: intervals are rough.")
    if isinstance(limits, RepeatedLimits) and limits.between_variance == 0.0:
        yield Caution(
            "no_between",
            "Athletes differ no more from one another than pairs of one athlete do.",
            of_all=True,
        )
    if (sizes == 1).mean() > 0.5:
        yield Caution("mostly_single", "Most athletes have one pair only.", of_all=True)
    if sizes.max() > _UNEQUAL_SIZES * sizes.min():
        yield Caution(
            "unequal_repeats",
            f"Athletes have {sizes.min()} to {sizes.max()} pairs: see the analysis-of-variance "
            "form beside, which counts every pair once.",
        )


def _of_laboratory(data: MethodData) -> Iterator[Caution]:
    try:
        error = laboratory_repeatability(data.repeats, declared=data.options.reference.sem)
    except NotEstimable:
        yield from _of_equal_repeats(data)
        return
    if error.assumed:
        yield from _of_equal_repeats(data)
    elif error.df < FEW_VALUES:
        yield Caution(
            "few_laboratory_repeats",
            f"The laboratory's own typical error rests on {counted(error.df, 'repeated test')} and is "
            "barely known.",
        )
    between = max(
        0.0, float(np.var(clusters(data.lab, data.athlete).means, ddof=1)) - error.variance
    )
    worthwhile = WORTHWHILE * float(np.sqrt(between))
    if error.typical_error > worthwhile:
        yield Caution(
            "laboratory_noise",
            f"The laboratory's own typical error ({error.typical_error:.1f} mL/kg/min) exceeds the "
            "smallest worthwhile change of this group, a fifth of the spread between its athletes.",
            of_all=True,
        )


def _of_equal_repeats(data: MethodData) -> Iterator[Caution]:
    if data.repeats["lab_test_id"].duplicated().any():
        yield Caution(
            "equal_repeats",
            "All repeated laboratory tests equal the first: rounded or copied values. They say "
            "nothing of the laboratory's own error.",
        )
