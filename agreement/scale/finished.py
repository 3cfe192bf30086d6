"""Sums finished into the result classes of the in-memory statistics."""

from collections.abc import Sequence
from datetime import date
from functools import reduce
from operator import add

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.scale.grouped_jackknife import FOLDS, GroupedJackknife, grouped_jackknife
from agreement.scale.keyed_sums import KeyedSums
from agreement.scale.method_sums import PROFILE, MethodSums, SpreadSums, added
from agreement.scale.pair_sums import PairSums
from agreement.stats.basics.least_squares import Line
from agreement.stats.basics.shares import deviation_from
from agreement.stats.indices.error import SCALES, ErrorsOfEstimate
from agreement.stats.limits.limits import FEW_FOR_REPORTS, FEWEST
from agreement.stats.limits.limits_of_agreement import GROUPS, Group, GroupedLimits, groups_frame
from agreement.stats.limits.limits_shown import AnyLimits
from agreement.stats.limits.quantile_limits import QuantileLimits, limits_of_ordered
from agreement.stats.lines.regression import LINE_SCALES, Regression
from agreement.stats.lines.trend import Trend
from agreement.stats.method_data import MethodData
from agreement.stats.verdict.plausible import implausible
from agreement.stats.verdict.verdict import Verdict, judged, material_of
from agreement.tables.options import Margin

Floats = npt.NDArray[np.float64]


def limits_from(sums: MethodSums) -> GroupedLimits:
    """Return bias and limits of every group."""
    groups = []
    for name in GROUPS:
        found = sums.groups[name]
        limits = found.limits() if found.n >= FEWEST else None
        groups.append(Group(name, found.n, found.n_pairs, limits))
    return GroupedLimits(tuple(groups))


def profile_rows(sums: MethodSums) -> pd.DataFrame:
    """Return bias and limits of every training profile of 10 athletes or more, as rows."""
    rows = groups_frame(
        Group(name.removeprefix(PROFILE), found.n, found.n_pairs, found.limits())
        for name, found in sorted(sums.groups.items())
        if name.startswith(PROFILE) and found.n >= FEW_FOR_REPORTS
    )
    return rows[rows["statistic"] != "sd_of_differences"]


def quantile_limits_from(sums: MethodSums) -> QuantileLimits:
    """
    Return the limits by quantiles, from the sketch; its error bound is in their notes.

    Raises
    ------
    ValueError
        With too few pairs.
    """
    sketch = sums.differences
    return limits_of_ordered(sketch.ordered, sums.groups["all"].n, off_by=sketch.error_bound)


def trend_from(sums: MethodSums, spread: SpreadSums) -> Trend:
    """
    Return slope and spread of the difference on the mean.

    Raises
    ------
    ValueError
        Below 3 pairs, or when all have the same mean.
    """
    pairs = sums.pairs
    line, n = pairs.trend_line(), sums.groups["all"].n
    size, squares = (_line(_total(part)) for part in (spread.absolute, spread.squared))
    explained = squares.slope**2 * squares.sxx / squares.syy if squares.syy > 0.0 else 0.0
    total = pairs.ss_d + pairs.n * pairs.mean_d**2
    joint = (total - line.rss) / 2.0 / (line.rss / line.df) if line.rss > 0.0 else np.inf
    return Trend(
        line,
        size,
        line.n * explained,
        joint if total > 0.0 else 0.0,
        pairs.lowest,
        pairs.highest,
        n,
        replicates=None if pairs.n == n else _slopes_jackknife(sums, spread),
    )


def regression_from(sums: MethodSums) -> Regression:
    """
    Return the line of the laboratory on the field value.

    Raises
    ------
    ValueError
        Below 3 pairs, or when all field values are equal.
    """
    pairs, n = sums.pairs, sums.groups["all"].n
    line = pairs.regression_line()
    identity = pairs.ss_d + pairs.n * pairs.mean_d**2
    joint = (identity - line.rss) / 2.0 / (line.rss / line.df) if line.rss > 0.0 else np.inf
    clustered = pairs.n > n
    jackknife = (
        grouped_jackknife(sums.folds, added, _of_regression, scales=LINE_SCALES)
        if clustered
        else None
    )
    return Regression(line, n, np.nan, np.nan, max(0.0, joint), jackknife)


def error_from(sums: MethodSums, margin: float | None) -> ErrorsOfEstimate:
    """
    Return the sizes of the error.

    Raises
    ------
    ValueError
        Below 3 pairs.
    """
    pairs = sums.pairs
    sd = pairs.limits().sd
    deviation = deviation_from(pairs.n, pairs.mean_d, sd, pairs.ss_d + pairs.n * pairs.mean_d**2)
    jackknife = grouped_jackknife(sums.folds, added, _of_error, scales=SCALES)
    return ErrorsOfEstimate(
        sums.groups["all"].n, pairs.n, margin, pairs.within, deviation, jackknife
    )


def verdict_from(
    method: str,
    mode: str,
    limits: AnyLimits | None,
    sums: MethodSums,
    sample: MethodData | None,
    margin: Margin,
    first_lab_date: date | None,
) -> Verdict:
    """
    Judge the limits of group ``all`` against the margin of the study.

    What sums do not tell (own limits, lopsided differences, fit and less fit) is the sample's.
    """
    everyone = sums.groups["all"]
    found = None
    if limits is not None and sample is not None and sample.n >= FEWEST:
        found = material_of(sample, limits)
    said = "" if sample is None else implausible(sample)
    sizes = (method, mode, everyone.n, everyone.n_pairs)
    return judged(sizes, found, margin, first_lab_date, implausible=said)


def _of_regression(pairs: PairSums) -> Floats:
    line = pairs.regression_line()
    return np.array([line.slope, line.intercept, line.r, line.residual_sd])


def _of_error(pairs: PairSums) -> Floats:
    squares = pairs.ss_d + pairs.n * pairs.mean_d**2
    index = deviation_from(pairs.n, pairs.mean_d, pairs.limits().sd, squares).value
    return np.array([pairs.mae, pairs.mape, pairs.rmse, pairs.share_within, index])


def _slopes_jackknife(sums: MethodSums, spread: SpreadSums) -> GroupedJackknife:
    """Leave out folds for the slope, and for the slopes of size and square of the residual."""
    of_spread = [_by_fold(part) for part in (spread.absolute, spread.squared)]
    folds = list(zip(sums.folds, *of_spread, strict=True))

    def merge(
        parts: Sequence[tuple[PairSums, KeyedSums, KeyedSums]],
    ) -> tuple[PairSums, KeyedSums, KeyedSums]:
        pairs, absolute, squared = zip(*parts, strict=True)
        return reduce(add, pairs), reduce(add, absolute), reduce(add, squared)

    def slopes(part: tuple[PairSums, KeyedSums, KeyedSums]) -> Floats:
        pairs, absolute, squared = part
        return np.array([pairs.trend_line().slope, _line(absolute).slope, _line(squared).slope])

    return grouped_jackknife(folds, merge, slopes)


def _by_fold(sums: KeyedSums) -> list[KeyedSums]:
    """Return the sums of each fold, all under one key."""
    frame = sums.frame
    return [
        KeyedSums(frame[frame.index == fold].set_axis([0] * int(fold in frame.index)))
        for fold in range(FOLDS)
    ]


def _total(sums: KeyedSums) -> KeyedSums:
    """Return the sums of all folds under one key."""
    return KeyedSums.merged([KeyedSums(sums.frame.set_axis([0] * len(sums.frame)))])


def _line(sums: KeyedSums) -> Line:
    """Return the line of sums under one key."""
    n, sxx, sxy, syy = sums.frame[["n", "sxx", "sxy", "syy"]].iloc[0].tolist()
    mean_x, mean_y = float(sums.mean_x[0]), float(sums.mean_y[0])
    if n < FEWEST or sxx <= 0.0:
        message = "no line can be fitted: all values on the horizontal axis are equal"
        raise ValueError(message)
    slope = sxy / sxx
    rss = max(0.0, syy - slope * sxy)
    return Line(int(n), slope, mean_y - slope * mean_x, mean_x, mean_y, sxx, syy, rss)
