"""Comparing the means of groups whose spreads differ: Welch's test, two by two, with all, Holm's p."""

import gc
import os
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
import pandas as pd
import scipy
from numpy.polynomial.legendre import leggauss
from scipy import special

from agreement.arrays import ArrayLike, Floats
from agreement.stats.basics.intervals import Interval, t_interval, t_p_value
from agreement.stats.method_data import NotEstimable

_POINTS: Final = 128
_FARTHEST: Final = 8.5  # standard deviations; beyond lies less than 1e-16 of a normal distribution
_UNSEEN: Final = 1e-16  # of the distribution of the pooled standard deviation, at either end
_quadrature = cache(leggauss)  # places and weights between -1 and 1


# Ours: scipy integrates each value anew on points that it seeks, 100 times as long for the same 12
# digits after the point: a quarter of all statistics of a study of five methods.
def studentized_range_sf(q: ArrayLike, k: int, df: ArrayLike) -> Floats:
    r"""
    Return the probability that the range of k means is q standard errors or more.

    q, df: of the same shape, or one of them a number; df of the pooled variance.

    :math:`1 - \int_0^\infty f(s) \, k \int \varphi(z) [\Phi(z + qs) - \Phi(z)]^{k-1} dz \, ds`, f the
    density of the pooled standard deviation over its expectation [1]_; within 1e-12 of scipy.

    .. [1] Copenhaver MD, Holland B. Multiple comparisons of simple effects in the two-way analysis of
       variance with fixed effects. J Stat Comput Simul 1988;30:1-15 (memory).

    >>> studentized_range_sf([3.5], 3, 20.0).round(4)
    array([0.0559])
    """
    wide, own = np.broadcast_arrays(np.asarray(q, np.float64), np.asarray(df, np.float64))
    places, weights = _quadrature(_POINTS)
    z = places * _FARTHEST
    mass = weights * _FARTHEST * k * np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi)
    below = special.ndtr(z)
    found = np.empty(wide.shape)
    for at, own_df in np.ndenumerate(own):
        half = own_df / 2.0
        ends = special.gammaincinv(half, _UNSEEN), special.gammainccinv(half, _UNSEEN)
        low, high = np.log(np.array(ends) / half) / 2.0
        x = (high - low) / 2.0 * places + (high + low) / 2.0  # the logarithm of s
        density = weights * np.exp(own_df * (x - np.expm1(2.0 * x) / 2.0))
        inside = (special.ndtr(z + wide[at] * np.exp(x)[:, None]) - below) ** (k - 1) @ mass
        found[at] = density @ (1.0 - inside) / density.sum()
    return np.clip(found, 0.0, 1.0)


@dataclass(frozen=True, slots=True)
class WelchTest:
    """Welch's F with its degrees of freedom."""

    f: float
    df1: int
    df2: float
    p: float  # of equal means


@dataclass(frozen=True, slots=True)
class Contrast:
    """One group's mean minus the unweighted mean of all groups' means."""

    estimate: float
    standard_error: float
    df: float  # Satterthwaite's
    interval: Interval  # Student's, 95 %
    p: float  # two-sided, not yet corrected for the number of contrasts


@dataclass(frozen=True, slots=True)
class Apart:
    """How far the means of two groups lie apart."""

    between: tuple[int, int]  # the groups, by their places
    estimate: float  # first less second
    interval: Interval  # 95 %, for all pairs of groups together
    p: float  # all pairs counted
    g: float  # Hedges' g: the same in pooled standard deviations
    g_interval: Interval  # 95 %, for this pair alone


def welch_test(groups: Sequence[ArrayLike]) -> WelchTest:
    """
    Test equal means under unequal spreads.

    Raises NotEstimable with fewer than two groups, a group of one, or a group without spread.

    .. [1] Welch BL. On the comparison of several mean values. Biometrika 1951;38:330-336.
    """
    sizes = _moments(groups, spread=True)[0].astype(np.intp)
    values = np.concatenate([np.asarray(group, dtype=np.float64) for group in groups])
    table = pd.DataFrame({"value": values, "group": np.repeat(np.arange(len(sizes)), sizes)})
    with quiet_pingouin():
        from pingouin import welch_anova

        found = welch_anova(data=table, dv="value", between="group").iloc[0]
    f, df1, df2 = float(found["F"]), int(found["ddof1"]), float(found["ddof2"])
    return WelchTest(f, df1, df2, float(special.fdtrc(df1, df2, f)))


def games_howell(groups: Sequence[ArrayLike]) -> tuple[Apart, ...]:
    r"""
    Compare the means of groups two by two, all pairs counted, under unequal spreads.

    Returns the difference of each pair, the first group's mean less a later one's; pairs by the first
    group, then the second.
    Raises NotEstimable with fewer than two groups, a group of fewer than three, or without spread.

    :math:`\bar x_i - \bar x_j \pm q/\sqrt{2} \sqrt{s_i^2/n_i + s_j^2/n_j}`, q the 95 % point of the
    studentized range of all groups on Satterthwaite's degrees of freedom [1]_. Hedges' g is the
    difference over the pooled standard deviation, freed of its bias in small groups [2]_; its
    interval counts one pair alone.

    .. [1] Games PA, Howell JF. Pairwise multiple comparison procedures with unequal n's and/or
       variances: a Monte Carlo study. J Educ Stat 1976;1:113-125 (memory).
    .. [2] Hedges LV, Olkin I. Statistical methods for meta-analysis. Academic Press 1985 (memory).

    >>> (apart,) = games_howell([[1.0, 2.0, 3.0, 4.0], [3.0, 4.0, 5.0, 6.0, 7.0]])
    >>> apart.between, round(apart.estimate, 1), round(apart.p, 3), round(apart.g, 2)
    ((0, 1), -2.5, 0.035, -1.52)
    """
    n, mean, variance = _moments(groups, spread=True)
    if n.min() < 3:
        raise NotEstimable("a group of two is too small to compare in pairs.")
    with quiet_pingouin():
        from pingouin import compute_effsize, compute_esci

        v = variance / n
        pairs = np.triu_indices(n.size, k=1)
        first, second = pairs
        both = v[first] + v[second]
        df = both**2 / (v[first] ** 2 / (n[first] - 1) + v[second] ** 2 / (n[second] - 1))
        d, se = mean[first] - mean[second], np.sqrt(both)
        p = studentized_range_sf(np.sqrt(2.0) * np.abs(d / se), n.size, df)
        half = _simultaneous(n.size, df) * se
        apart = []
        for at, (i, j) in enumerate(zip(*(one.tolist() for one in pairs), strict=True)):
            g = float(compute_effsize(groups[i], groups[j], eftype="hedges"))
            ends = compute_esci(g, int(n[i]), int(n[j]), eftype="hedges", decimals=12)
            told = Interval(float(d[at] - half[at]), float(d[at] + half[at])), float(p[at])
            apart.append(Apart((i, j), float(d[at]), *told, g, Interval(*map(float, ends))))
    return tuple(apart)


def _simultaneous(k: int, df: Floats) -> Floats:
    """Return half widths of 95 % intervals for all pairs of k groups, in standard errors."""
    from statsmodels.stats.libqsturng import qsturng

    below, near, above = (np.asarray(qsturng(p, k, df), np.float64) for p in (0.945, 0.95, 0.955))
    missed = studentized_range_sf(near, k, df) - 0.05  # of an approximation to 0.2 %
    newton = near + missed * (above - below) / 0.01
    return np.asarray(newton / np.sqrt(2.0))


# Ours: pingouin compares groups in pairs, none with the mean of all.
def contrasts_with_overall(groups: Sequence[ArrayLike]) -> tuple[Contrast, ...]:
    """
    Difference of each group's mean from the unweighted mean of group means.

    Raises NotEstimable with fewer than two groups or a group of one.

    .. [1] Satterthwaite FE. An approximate distribution of estimates of variance components.
       Biometrics Bulletin 1946;2:110-114.
    """
    n, mean, variance = _moments(groups)
    k = n.size
    weights = np.eye(k) - 1.0 / k
    terms = weights**2 * variance / n
    squared = terms.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):  # no spread anywhere: df cannot matter
        df = np.where(squared > 0.0, squared**2 / (terms**2 / (n - 1)).sum(axis=1), n.sum() - k)
    contrasts = []
    for e, s, f in np.stack([weights @ mean, np.sqrt(squared), df], axis=1).tolist():
        p = t_p_value(e / s, f) if s else float(e == 0.0)
        contrasts.append(Contrast(e, s, f, t_interval(e, s, f), p))
    return tuple(contrasts)


def brown_forsythe(groups: Sequence[ArrayLike]) -> float:
    """
    P value of equal spreads: one-way F of absolute deviations from the group medians.

    .. [1] Brown MB, Forsythe AB. Robust tests for the equality of variances. JASA 1974;69:364-367.
    """
    _moments(groups)
    with np.errstate(divide="ignore", invalid="ignore"):  # no spread at all: told below
        p = float(scipy.stats.levene(*map(np.asarray, groups), center="median").pvalue)
    if np.isnan(p):
        raise NotEstimable("groups without any spread cannot be compared.")
    return p


def holm(p_values: ArrayLike) -> Floats:
    """
    Correct p values for their number.

    .. [1] Holm S. A simple sequentially rejective multiple test procedure. Scand J Stat 1979;6:65-70.
    """
    if np.size(p_values) < 2:
        return np.asarray(p_values, dtype=np.float64)
    from statsmodels.stats.multitest import multipletests

    gc.freeze()  # it collects garbage at each call: 0.1 s and more where much is loaded
    try:
        return np.asarray(multipletests(p_values, method="holm")[1], dtype=np.float64)
    finally:
        gc.unfreeze()


@contextmanager
def quiet_pingouin() -> Iterator[None]:
    """Keep pingouin from the network on import, and from warnings of its own use of pandas."""
    os.environ.setdefault("OUTDATED_IGNORE", "1")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        warnings.simplefilter("ignore", FutureWarning)
        yield


def _moments(groups: Sequence[ArrayLike], *, spread: bool = False) -> tuple[Floats, Floats, Floats]:
    """Return sizes, means and variances; with `spread` refuse a group that does not scatter."""
    values = [np.asarray(group, dtype=np.float64) for group in groups]
    if not all(np.isfinite(v).all() for v in values):
        raise ValueError("groups hold missing or infinite values; leave them out")
    n = np.array([v.size for v in values], dtype=np.float64)
    if n.size < 2:
        raise NotEstimable("fewer than two groups with enough athletes to compare.")
    if n.min() < 2:
        raise NotEstimable("a group of one has no spread to compare with.")
    mean, variance = np.array([v.mean() for v in values]), np.array([v.var(ddof=1) for v in values])
    if spread and np.any(variance == 0.0):
        raise NotEstimable("a group without any spread has no Welch test.")
    return n, mean, variance
