"""What a reader should know before believing the numbers of one method and mode."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from agreement.arrays import DECIMALS, Floats
from agreement.stats.basics.clusters import clusters
from agreement.stats.basics.intervals import SIGNIFICANT, said_p, z_of
from agreement.stats.causes.profile_bias import ProfileBias
from agreement.stats.causes.wrong_inputs import wrong_mass
from agreement.stats.limits.limits import FEW, FEW_FOR_REPORTS, RepeatedLimits, limits_by_athlete
from agreement.stats.limits.shape import shape_of
from agreement.stats.lines.structural import StructuralSlope
from agreement.stats.lines.trend import Trend
from agreement.stats.method_data import MethodData, NotEstimable
from agreement.stats.repeats.laboratory_variance import (
    laboratory_of,
    repeated_units,
    repeats_differ,
)
from agreement.stats.repeats.repeatability import FEW_VALUES
from agreement.terms import MASS_WITHIN_PCT, counted, declared

EXACT_ONLY = 40  # athletes below which older approximate intervals mislead
NOT_NORMAL_P, LARGE_SKEWNESS = 0.01, 1.0
INFLUENTIAL = 0.10  # share of the half width by which one athlete may move a limit
UNEVEN_GROUPS = 2.0  # ratio of standard deviations
GAP_DAYS = 14
_TAILS = "tails are heavier than the limits assume; "
WORTHWHILE = 0.2  # of the spread between athletes
_FEW_CLUSTERS, _UNEQUAL_SIZES = 12, 3
_SAID: Final = declared("cautions.toml", "stats/verdict")


@dataclass(frozen=True, slots=True)
class Caution:
    """One thing to know, with a short code."""

    code: str
    sentence: str
    # whether it speaks of everybody; else it may count one to four people, or tell what one does,
    # and an audit leaves it out
    of_all: bool = False

    @property
    def in_general(self) -> str:
        """What an audit says of a doubt in its place: nothing of one person; "" where nothing."""
        return str(_SAID["in_general"].get(self.code, ""))

    @property
    def of_laboratory(self) -> bool:
        """Whether it speaks of the laboratory alone: methods may share it."""
        return self.code in _SAID["of_laboratory"]["codes"]

    @property
    def numbers(self) -> dict[str, str]:
        """The lines of the results table that it names, by their statistics."""
        places = _SAID["numbers"].get(self.code, "").split()
        return {place.split("/")[1]: place for place in places}

    @property
    def recommended(self) -> dict[str, str]:
        """The lines that it recommends to read, by what its sentence calls them."""
        return dict(_SAID["recommended"].get(self.code, {}))


def caution(code: str, /, **values: Any) -> Caution:
    """Return what `cautions.toml` says by this code, filled in with `values`."""
    of_all = code in _SAID["of_everybody"]
    said = _SAID["of_everybody" if of_all else "of_some"][code]
    return Caution(code, said.format_map(values), of_all=of_all)


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
    found = [*_of_size(data), *_of_trend(trend, structural), *_of_profiles(profiles)]
    found += _of_inputs(data)
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
        yield caution("trend", slope=trend.line.slope, p=said_p(trend.p_slope), noise=noise)
    if trend.p_spread < SIGNIFICANT:
        yield caution("spread", p=said_p(trend.p_spread))


def _of_profiles(profiles: ProfileBias | None) -> Iterator[Caution]:
    if profiles is not None and profiles.spread_ratio > UNEVEN_GROUPS:
        p = profiles.p_spread
        tested = "" if np.isnan(p) else f" ({said_p(p)})"
        so = "one pair of limits for all misleads" if p < SIGNIFICANT else "that may be chance"
        yield caution("uneven_groups", ratio=profiles.spread_ratio, tested=tested, so=so)


def _of_inputs(data: MethodData) -> Iterator[Caution]:
    pairs, n = data.pairs, data.n_pairs
    if mass := int(wrong_mass(pairs).sum()):
        yield caution("mass_mismatch", count=mass, n=n, limit=MASS_WITHIN_PCT)
    if (pairs["gap_days"] == 0).any():
        yield caution("shared_day")
    if late := int((pairs["gap_days"].abs() > GAP_DAYS).sum()):
        yield caution("long_gap", count=late, n=n, days=GAP_DAYS)
    if count := int((pairs["max_confirmed"] != "yes").sum()):
        compare = ": compare the group of confirmed ones" if count < n else ""
        are = "is" if count == 1 else "are"
        yield caution("not_confirmed", count=count, n=n, are=are, compare=compare)


def _of_shape(data: MethodData) -> Iterator[Caution]:
    try:
        found = shape_of(data)
    except NotEstimable:
        return
    if found.p_normal < NOT_NORMAL_P or abs(found.skewness) > LARGE_SKEWNESS:
        tails = _TAILS if found.p_normal < NOT_NORMAL_P else ""
        p = said_p(found.p_normal)
        yield caution("not_normal", p=p, skewness=found.skewness, tails=tails)
    means = clusters(np.round(data.difference, DECIMALS), data.athlete).means
    if (moved := _largest_move(means)) > INFLUENTIAL:
        yield caution("influential", percent=100 * moved)


# Ours: statsmodels' influence is of regressions; a limit is none.
def _largest_move(d: Floats) -> float:
    """How far a limit moves when one athlete is left out, in half widths."""
    n, z, mean, variance = d.size, z_of(0.95), float(d.mean()), float(d.var(ddof=1))
    centred, half = d - mean, z * np.sqrt(variance)
    mean_without = mean - centred / (n - 1)
    rest = (n - 1) * variance - centred**2 * n / (n - 1)
    sd_without = np.sqrt(np.maximum(rest, 0.0) / (n - 2))
    moves = [mean_without + k * z * sd_without - (mean + k * half) for k in (-1.0, 1.0)]
    return float(np.abs(moves).max() / half)


def _of_repeats(data: MethodData) -> Iterator[Caution]:
    if not data.clustered:
        return
    limits = limits_by_athlete(data.difference, data.athlete)
    sizes = np.bincount(data.athlete)
    if data.n < _FEW_CLUSTERS:
        yield caution("few_clusters", n=data.n)
    if isinstance(limits, RepeatedLimits) and limits.between_variance == 0.0:
        yield caution("no_between")
    if (sizes == 1).mean() > 0.5:
        yield caution("mostly_single")
    if sizes.max() > _UNEQUAL_SIZES * sizes.min():
        yield caution("unequal_repeats", least=sizes.min(), most=sizes.max())


def _of_laboratory(data: MethodData) -> Iterator[Caution]:
    lab, unit = data.repeats["lab"].to_numpy(dtype=np.float64), repeated_units(data)[0]
    if (np.bincount(unit) > 1).sum() > 0.5 * data.n_pairs:
        yield caution("averaged_tests")
    if len(unit) > unit.max(initial=-1) + 1 and not repeats_differ(lab, unit):
        yield caution("equal_repeats")
    try:
        error = laboratory_of(data)
    except NotEstimable:
        return
    if not error.assumed and error.df < FEW_VALUES:
        yield caution("few_laboratory_repeats", tests=counted(int(error.df), "repeated test"))
    spread = float(np.var(clusters(data.lab, data.athlete).means, ddof=1))
    if error.sd > WORTHWHILE * float(np.sqrt(max(0.0, spread - error.variance))):
        yield caution("laboratory_noise", error=error.sd)
