"""Comparing the means of groups whose spreads differ: Welch's test, contrasts with all, Holm's p."""

import gc
import os
import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import scipy
from scipy import special

from agreement.stats.basics.intervals import Interval, t_interval, t_p_value
from agreement.stats.method_data import NOT_ESTIMABLE, NotEstimable

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class WelchTest:
    """Welch's F with its degrees of freedom."""

    f: float
    df1: int
    df2: float

    @property
    def p(self) -> float:
        """P value of equal means."""
        return float(special.fdtrc(self.df1, self.df2, self.f))


@dataclass(frozen=True, slots=True)
class Contrast:
    """One group's mean minus the unweighted mean of all groups' means."""

    estimate: float
    standard_error: float
    df: float

    @property
    def p(self) -> float:
        """Two-sided p value, not yet corrected for the number of contrasts."""
        if self.standard_error == 0.0:
            return 1.0 if self.estimate == 0.0 else 0.0
        return t_p_value(self.estimate / self.standard_error, self.df)

    def interval(self, confidence_level: float = 0.95) -> Interval:
        """Student interval with Satterthwaite's degrees of freedom."""
        return t_interval(self.estimate, self.standard_error, self.df, confidence_level)


def welch_test(groups: Sequence[npt.ArrayLike]) -> WelchTest:
    """
    Test equal means under unequal spreads.

    Raises NotEstimable with fewer than two groups, a group of one, or a group without spread.

    .. [1] Welch BL. On the comparison of several mean values. Biometrika 1951;38:330-336.
    """
    n, _, variance = _moments(groups)
    if np.any(variance == 0.0):
        raise NotEstimable(NOT_ESTIMABLE, "a group without any spread has no Welch test.")
    os.environ.setdefault("OUTDATED_IGNORE", "1")  # early versions ask the network on import
    from pingouin import welch_anova

    values = np.concatenate([np.asarray(group, dtype=np.float64) for group in groups])
    frame = pd.DataFrame({"value": values, "group": np.repeat(np.arange(n.size), n.astype(int))})
    with warnings.catch_warnings():  # of its own use of pandas
        warnings.simplefilter("ignore", DeprecationWarning)
        warnings.simplefilter("ignore", FutureWarning)
        found = welch_anova(data=frame, dv="value", between="group").iloc[0]
    return WelchTest(float(found["F"]), int(found["ddof1"]), float(found["ddof2"]))


# Ours: pingouin compares groups in pairs (Games-Howell), none with the mean of all.
def contrasts_with_overall(groups: Sequence[npt.ArrayLike]) -> tuple[Contrast, ...]:
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
    return tuple(
        Contrast(float(e), float(s), float(f))
        for e, s, f in zip(weights @ mean, np.sqrt(squared), df, strict=True)
    )


def brown_forsythe(groups: Sequence[npt.ArrayLike]) -> float:
    """
    P value of equal spreads: one-way F of absolute deviations from the group medians.

    .. [1] Brown MB, Forsythe AB. Robust tests for the equality of variances. JASA 1974;69:364-367.
    """
    _moments(groups)
    with np.errstate(divide="ignore", invalid="ignore"):  # no spread at all: told below
        p = float(scipy.stats.levene(*map(np.asarray, groups), center="median").pvalue)
    if np.isnan(p):
        raise NotEstimable(NOT_ESTIMABLE, "groups without any spread cannot be compared.")
    return p


def holm(p_values: npt.ArrayLike) -> Floats:
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


def _moments(groups: Sequence[npt.ArrayLike]) -> tuple[Floats, Floats, Floats]:
    values = [np.asarray(group, dtype=np.float64) for group in groups]
    if not all(np.isfinite(v).all() for v in values):
        raise ValueError("groups hold missing or infinite values; leave them out")
    n = np.array([v.size for v in values], dtype=np.float64)
    if n.size < 2:
        raise NotEstimable(NOT_ESTIMABLE, "fewer than two groups with enough athletes to compare.")
    if n.min() < 2:
        raise NotEstimable(NOT_ESTIMABLE, "a group of one has no spread to compare with.")
    return n, np.array([v.mean() for v in values]), np.array([v.var(ddof=1) for v in values])
