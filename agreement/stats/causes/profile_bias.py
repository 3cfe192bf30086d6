"""Is the field estimate wrong in another way for some kinds of training? Bias by profile."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.arrays import Flags, Floats
from agreement.stats.basics.bootstrap import Resampling
from agreement.stats.basics.intervals import SIGNIFICANT, Interval, said_p
from agreement.stats.basics.welch import brown_forsythe, contrasts_with_overall, holm, welch_test
from agreement.stats.causes.pooled_profiles import (
    FEW_LEVELS,
    SCALE,
    PooledBias,
    athletes_by_profile,
    pooled_biases,
)
from agreement.stats.limits.limits import FEW_FOR_REPORTS
from agreement.stats.limits.limits_of_agreement import BIAS, LOWER, UPPER, Group, group_at
from agreement.stats.lines.regression import STANDARD_ERROR, Regression, regression
from agreement.stats.method_data import (
    NO_MARGIN,
    NOT_ESTIMABLE,
    TOO_FEW,
    NotEstimable,
    pair_keys,
)
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows, told_rows
from agreement.terms import NOT_ENOUGH_DATA

HOLM_ALL = "holm_all"  # note: shown with every contrast of all methods and modes counted
FEW_FOR_BIAS = 5  # below, a profile shows its points only
_OF_MEANS: Final = ("bias", "difference_from_overall", "p_difference")
_OF_SPREADS: Final = ("lower_limit", "upper_limit", "standard_error_of_estimate")
_OF_ALL: Final = ("bias_pooled", "weight_own", "p_beyond_mean_limit")


@dataclass(frozen=True, slots=True)
class Deviation:
    """
    How far a profile's bias lies from the unweighted mean of all.

    `p` after Holm over the profiles of this method and mode, `p_alone` without; `p_all` after Holm
    over all methods, modes and profiles of the study, NaN until these are known.
    """

    estimate: float
    interval: Interval
    p: float
    p_alone: float
    p_all: float = np.nan


@dataclass(frozen=True, slots=True)
class Profile:
    """One training profile."""

    group: Group  # its name, athletes, pairs and limits
    # None below 5 athletes, or when there is no other profile to compare with
    deviation: Deviation | None
    error: Regression | None  # laboratory on field within the profile, from 10 athletes on
    pooled: PooledBias | None = None  # None where the profiles say nothing about each other


@dataclass(frozen=True, slots=True)
class ProfileBias(Result):
    """Bias by training profile. [mL/kg/min]."""

    profiles: tuple[Profile, ...]  # every profile that a pair carries, by name
    # n, n_pairs: athletes and pairs in the test of equal biases
    n: int
    n_pairs: int
    p_equal: float  # P value of equal biases: Welch on athlete means, each athlete in one profile
    reason: str  # why `p_equal` is not a number; else empty
    p_spread: float  # P value of equal spreads (Brown-Forsythe), one pair per athlete only
    # largest over smallest standard deviation; above 2 one pair of limits misleads
    spread_ratio: float
    clustered: bool
    between: tuple[float, Interval] | None = None  # spread of biases between profiles
    left_out: int = 0  # pairs of athletes who have most of theirs in another profile
    margin: float | None = None  # limit for a mean bias

    def _rows(self) -> TableRows:
        note = self.reason or ("athlete means" if self.clustered else "")
        flat = f"{NOT_ESTIMABLE}: fewer than two profiles with a spread"
        alone = f"{NOT_ESTIMABLE}: too few profiles or athletes in them"
        between, ends = (np.nan, None) if self.between is None else self.between
        yield from self.told(
            ("p_welch", self.p_equal, None, note),
            ("p_equal_spread", self.p_spread, None, flat if np.isnan(self.p_spread) else ""),
            ("spread_ratio", self.spread_ratio, None, flat if np.isnan(self.spread_ratio) else ""),
            (
                "sd_between",
                between,
                ends,
                alone if ends is None else f"prior half-t, scale {SCALE:g}",
            ),
            group="all",
        )
        for profile in self.profiles:
            yield from self._of_profile(profile)

    def _of_profile(self, profile: Profile) -> TableRows:
        """Yield what the rules on small numbers let a profile show."""
        group, limits, deviation = profile.group, profile.group.limits, profile.deviation
        said, few = "clustered" if self.clustered else "", group.n < FEW_FOR_BIAS
        unknown = TOO_FEW if few else NOT_ESTIMABLE
        told: dict[str, tuple[Any, ...]] = dict.fromkeys(_OF_MEANS, (np.nan, None, unknown))
        beyond_few = NOT_ESTIMABLE if group.n >= FEW_FOR_REPORTS else TOO_FEW
        told |= dict.fromkeys(_OF_SPREADS, (np.nan, None, beyond_few))
        told |= dict.fromkeys(_OF_ALL, (np.nan, None, NOT_ESTIMABLE))
        if limits is not None and not few:
            note = "; ".join(filter(None, (said, limits.note)))
            told["bias"] = limits.bias, limits.bias_interval(), note
            if group.n >= FEW_FOR_REPORTS:
                told["lower_limit"] = limits.lower, limits.lower_interval(), note
                told["upper_limit"] = limits.upper, limits.upper_interval(), note
        if deviation is not None:
            told["difference_from_overall"] = deviation.estimate, deviation.interval, said
            told["p_difference"] = deviation.p, None, said
        if (error := profile.error) is not None:
            see = error.standard_error_of_estimate, error.intervals()[3], said
            told["standard_error_of_estimate"] = see
        if (pooled := profile.pooled) is not None:
            other = f"half and twice the prior: {pooled.half:.1f}, {pooled.twice:.1f}"
            note = other if len(self.profiles) < FEW_LEVELS else ""
            told["bias_pooled"] = pooled.bias, pooled.interval, note
            told["weight_own"] = (pooled.weight_own,)
            told["p_beyond_mean_limit"] = (
                pooled.beyond,
                None,
                NO_MARGIN if self.margin is None else "",
            )
            if pooled.n < FEW_FOR_BIAS:
                told["p_beyond_mean_limit"] = np.nan, None, TOO_FEW
        p_all = np.nan if deviation is None else deviation.p_all
        note = unknown if np.isnan(p_all) else HOLM_ALL if p_all <= SIGNIFICANT else ""
        told["p_difference_all"] = p_all, None, note
        named = ((name, *one) for name, one in told.items())
        return told_rows(named, n=group.n, n_pairs=group.n_pairs, group=group.name)

    def members(self) -> dict[str, frozenset[tuple[str, str]]]:
        """Return whose pairs stand in each profile."""
        return {profile.group.name: profile.group.pairs for profile in self.profiles}

    def _finding(self) -> str:
        if np.isnan(self.p_equal):
            return f"Training profiles cannot be compared: {self.reason}"
        words = "differs" if self.p_equal < SIGNIFICANT else "shows no difference"
        return f"The bias {words} between training profiles ({said_p(self.p_equal)})."


def profile_bias(
    pairs: pd.DataFrame,
    resampling: Resampling,
    *,
    minimum: int = FEW_FOR_BIAS,
    margin: float | None = None,
) -> ProfileBias:
    """
    Bias, limits and prediction error of each training profile, and whether they differ.

    pairs: columns athlete_id, training_profile, field, lab. A profile belongs to the pair: an
        athlete may stand in two. "not enough data" and missing profiles are no groups.
    resampling: of the athletes of these rows; used when athletes have several pairs.
    minimum: athletes from which a profile enters the comparison.
    margin: limit for a mean bias, for the chance that a profile's is larger. [mL/kg/min]
    Raises NotEstimable when no pair carries a profile.

    For the comparison an athlete counts once, in the profile of most of his pairs, by their mean.
    Each profile is compared with the unweighted mean of the profiles, not with an overall mean
    that contains it in proportion to its size. `pooled_profiles` gives each bias with the others
    taken into account. Profiles also differ in fitness: look at
    `agreement.stats.causes.profile_at_equal_level` beside this.
    """
    labels = pairs["training_profile"].to_numpy(dtype=object)
    names = sorted({name for name in labels if isinstance(name, str)} - {NOT_ENOUGH_DATA})
    if not names:
        raise NotEstimable("no pair carries a training profile.")
    values: tuple[Floats, Floats]
    values = pairs["field"].to_numpy(np.float64), pairs["lab"].to_numpy(np.float64)
    columns = resampling.codes, values[0] - values[1], pair_keys(pairs)
    groups = [group_at(name, labels == name, *columns) for name in names]
    athletes, left_out = athletes_by_profile(pairs)
    sizes = athletes["training_profile"].value_counts()
    compared = [name for name in names if sizes.get(name, 0) >= minimum]
    mean, theirs = (athletes[name].to_numpy() for name in ("difference", "training_profile"))
    used = [mean[theirs == name] for name in compared]
    clustered = len(pairs) > resampling.n_athletes
    p_equal, reason = np.nan, ""
    try:
        p_equal = welch_test(used).p
    except NotEstimable as problem:
        reason = str(problem)
    deviations: dict[str, Deviation] = {}
    if len(compared) > 1:
        found = contrasts_with_overall(used)
        corrected = holm([one.p for one in found]).tolist()
        for name, one, p in zip(compared, found, corrected, strict=True):
            deviations[name] = Deviation(one.estimate, one.interval, p, one.p)
    p_spread, ratio = _spread(used)
    pooled, between = pooled_biases(athletes, margin)
    profiles = tuple(
        Profile(
            group,
            deviations.get(group.name),
            _error(values, labels == group.name, group, resampling),
            pooled.get(group.name),
        )
        for group in groups
    )
    n = sum(map(len, used))
    n_pairs = sum(int((labels == name).sum()) for name in compared)
    return ProfileBias(
        profiles,
        *(n, n_pairs, p_equal, reason, p_spread, ratio, clustered),
        *(between, left_out, margin),
    )


def holm_over_all(found: Sequence[ProfileBias]) -> tuple[ProfileBias, ...]:
    """Return biases of several methods and modes with `p_all` corrected for all their profiles."""
    told = [one.deviation for bias in found for one in bias.profiles if one.deviation]
    corrected = iter(holm([one.p_alone for one in told]).tolist())

    def counted(one: Profile) -> Profile:
        known = one.deviation
        return replace(one, deviation=replace(known, p_all=next(corrected))) if known else one

    return tuple(replace(bias, profiles=tuple(map(counted, bias.profiles))) for bias in found)


def _spread(groups: Sequence[Floats]) -> tuple[float, float]:
    """P value of equal spreads and ratio of the largest to the smallest."""
    if len(groups) < 2:
        return np.nan, np.nan
    spreads = [float(group.std(ddof=1)) for group in groups]
    ratio = max(spreads) / min(spreads) if min(spreads) > 0.0 else np.nan
    try:
        return brown_forsythe(groups), ratio
    except NotEstimable:
        return np.nan, ratio


def _error(
    values: tuple[Floats, Floats], rows: Flags, group: Group, resampling: Resampling
) -> Regression | None:
    if group.n < FEW_FOR_REPORTS:
        return None
    own = Resampling(resampling.codes[rows], resampling.counts) if group.n_pairs > group.n else None
    try:
        return regression(values[0][rows], values[1][rows], resampling=own)
    except ValueError:  # all field values equal
        return None


RECORD: Final = recorded(
    "profile_bias, place 110, partition, own section: bias by training profile",
    BIAS,
    """
    difference_from_overall: bias against all profiles / from the mean of profiles
      How far this profile's bias lies from the unweighted mean of all profiles.
      = bias of the group less the unweighted mean of groups; p corrected over groups | Welch
      1951; Holm 1979
    p_difference [p]: p of no such difference / p (Holm)
      How often chance alone would set a profile this far apart, all profiles considered.
    """,
    LOWER,
    UPPER,
    STANDARD_ERROR,
    """
    p_welch [p]: p of equal bias in profiles
      How often chance alone would set the profiles' biases this far apart.
      = Welch's test of profile means, every athlete once | Welch 1951
    p_equal_spread [p]: p of equal spread in profiles
      How often chance alone would make the profiles' spreads this unequal.
      = analysis of variance of the distances from the group's median | Brown & Forsythe 1974
    spread_ratio [1] .1: widest over narrowest spread
      Standard deviation of the profile that scatters most over that which scatters least.
      = largest over smallest standard deviation of d in a profile
    bias_pooled: bias, other profiles taken into account
      What the bias of this profile probably is, given its own athletes and all the others.
      = profile means shrunk to each other, half-t prior with scale 3 on their spread | Gelman
      2006; Smyth 2004
    weight_own [1] .1: weight of the profile's own athletes
      How much the profile's own athletes count in that bias; the rest is borrowed.
    p_beyond_mean_limit [1]: chance of a bias beyond the limit
      How likely the bias of this profile is larger than the limit agreed for means.
    p_difference_all [p]: p of no such difference, all methods counted
      The same p corrected for every profile of every method; only this may make a headline.
      = bias of the group less the unweighted mean of groups; p corrected over groups | Welch
      1951; Holm 1979
    sd_between: spread of biases between profiles
      How far the biases of profiles differ from one another.
      = as bias_pooled
    """,
).by(
    lambda data: profile_bias(data.pairs, data.resampling, margin=data.options.margin.for_means),
    of_registry=("bias", "lower_limit", "upper_limit"),
    unless_possible=(("all", ("p_welch",)),),
    of_all_groups=(
        *("difference_from_overall", "p_difference", "p_welch", "p_equal_spread", "spread_ratio"),
        *("bias_pooled", "weight_own", "p_beyond_mean_limit", "p_difference_all", "sd_between"),
    ),
)
