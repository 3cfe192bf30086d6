"""Deming regression: the structural line between two methods that both carry normal errors."""

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from agreement.arrays import ArrayLike, Floats
from agreement.stats.basics.bootstrap import bootstrap_of_sums
from agreement.stats.basics.clusters import athlete_codes
from agreement.stats.basics.intervals import Interval, checked_share, t_interval
from agreement.stats.basics.least_squares import products
from agreement.stats.limits.limits import FEWEST_FOR_SD, checked_pairs
from agreement.stats.lines.structural import structural_of
from agreement.stats.method_data import MethodData, NotEstimable
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows
from agreement.terms import UNBOUNDED

NET_OF_LABORATORY: Final = "net_of_laboratory"
UNKNOWN_RATIO: Final = 1.0  # of error variances, where the laboratory's error is not known
_NOISE: Final = 1e-13  # a correlation below this is rounding
_CHUNK: Final = 1 << 13  # rows worked on at once; they stay in the processor's cache


class DemingLine(NamedTuple):
    """The line for one assumed ratio of error variances."""

    error_ratio: float
    slope: float
    intercept: float


class Centre(NamedTuple):
    """Means about which sums are taken, to keep them small."""

    x: float
    y: float

    def moved(self, slope: Floats, intercept: Floats) -> Floats:
        """Return the intercept of a line through centred values, for the values themselves."""
        return intercept + self.y - slope * self.x

    def line(self, slope: Floats, intercept: Floats, error_ratio: float) -> DemingLine:
        """Return the line for the values themselves."""
        return DemingLine(float(error_ratio), float(slope), float(self.moved(slope, intercept)))


def lines_from_sums(sums: Floats, error_ratio: float) -> tuple[Floats, Floats]:
    """Return slope and intercept from sums of 1, x, y, xx, yy, xy (first axis); nan without a line."""
    n, sx, sy, sxx, syy, sxy = sums
    with np.errstate(divide="ignore", invalid="ignore"):
        sxx, syy, sxy = sxx - sx * sx / n, syy - sy * sy / n, sxy - sx * sy / n
        u = syy - error_ratio * sxx
        root = np.sqrt(u * u + 4 * error_ratio * sxy * sxy)
        # the second form loses no digits where u is far below zero
        slope = np.where(u >= 0, (u + root) / (2 * sxy), 2 * error_ratio * sxy / (root - u))
        slope = np.where(np.abs(sxy) > _NOISE * np.sqrt(np.abs(sxx * syy)), slope, np.nan)
        return slope, (sy - slope * sx) / n


def sums_about(x: Floats, y: Floats, centre: Centre) -> Floats:
    """Return sums of 1, x, y, xx, yy, xy over rows, about the means."""
    sums = np.zeros(6)
    for start in range(0, len(x), _CHUNK):
        dx, dy = x[start : start + _CHUNK] - centre.x, y[start : start + _CHUNK] - centre.y
        sums += [len(dx), dx.sum(), dy.sum(), dx @ dx, dy @ dy, dx @ dy]
    return sums


def without_each_pair(
    x: Floats, y: Floats, centre: Centre, total: Floats, error_ratio: float
) -> Iterator[tuple[Floats, Floats]]:
    """
    Yield slopes and intercepts, each pair left out in turn.

    Leaving out one point takes ``n / (n - 1)`` times its product of deviations from a sum of
    products, and ``1 / (n - 1)`` times its deviation from a mean.
    """
    n = len(x)
    part = 1.0 / (n - 1)
    sxx, syy, sxy = total[3:]
    noise = _NOISE * np.sqrt(sxx * syy)
    for start in range(0, n, _CHUNK):
        dx, dy = x[start : start + _CHUNK] - centre.x, y[start : start + _CHUNK] - centre.y
        u = dy * dy
        u -= error_ratio * (dx * dx)
        u *= -n * part
        u += syy - error_ratio * sxx
        both = dx * dy
        both *= -2 * n * part
        both += 2 * sxy  # twice the sum of products
        both[np.abs(both) <= noise] = np.nan
        root = np.sqrt(u * u + error_ratio * (both * both))
        steep = syy >= error_ratio * sxx
        slope = (u + root) / both if steep else error_ratio * both / (root - u)
        dx *= part
        dx -= centre.x
        dy *= -part
        dy += centre.y
        yield slope, dy + slope * dx


@dataclass(frozen=True, slots=True)
class Deming(Result):
    """The line ``field = intercept + slope laboratory``."""

    # n, n_pairs: athletes and pairs
    n: int
    n_pairs: int
    # slope, intercept: [1] and [mL/kg/min]
    slope: float
    intercept: float
    slope_interval: Interval
    intercept_interval: Interval
    error_ratio: float  # lambda: error variance of the field over that of the laboratory
    assumed: bool  # whether lambda was assumed, not measured
    sensitivity: tuple[DemingLine, ...]  # the line at half lambda, lambda and twice lambda
    clustered: bool = False  # whether the intervals are from resampling or leaving out athletes
    # whether the line is the structural one, net of the laboratory's noise; an end of its interval
    # is NaN where the data set no bound
    net: bool = False

    def _rows(self) -> TableRows:
        told = (
            ("clustered", self.clustered),
            (NET_OF_LABORATORY, self.net),
            ("assumed", self.assumed),
        )
        parts = tuple(word for word, holds in told if holds)
        of_lambda = "; ".join(parts[self.clustered :])
        unbounded = (UNBOUNDED,) if np.isnan(self.slope_interval).any() and self.net else ()
        note = "; ".join((*parts, *unbounded))
        return self.told(
            ("slope", self.slope, self.slope_interval, note),
            ("intercept", self.intercept, self.intercept_interval, note),
            ("lambda", self.error_ratio, None, of_lambda),
            ("slope_at_half_lambda", self.sensitivity[0].slope, None, of_lambda),
            ("slope_at_twice_lambda", self.sensitivity[2].slope, None, of_lambda),
        )

    def _finding(self) -> str:
        low, high = self.slope_interval
        slopes = [line.slope for line in self.sensitivity]
        origin = "net of the laboratory's noise" if self.net else "assumed"
        return (
            f"Deming: field = {self.intercept:.1f} + {self.slope:.2f} laboratory (95 % interval of "
            f"the slope {low:.2f} to {high:.2f}) at an error ratio of {self.error_ratio:.2g} "
            f"({origin}); half to twice that ratio gives slopes of {min(slopes):.2f} to "
            f"{max(slopes):.2f}."
        )


# Ours: scipy.odr is being removed, and has no jackknife by athlete.
def deming(
    field: ArrayLike,
    lab: ArrayLike,
    *,
    error_ratio: float = 1.0,
    athlete: ArrayLike | None = None,
    confidence_level: float = 0.95,
) -> Deming:
    r"""
    Deming line of field on laboratory, with intervals by the jackknife.

    Parameters
    ----------
    field, lab : array_like, shape (n,)
        y and x of the line. [mL/kg/min]
    error_ratio : float, default 1
        Lambda: variance of the error of y over that of x; 1 is orthogonal regression.
    athlete : array_like, shape (n,), optional
        With several pairs per athlete; athletes, not pairs, are then left out in turn.
    confidence_level : float, default 0.95
        Of the intervals, in (0, 1).

    Raises
    ------
    ValueError
        If the shapes differ, a value is missing or infinite, fewer than 3 athletes remain, or
        field and laboratory do not vary together.

    Notes
    -----
    With :math:`u = S_{yy} - \lambda S_{xx}` the slope is
    :math:`(u + \sqrt{u^2 + 4\lambda S_{xy}^2}) / (2 S_{xy})`. Some handbooks define lambda the
    other way round. The jackknife interval [1]_ is the estimate -/+ t on n - 2 degrees of freedom
    times the standard error of the pseudo-values; every leave-one-out line follows in closed form
    from sums. Below r = 0.9 the choice of lambda dominates: see `Deming.sensitivity`.

    References
    ----------
    .. [1] Linnet K. Evaluation of regression procedures for methods comparison studies. Clin Chem
       1993;39:424-432.
    .. [2] Pearson K. On lines and planes of closest fit to systems of points in space. Phil Mag
       1901;2:559-572.

    Examples
    --------
    >>> fit = deming([42.0, 46.5, 50.0, 54.5], [40.0, 45.0, 50.0, 55.0])
    >>> round(fit.slope, 3)
    0.821
    """
    y, x = checked_pairs(field, lab, fewest=FEWEST_FOR_SD)
    level = checked_share("confidence_level", confidence_level)
    if not (np.isfinite(error_ratio) and error_ratio > 0):
        raise ValueError(f"`error_ratio` must be above 0; got {error_ratio:g}")
    codes = None if athlete is None else athlete_codes(athlete, len(x))
    n = len(x) if codes is None else int(codes.max()) + 1
    if n < FEWEST_FOR_SD:
        raise ValueError(f"Deming regression needs at least {FEWEST_FOR_SD} athletes; got {n}")
    centre = Centre(float(x.mean()), float(y.mean()))
    total = sums_about(x, y, centre)
    lines = tuple(
        centre.line(*lines_from_sums(total, ratio), ratio)
        for ratio in (error_ratio / 2, error_ratio, 2 * error_ratio)
    )
    line = lines[1]
    if not np.isfinite(line.slope):
        raise ValueError("field and laboratory do not vary together: no Deming line.")
    if codes is None:
        left_out = without_each_pair(x, y, centre, total, error_ratio)
    else:
        columns = products(x - centre.x, y - centre.y).T
        sums = np.stack([np.bincount(codes, column) for column in columns])
        slopes, intercepts = lines_from_sums(total[:, None] - sums, error_ratio)
        left_out = iter([(slopes, centre.moved(slopes, intercepts))])
    moved = np.zeros((2, 2))  # sums of the moves and of their squares, for slope and intercept
    for slope, intercept in left_out:
        moves = slope - line.slope, intercept - line.intercept
        moved += [[move.sum(), move @ move] for move in moves]
    squares = moved[:, 1] - moved[:, 0] ** 2 / n
    of_slope, of_intercept = np.sqrt(np.maximum(squares, 0.0) * (n - 1) / n).tolist()
    if not np.isfinite(of_slope):
        raise ValueError("with one athlete left out no line remains: too few different values.")
    ends = (
        t_interval(line.slope, of_slope, n - 2, level),
        t_interval(line.intercept, of_intercept, n - 2, level),
    )
    return Deming(n, len(x), *line[1:], *ends, float(error_ratio), False, lines)


def deming_of(data: MethodData) -> Deming:
    """
    Deming line of field on laboratory, net of the laboratory's noise where that is known.

    The ratio of error variances is then that of what is plotted, lasting errors of the field
    included, at which the line is the structural one, with its interval. Unknown, it is taken for 1
    and the line is a description: it cannot tell unequal noise from proportional bias. With several
    pairs of an athlete the intervals are over athletes, by `Replicates.interval`.

    Raises ValueError when the pairs do not give a line.
    """
    centre = Centre(float(data.lab.mean()), float(data.field.mean()))
    with suppress(NotEstimable):
        net = structural_of(data)
        if not np.isnan(net.slope):
            sums, ratio = sums_about(data.lab, data.field, centre), net.error_ratio
            half, twice = (
                centre.line(*lines_from_sums(sums, share * ratio), share * ratio)
                for share in (0.5, 2.0)
            )
            found = (half, DemingLine(ratio, net.slope, net.intercept), twice)
            told = (*found[1][1:], net.interval, net.intercept_interval, ratio)
            return Deming(net.n, net.n_pairs, *told, net.laboratory.assumed, found, net=True)
    fit = deming(data.field, data.lab, error_ratio=UNKNOWN_RATIO, athlete=data.athlete)
    fit = replace(fit, assumed=True)
    if not data.clustered:
        return fit

    def lines(sums: Floats) -> Floats:
        slope, intercept = lines_from_sums(sums.T, UNKNOWN_RATIO)
        return np.stack([slope, centre.moved(slope, intercept)], axis=1)

    columns = products(data.lab - centre.x, data.field - centre.y)
    drawn = bootstrap_of_sums(data.resampling, columns, lines, scales=("plain", "plain"))
    slope, intercept = drawn.interval(0), drawn.interval(1)
    return replace(fit, slope_interval=slope, intercept_interval=intercept, clustered=True)


RECORD: Final = recorded("""
    deming, place 60, whole, own section: line with error on both sides
    slope [1]: Deming slope, field on laboratory
      Change of the field value for each mL/kg/min of the laboratory's true value.
      = line with error on both sides; the structural one where the laboratory's error is known,
      else for a ratio of 1 with an interval over athletes, by the jackknife where each has one
      pair | Linnet 1993
    intercept: Deming intercept, field on laboratory
      Field value that the line gives for a laboratory value of zero.
    lambda [1]: ratio of error variances
      Variance of the field's own error, lasting errors included, over that of the laboratory's
      values; 1 where the laboratory's error is not known.
      = what the structural slope leaves unexplained, over the laboratory's noise | Linnet 1993
    slope_at_half_lambda [1]: slope at half that ratio
      What the slope would be, were the ratio of variances half as large.
      = as slope
    slope_at_twice_lambda [1]: slope at twice that ratio
      What the slope would be, were the ratio of variances twice as large.
    """).by(deming_of)
