"""Is the field estimate wrong in another way for some kinds of training? Bias by profile."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.stats.basics.bootstrap import Replicates, Resampling, bootstrap_of_sums
from agreement.stats.basics.intervals import Interval, said_p
from agreement.stats.basics.reml import random_intercept
from agreement.stats.basics.welch import brown_forsythe, contrasts_with_overall, holm, welch_test
from agreement.stats.limits.limits import FEW_FOR_REPORTS
from agreement.stats.limits.limits_of_agreement import BIAS, LOWER, UPPER, Group, group_of
from agreement.stats.lines.regression import STANDARD_ERROR, Regression, regression
from agreement.stats.method_data import NOT_ESTIMABLE, TOO_FEW, MethodData, NotEstimable
from agreement.stats.record import OURS, Analysis, Privacy, Statistic
from agreement.stats.rows import Row, html_table, rows_frame
from agreement.terms import NOT_ENOUGH_DATA, UNIT

Floats = npt.NDArray[np.float64]

FEW_FOR_BIAS = 5  # below, a profile shows its points only
_OF_LIMITS = ("bias", "lower_limit", "upper_limit")
_NEED_TEN = ("lower_limit", "upper_limit", "standard_error_of_estimate")


@dataclass(frozen=True, slots=True)
class Deviation:
    """How far a profile's bias lies from the unweighted mean of all; p after Holm."""

    estimate: float
    interval: Interval
    p: float


@dataclass(frozen=True, slots=True)
class Profile:
    """
    One training profile.

    Attributes
    ----------
    group : Group
        Its name, athletes, pairs and limits.
    deviation : Deviation or None
        None below 5 athletes, or when there is no other profile to compare with.
    error : Regression or None
        Laboratory on field within the profile, from 10 athletes on.
    """

    group: Group
    deviation: Deviation | None
    error: Regression | None


@dataclass(frozen=True, slots=True)
class ProfileBias:
    """
    Bias by training profile. [mL/kg/min].

    Attributes
    ----------
    profiles : tuple of Profile
        Every profile that a pair carries, by name.
    n, n_pairs : int
        Athletes and pairs in the test of equal biases.
    p_equal : float
        P value of equal biases: Welch, or the mixed model when pairs repeat.
    reason : str
        Why `p_equal` is not a number; else empty.
    p_spread : float
        P value of equal spreads (Brown-Forsythe), one pair per athlete only.
    spread_ratio : float
        Largest over smallest standard deviation; above 2 one pair of limits misleads.
    clustered : bool
    """

    profiles: tuple[Profile, ...]
    n: int
    n_pairs: int
    p_equal: float
    reason: str
    p_spread: float
    spread_ratio: float
    clustered: bool

    def to_frame(self) -> pd.DataFrame:
        """Return p_welch and what is said of spreads under group ``all``, then every profile."""
        note = self.reason or ("clustered: mixed model" if self.clustered else "")
        flat = f"{NOT_ESTIMABLE}: fewer than two profiles with a spread"
        taken = f"{NOT_ESTIMABLE}: the test takes one pair per athlete" if self.clustered else flat
        named = (
            ("p_welch", self.p_equal, note),
            ("p_equal_spread", self.p_spread, taken if np.isnan(self.p_spread) else ""),
            ("spread_ratio", self.spread_ratio, flat if np.isnan(self.spread_ratio) else ""),
        )
        test = rows_frame(
            Row.of(name, value, n=self.n, n_pairs=self.n_pairs, unit="1", note=said)
            for name, value, said in named
        )
        test.insert(0, "group", "all")
        frames = [self._profile_frame(profile) for profile in self.profiles]
        return pd.concat([test, *frames], ignore_index=True)

    def members(self) -> dict[str, frozenset[tuple[str, str]]]:
        """Return whose pairs stand in each profile."""
        return {profile.group.name: profile.group.pairs for profile in self.profiles}

    def summary(self) -> str:
        """Say in one sentence whether profiles differ."""
        if np.isnan(self.p_equal):
            return f"Training profiles cannot be compared: {self.reason}"
        words = "differs" if self.p_equal < 0.05 else "shows no difference"
        return f"The bias {words} between training profiles ({said_p(self.p_equal)})."

    def _profile_frame(self, profile: Profile) -> pd.DataFrame:
        frame = rows_frame(_rows(profile, clustered=self.clustered))
        frame.insert(0, "group", profile.group.name)
        return frame

    def _repr_html_(self) -> str:
        return html_table(self.to_frame(), "Bias by training profile")


def profile_bias(
    pairs: pd.DataFrame, resampling: Resampling, *, minimum: int = FEW_FOR_BIAS
) -> ProfileBias:
    """
    Bias, limits and prediction error of each training profile, and whether they differ.

    Parameters
    ----------
    pairs : DataFrame
        Columns athlete_id, training_profile, field, lab. A profile belongs to the pair: an athlete
        may stand in two. "not enough data" and missing profiles are no groups.
    resampling : Resampling
        Of the athletes of these rows; used when athletes have several pairs.
    minimum : int, default 5
        Athletes from which a profile enters the comparison.

    Returns
    -------
    ProfileBias

    Raises
    ------
    NotEstimable
        When no pair carries a profile.

    Notes
    -----
    Each profile is compared with the unweighted mean of the profiles, not with an overall mean
    that contains it in proportion to its size. Profiles also differ in fitness: look at
    `agreement.stats.causes.profile_at_equal_level` beside this.
    """
    labels = pairs["training_profile"]
    names = sorted(set(labels.dropna()) - {NOT_ENOUGH_DATA})
    if not names:
        raise NotEstimable(NOT_ESTIMABLE, "no pair carries a training profile.")
    groups = [group_of(name, pairs[labels == name]) for name in names]
    compared = [group.name for group in groups if group.n >= minimum]
    clustered = len(pairs) > resampling.n_athletes
    used = pairs[labels.isin(compared)]
    p_equal, reason = _p_equal(used, compared, clustered=clustered)
    deviations = _deviations(pairs, compared, resampling if clustered else None)
    p_spread, ratio = _spread(used, compared, clustered=clustered)
    profiles = tuple(
        Profile(group, deviations.get(group.name), _error(pairs, labels, group, resampling))
        for group in groups
    )
    n = int(used["athlete_id"].nunique())
    return ProfileBias(profiles, n, len(used), p_equal, reason, p_spread, ratio, clustered)


def profile_bias_of(data: MethodData) -> ProfileBias:
    """Bias by profile of one method and mode, for the results table."""
    return profile_bias(data.pairs, data.resampling)


def _differences(pairs: pd.DataFrame, names: Sequence[str]) -> list[Floats]:
    difference = (pairs["field"] - pairs["lab"]).to_numpy(np.float64)
    labels = pairs["training_profile"].to_numpy()
    return [difference[labels == name] for name in names]


def _p_equal(used: pd.DataFrame, names: Sequence[str], *, clustered: bool) -> tuple[float, str]:
    """P value of equal biases, and why there is none."""
    try:
        groups = _differences(used, names)
        if not clustered:
            return welch_test(groups).p, ""
        if len(names) < 2:
            raise NotEstimable(
                NOT_ESTIMABLE, "fewer than two groups with enough athletes to compare."
            )
        design = np.stack([(used["training_profile"] == name) for name in names], axis=1)
        model = random_intercept(used["field"] - used["lab"], used["athlete_id"], design)
        return model.wald_p(np.eye(len(names))[1:] - np.eye(len(names))[:1]), ""
    except NotEstimable as problem:
        return np.nan, str(problem)
    except ValueError as problem:  # the mixed model says what it lacks
        return np.nan, f"{NOT_ESTIMABLE}: {problem}"


def _deviations(
    pairs: pd.DataFrame, names: Sequence[str], resampling: Resampling | None
) -> dict[str, Deviation]:
    if len(names) < 2:
        return {}
    if resampling is None:
        found = contrasts_with_overall(_differences(pairs, names))
        parts = [(c.estimate, c.interval(), c.p) for c in found]
    else:
        replicates = _bootstrap(pairs, names, resampling)
        parts = [
            (float(replicates.estimate[k]), replicates.bca_interval(k), replicates.p_value(k))
            for k in range(len(names))
        ]
    corrected = holm([p for _, _, p in parts])
    return {
        name: Deviation(estimate, interval, float(p))
        for name, (estimate, interval, _), p in zip(names, parts, corrected, strict=True)
    }


def _bootstrap(pairs: pd.DataFrame, names: Sequence[str], resampling: Resampling) -> Replicates:
    """Deviations of profile biases, athletes weighing alike within a profile."""
    d = (pairs["field"] - pairs["lab"]).to_numpy(np.float64)
    k = len(names)
    columns = np.zeros((d.size, 2 * k))
    for j, name in enumerate(names):
        rows = np.flatnonzero((pairs["training_profile"] == name).to_numpy())
        codes = resampling.codes[rows]
        weight = 1.0 / np.bincount(codes)[codes]  # an athlete's pairs in a profile add up to one
        columns[rows, j], columns[rows, k + j] = weight, weight * d[rows]

    def statistics(sums: Floats) -> Floats:
        bias = sums[:, k:] / np.where(sums[:, :k] > 0.5, sums[:, :k], np.nan)
        return np.asarray(bias - bias.mean(axis=1, keepdims=True))

    return bootstrap_of_sums(resampling, columns, statistics)


def _spread(used: pd.DataFrame, names: Sequence[str], *, clustered: bool) -> tuple[float, float]:
    """P value of equal spreads and ratio of the largest to the smallest."""
    groups = _differences(used, names)
    if len(names) < 2:
        return np.nan, np.nan
    spreads = [float(group.std(ddof=1)) for group in groups]
    ratio = max(spreads) / min(spreads) if min(spreads) > 0.0 else np.nan
    if clustered:
        return np.nan, ratio
    try:
        return brown_forsythe(groups), ratio
    except NotEstimable:
        return np.nan, ratio


def _error(
    pairs: pd.DataFrame, labels: pd.Series, group: Group, resampling: Resampling
) -> Regression | None:
    if group.n < FEW_FOR_REPORTS:
        return None
    rows = (labels == group.name).to_numpy()
    own = Resampling(resampling.codes[rows], resampling.counts) if group.n_pairs > group.n else None
    try:
        return regression(pairs["field"][rows], pairs["lab"][rows], resampling=own)
    except ValueError:  # all field values equal
        return None


def _found(profile: Profile) -> dict[str, tuple[float, Interval | None]]:
    """Return what the rules on small numbers let a profile show."""
    limits, deviation, error = profile.group.limits, profile.deviation, profile.error
    found: dict[str, tuple[float, Interval | None]] = {}
    if limits is not None and profile.group.n >= FEW_FOR_BIAS:
        found["bias"] = limits.bias, limits.bias_interval()
    if deviation is not None:
        found["difference_from_overall"] = deviation.estimate, deviation.interval
        found["p_difference"] = deviation.p, None
    if limits is not None and profile.group.n >= FEW_FOR_REPORTS:
        found["lower_limit"] = limits.lower, limits.lower_interval()
        found["upper_limit"] = limits.upper, limits.upper_interval()
    if error is not None:
        interval = error.intervals()[3]
        found["standard_error_of_estimate"] = error.standard_error_of_estimate, interval
    return found


def _rows(profile: Profile, *, clustered: bool) -> list[Row]:
    group, found = profile.group, _found(profile)
    rows = []
    for name in _OF_PROFILE:
        value, interval = found.get(name, (np.nan, None))
        wanted = FEW_FOR_REPORTS if name in _NEED_TEN else FEW_FOR_BIAS
        missing = TOO_FEW if group.n < wanted else NOT_ESTIMABLE
        note = _said(group, name, clustered=clustered) if name in found else missing
        unit = "1" if name == "p_difference" else UNIT
        rows.append(
            Row.of(name, value, interval, n=group.n, n_pairs=group.n_pairs, unit=unit, note=note)
        )
    return rows


def _said(group: Group, name: str, *, clustered: bool) -> str:
    """Return what the table should say of a number that is shown."""
    few = group.limits.note if group.limits is not None and name in _OF_LIMITS else ""
    return "; ".join(part for part in ("clustered" if clustered else "", few) if part)


_AGAINST: Final = "bias of the group less the unweighted mean of groups; p corrected over groups"
_OF_EACH: Final = (
    BIAS,
    Statistic(
        "difference_from_overall",
        "bias against all profiles",
        "How far this profile's bias lies from the unweighted mean of all profiles.",
        _AGAINST,
        "Welch 1951; Holm 1979",
    ),
    Statistic(
        "p_difference",
        "p of no such difference",
        "How often chance alone would set a profile this far apart, all profiles considered.",
        _AGAINST,
        "Welch 1951; Holm 1979",
        unit="1",
        digits=3,
    ),
    LOWER,
    UPPER,
    STANDARD_ERROR,
)
_OF_PROFILE: Final = tuple(one.name for one in _OF_EACH)
RECORD: Final = Analysis(
    name="profile_bias",
    place=110,
    label="bias by training profile",
    statistics=(
        *_OF_EACH,
        Statistic(
            "p_welch",
            "p of equal bias in profiles",
            "How often chance alone would set the profiles' biases this far apart.",
            "Welch's test of group means; Wald F of a random intercept where pairs repeat",
            "Welch 1951",
            unit="1",
            digits=3,
        ),
        Statistic(
            "p_equal_spread",
            "p of equal spread in profiles",
            "How often chance alone would make the profiles' spreads this unequal.",
            "analysis of variance of the distances from the group's median",
            "Brown & Forsythe 1974",
            unit="1",
            digits=3,
        ),
        Statistic(
            "spread_ratio",
            "widest over narrowest spread",
            "Standard deviation of the profile that scatters most over that which scatters least.",
            "largest over smallest standard deviation of d in a profile",
            OURS,
            unit="1",
        ),
    ),
    privacy=Privacy.PARTITION,
    compute=profile_bias_of,
    unless_possible=(("all", ("p_welch",)),),
    own_section=True,
)
