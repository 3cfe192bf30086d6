"""Bias by training profile at equal true fitness, to see if it is the training."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
import pandas as pd
from scipy import special

from agreement.arrays import ArrayLike, Floats, Ints
from agreement.stats.basics.intervals import Interval
from agreement.stats.causes.pooled_profiles import athletes_by_profile
from agreement.stats.limits.limits import checked_pairs
from agreement.stats.method_data import TOO_FEW, MethodData, NotEstimable
from agreement.stats.record import recorded
from agreement.stats.repeats.laboratory_variance import (
    FEW_DF,
    lab_tests_behind,
    laboratory_of,
    variance_ends,
)
from agreement.stats.result import Result, Row, TableRows

FEWEST_EACH: Final = 8  # athletes of a profile
LEAST_RELIABLE: Final = 0.75  # of laboratory values within profiles
OF_ERROR: Final = 0.80  # level of the laboratory variance's interval at whose ends it is computed


@dataclass(frozen=True, slots=True)
class EqualFitness(Result):
    """Bias of each profile, were its people as fit as the others. [mL/kg/min]."""

    profiles: tuple[str, ...]
    counts: Ints  # shape (k,). Athletes of each.
    bias: Floats  # shape (k,). At the fitness of the mean profile.
    difference: Floats  # shape (k,). From the unweighted mean of profiles.
    intervals: tuple[Interval, ...]  # of `difference`
    slope: float  # change of the difference for each mL/kg/min of true fitness, within profiles
    reliability: float  # share of the laboratory's variance within profiles that is the athletes'
    # who stands in each profile, where that is known
    pairs: Mapping[str, frozenset[tuple[str, str]]] = field(default_factory=dict)

    def members(self) -> Mapping[str, frozenset[tuple[str, str]]]:
        """Return whose pairs stand in each profile, where that is known."""
        return self.pairs

    def _rows(self) -> TableRows:
        for k, group in enumerate(self.profiles):
            told: dict[str, Any] = {"n": int(self.counts[k]), "note": "exploratory", "group": group}
            yield Row.of("adjusted_bias", self.bias[k], **told)
            yield Row.of("adjusted_difference", self.difference[k], self.intervals[k], **told)

    def _finding(self) -> str:
        return (
            f"At equal true fitness the bias ranges over {np.ptp(self.bias):.1f} mL/kg/min between "
            "profiles (exploratory)."
        )


# Ours: no library here corrects for noise of the covariate; OLS would take it for fitness.
def equal_fitness(
    difference: ArrayLike,
    lab: ArrayLike,
    profile: ArrayLike,
    noise: float,
    noise_ends: Interval | None = None,
) -> EqualFitness:
    r"""
    Bias of each profile at equal true fitness, one row per athlete.

    difference, lab: shape (n,). Field minus laboratory, and laboratory. [mL/kg/min]
    profile: shape (n,).
    noise: variance of the laboratory's error in `lab`. [(mL/kg/min)^2]
    noise_ends: ends of that variance; the intervals then hold those at both ends.
    Raises NotEstimable with fewer than two profiles, one of a single athlete, or a noise that
        explains all spread of laboratory values within profiles.
    Raises ValueError if the shapes differ or a value is missing.

    :math:`\beta = (S_{dL} + \sigma_L^2)/(S_{LL} - \sigma_L^2)` within profiles [1]_. The mean of both
    methods in place of the true level would manufacture a bias of the fit and the less fit. Intervals
    by leaving out each athlete in turn, Student's t on n - k - 1.

    .. [1] Fuller WA. Measurement error models. Wiley 1987 (memory).
    """
    d, x = checked_pairs(difference, lab)
    names, codes = np.unique(np.asarray(profile, dtype=str), return_inverse=True)
    sizes = np.bincount(codes)
    k, n = len(names), d.size
    if k < 2 or sizes.min() < 2:
        raise NotEstimable("fewer than two profiles of two athletes.")
    found = [_at(d, x, codes, one) for one in (noise, *(noise_ends or ()))]
    bias, slope, reliability, _ = found[0]
    t = float(special.stdtrit(n - k - 1, 0.975))
    differences = [of_end - of_end.mean() for of_end, *_ in found]
    reach = [t * error for *_, error in found]
    used = list(zip(differences, reach, strict=True))[0 if noise_ends is None else 1 :]
    low = np.min([away - half for away, half in used], axis=0)
    high = np.max([away + half for away, half in used], axis=0)
    ends = tuple(Interval(float(a), float(b)) for a, b in zip(low, high, strict=True))
    labels = tuple(map(str, names))
    return EqualFitness(labels, sizes, bias, differences[0], ends, slope, reliability)


def _at(d: Floats, x: Floats, codes: Ints, noise: float) -> tuple[Floats, float, float, Floats]:
    """Biases at equal fitness, slope, reliability, and standard errors of the differences."""
    sizes = np.bincount(codes)
    k, n = sizes.size, d.size
    means = [np.bincount(codes, values) / sizes for values in (d, x)]
    off_d, off_x = (values - mean[codes] for values, mean in zip((d, x), means, strict=True))
    sums = float(off_x @ off_x), float(off_d @ off_x)
    true = sums[0] / (n - k) - noise
    if true <= 0.0:
        raise NotEstimable("the laboratory's noise explains all spread within profiles.")
    slope = (sums[1] / (n - k) + noise) / true
    bias = means[0] - slope * (means[1] - means[1].mean())
    without = sizes[codes] / (sizes[codes] - 1.0)  # of a product of deviations, one athlete less
    slopes = ((sums[1] - without * off_d * off_x) / (n - 1 - k) + noise) / (
        (sums[0] - without * off_x**2) / (n - 1 - k) - noise
    )
    moved = -np.eye(k)[codes] / (sizes[codes] - 1.0)[:, None]
    level_d, level_x = (
        mean + moved * off[:, None] for mean, off in zip(means, (off_d, off_x), strict=True)
    )
    left_out = level_d - slopes[:, None] * (level_x - level_x.mean(axis=1, keepdims=True))
    left_out -= left_out.mean(axis=1, keepdims=True)
    spread = ((left_out - left_out.mean(axis=0)) ** 2).sum(axis=0)
    return bias, slope, true / (true + noise), np.sqrt((n - 1) / n * spread)


def profile_at_equal_level_of(data: MethodData) -> EqualFitness:
    """
    Bias by profile at equal true fitness, each athlete once.

    Raises NotEstimable without two profiles of 8 athletes, without repeats of the laboratory in
        this study on 10 degrees of freedom (a declared error will not do), or where laboratory
        values within profiles are reliable to less than 0.75.
    """
    athletes, _ = athletes_by_profile(data.pairs)
    sizes = athletes["training_profile"].value_counts()
    kept = sizes.index[sizes >= FEWEST_EACH]
    if len(kept) < 2:
        raise NotEstimable(f"fewer than two profiles of {FEWEST_EACH} athletes.", TOO_FEW)
    laboratory = laboratory_of(data)
    if laboratory.assumed or laboratory.df < FEW_DF:
        raise NotEstimable(f"it needs repeats of the laboratory on {FEW_DF} degrees of freedom.")
    used = athletes[athletes["training_profile"].isin(kept)]
    place = used.index.get_indexer(pd.Index(data.texts("athlete_id")))
    theirs, own = used["training_profile"].to_numpy(dtype=object), data.texts("training_profile")
    rows = np.flatnonzero(place >= 0)
    rows = rows[own[rows] == theirs[place[rows]]]
    who, count = place[rows], np.bincount(place[rows])
    shares = np.bincount(who, 1.0 / lab_tests_behind(data)[rows]) / count
    share = float((shares / count).mean())
    ends = variance_ends(laboratory.variance, laboratory.df, OF_ERROR)
    found = equal_fitness(
        used["difference"],
        np.bincount(who, data.lab[rows]) / count,
        used["training_profile"],
        share * laboratory.variance,
        Interval(share * ends.low, share * ends.high),
    )
    if found.reliability < LEAST_RELIABLE:
        raise NotEstimable(
            f"laboratory values within profiles are reliable to {found.reliability:.2f} only; "
            f"{LEAST_RELIABLE:g} is needed."
        )
    people = {name: frozenset(data.keys[rows[own[rows] == name]]) for name in found.profiles}
    return replace(found, pairs=people)


_STATISTICS: Final = ("adjusted_bias", "adjusted_difference")
RECORD: Final = recorded("""
    profile_at_equal_level, place 270, partition, own section: bias by profile at equal fitness
    adjusted_bias: bias at equal fitness
      Bias of a profile, were its people as fit as the others on average.
      = mean of d less the slope of d on true fitness within profiles, the laboratory's noise taken
      out | Fuller 1987
    adjusted_difference: bias at equal fitness, from the mean of profiles / the same at equal fitness
      How far a profile's bias lies from that of the others at equal fitness.
      = the same less the unweighted mean; by leaving out athletes, at both ends of the laboratory's
      variance | Fuller 1987
    """).by(
    profile_at_equal_level_of, unless_possible=(("all", _STATISTICS),), of_all_groups=_STATISTICS
)
