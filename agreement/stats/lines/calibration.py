"""What the laboratory would have read: calibrating the field estimate for one squad."""

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from scipy import special

from agreement.arrays import ArrayLike, Floats, Ints, Seed
from agreement.stats.basics.bootstrap import Resampling, bootstrap_of_sums, cluster_resampling
from agreement.stats.basics.clusters import athlete_codes
from agreement.stats.basics.intervals import Interval, t_interval
from agreement.stats.basics.least_squares import fit_line, moments, products
from agreement.stats.limits.limits import checked_pairs
from agreement.stats.lines.squad_calibration import (
    ESTIMATED,
    FEWEST_CALIBRATED,
    MODELS,
    AthleteSums,
    Fits,
    LocalOffset,
    Model,
    chosen_calibration,
    local_offset,
    uneven_along,
)
from agreement.stats.method_data import NOT_ESTIMABLE, TOO_FEW, MethodData, NotEstimable
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows

FEW_FOR_CALIBRATION: Final = 20
BEYOND_RANGE: Final = 2.0  # field values further outside are refused [mL/kg/min]
ZERO_FROM: Final = 9  # decimals: an offset's mean error is 0 but for rounding with one pair each
ORDINARY_SLOPES: Final = Interval(0.7, 1.3)


class LaboratoryEquivalent(NamedTuple):
    """What the laboratory would have read for one field value; empty with a reason if refused."""

    value: float
    low: float
    high: float
    note: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Calibration(Result):
    """None, an offset or a line, judged on athletes that it was not fitted to. [mL/kg/min]."""

    # n, n_pairs: athletes and pairs
    n: int
    n_pairs: int
    offset: float  # to be added to a field value: minus the bias
    # slope, intercept: least squares of laboratory on field over all pairs
    slope: float
    intercept: float
    offset_interval: Interval
    slope_interval: Interval
    intercept_interval: Interval
    # root mean square error of ``none``, ``offset``, ``line``, each athlete left out in turn
    rmse_cv: dict[Model, float]
    rmse_intervals: dict[Model, Interval]  # over athletes
    # mae_cv, bias_cv: mean absolute error and mean error of the same, predicted minus laboratory
    mae_cv: dict[Model, float]
    mae_intervals: dict[Model, Interval]  # over athletes
    bias_cv: dict[Model, float]
    choice: Model  # by the rule of `agreement.stats.lines.squad_calibration`
    # lowest, highest: observed range of the field values
    lowest: float
    highest: float
    clustered: bool  # whether athletes have several pairs
    _fit: Fits
    _covariance: Floats
    _local: LocalOffset | None = None

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader should know: few athletes, an unusual slope."""
        said = []
        if self.n < FEW_FOR_CALIBRATION:
            said.append(f"fewer than {FEW_FOR_CALIBRATION} athletes")
        if self.choice == "line" and not ORDINARY_SLOPES.contains(self.slope):
            said.append("the method shrinks or stretches differences between athletes")
        return tuple(said)

    def laboratory_equivalent(self, field: float) -> LaboratoryEquivalent:
        """
        Return the laboratory value that one field value stands for, with its prediction interval.

        field: [mL/kg/min]
        Returns the value, without numbers more than 2 mL/kg/min outside the observed field values.
        """
        if not self.lowest - BEYOND_RANGE <= field <= self.highest + BEYOND_RANGE:
            known = f"the calibrated range {self.lowest:.1f} to {self.highest:.1f}"
            refused = f"field value {field:.1f} is outside {known}"
            return LaboratoryEquivalent(np.nan, np.nan, np.nan, refused)
        if self._local is not None:
            return LaboratoryEquivalent(*self._local.interval(field))
        value = float(self._fit.intercept[0] + self._fit.slope[0] * field)
        at = np.array([1.0, field])
        spread = float(np.sqrt(self._fit.variance[0] + at @ self._covariance @ at))
        half = float(special.stdtrit(self.n - ESTIMATED[self.choice], (1 + 0.95) / 2)) * spread
        return LaboratoryEquivalent(value, value - half, value + half)

    def _rows(self) -> TableRows:
        return self.told(
            ("offset", self.offset, self.offset_interval),
            ("slope", self.slope, self.slope_interval),
            ("intercept", self.intercept, self.intercept_interval),
            *((f"rmse_cv_{one}", self.rmse_cv[one], self.rmse_intervals[one]) for one in MODELS),
            *((f"mae_cv_{one}", self.mae_cv[one], self.mae_intervals[one]) for one in MODELS),
            *((f"bias_cv_{one}", self.bias_cv[one]) for one in MODELS),
            note="; ".join((("clustered",) if self.clustered else ()) + self.notes),
        )

    def _finding(self) -> str:
        what = {
            "none": "use the field value as it is",
            "offset": f"add {self.offset:.1f} to the field value",
            "line": f"take {self.intercept:.1f} + {self.slope:.2f} x field",
        }[self.choice]
        return (
            f"For a new athlete of this squad {what}: a typical miss of "
            f"{self.rmse_cv[self.choice]:.1f} mL/kg/min, against {self.rmse_cv['none']:.1f} "
            f"without calibration ({self.n} athletes, each left out in turn)."
        )


def calibration(
    field: ArrayLike, lab: ArrayLike, *, athlete: ArrayLike | None = None, rng: Seed = None
) -> Calibration:
    """
    Choose between no calibration, an offset and a line, by leaving out each athlete in turn.

    field, lab: shape (n_pairs,) [mL/kg/min]
    athlete: shape (n_pairs,). With several pairs per athlete; all pairs of an athlete are left out
        together.
    Raises ValueError if the shapes differ, a value is missing, there are fewer than 5 athletes, or
        without one of them the field values do not vary.

    The choice is that of `chosen_calibration`, on athlete means. Where an offset is chosen and the
    differences spread unevenly along the field value, its interval follows the spread; one pair
    per athlete only. With several pairs per athlete the
    prediction interval holds a single new pair of a new athlete: between and within variance of
    the residuals as in the unweighted-means limits, and a covariance of the line that respects
    athletes. A calibration holds for this squad and this version of the method alone.

    .. [1] Hastie T, Tibshirani R, Friedman J. The elements of statistical learning. Springer,
       2009, section 7.10.

    >>> fit = calibration([44, 47, 50, 52, 57, 60], [46, 49, 52, 55, 58, 63], rng=1)
    >>> fit.choice
    'offset'
    """
    y, x = checked_pairs(field, lab, fewest=FEWEST_CALIBRATED)
    codes = athlete_codes(athlete, len(y))
    n = int(codes.max()) + 1
    clustered = n < len(y)
    if n < FEWEST_CALIBRATED:
        raise ValueError(f"calibration needs at least {FEWEST_CALIBRATED} athletes; got {n}")
    sums = AthleteSums(y, x, codes)
    without = {model: sums.fits(model, without_each=True) for model in MODELS}
    if not np.isfinite(without["line"].slope).all():
        raise ValueError("the field values do not vary enough for a line without each athlete.")
    errors = {
        model: fits.intercept[codes] + fits.slope[codes] * y - x for model, fits in without.items()
    }
    drawn = cluster_resampling(codes, rng=rng)
    sizes = [errors[m] ** 2 for m in MODELS] + [np.abs(errors[m]) for m in MODELS]

    def losses(sums: Floats) -> Floats:
        """Root mean square errors of none, offset, line; then their mean absolute errors."""
        means = sums[:, 1:] / sums[:, :1]
        return np.concatenate([np.sqrt(means[:, :3]), means[:, 3:]], axis=1)

    summed = np.stack([np.ones_like(y), *sizes], axis=1)
    loss = bootstrap_of_sums(drawn, summed, losses, scales=("log",) * 6)
    each = np.bincount(codes)
    choice = chosen_calibration(np.bincount(codes, y) / each, np.bincount(codes, x) / each).model
    follows = choice == "offset" and not clustered and uneven_along(y, x)
    fit = sums.fits(choice)
    return Calibration(
        n,
        len(y),
        *_parameters(y, x, n, drawn),
        dict(zip(MODELS, loss.estimate[:3].tolist(), strict=True)),
        {model: loss.interval(k) for k, model in enumerate(MODELS)},
        dict(zip(MODELS, loss.estimate[3:].tolist(), strict=True)),
        {model: loss.interval(k) for k, model in enumerate(MODELS, 3)},
        {model: round(float(error.mean()), ZERO_FROM) + 0.0 for model, error in errors.items()},
        choice,
        *(float(y.min()), float(y.max()), clustered, fit, _covariance(y, x, codes, fit, choice)),
        local_offset(y, x) if follows else None,
    )


def calibration_of(data: MethodData) -> Calibration:
    """Calibration of one method and mode."""
    try:
        return calibration(data.field, data.lab, athlete=data.athlete, rng=data.seed)
    except ValueError as error:
        code = TOO_FEW if data.n < FEWEST_CALIBRATED else NOT_ESTIMABLE
        raise NotEstimable(str(error), code) from error


def _parameters(
    y: Floats, x: Floats, n: int, drawn: Resampling
) -> tuple[float, float, float, Interval, Interval, Interval]:
    """Offset, slope, intercept and their intervals."""
    line, offset = fit_line(y, x), float((x - y).mean())
    if n == len(y):
        error = float((x - y).std(ddof=1)) / float(np.sqrt(n))
        of_offset = t_interval(offset, error, n - 1)
        ends = (of_offset, line.slope_interval(), line.intercept_interval())
        return offset, line.slope, line.intercept, *ends

    def statistics(sums: Floats) -> Floats:
        m = moments(sums)
        tilt = m.xy / m.xx
        level = (m.y - tilt * m.x) / m.n - tilt * line.mean_x
        return np.stack([m.y / m.n, 1 + tilt, level], axis=1)

    columns = products(y - line.mean_x, x - y)
    found = bootstrap_of_sums(drawn, columns, statistics, scales=("plain",) * 3)
    of_offset, of_slope, of_intercept = (found.interval(k) for k in range(3))
    return offset, line.slope, line.intercept, of_offset, of_slope, of_intercept


# Ours: the sandwich by athlete in closed sums; statsmodels fits anew for each athlete left out.
def _covariance(y: Floats, x: Floats, codes: Ints, fit: Fits, model: Model) -> Floats:
    """Covariance of intercept and slope; between athletes when they have several pairs."""
    free, n = ESTIMATED[model], int(codes.max()) + 1
    if free == 0:
        return np.zeros((2, 2))
    design = np.stack([np.ones_like(y), y], axis=1)[:, :free]
    bread = np.linalg.inv(design.T @ design)
    covariance = np.zeros((2, 2))
    if n == len(y):
        covariance[:free, :free] = bread * fit.variance[0]
        return covariance
    residual = x - fit.intercept[0] - fit.slope[0] * y
    scores = np.stack([np.bincount(codes, column * residual) for column in design.T])
    meat = scores @ scores.T * n / (n - free)
    covariance[:free, :free] = bread @ meat @ bread
    return covariance


RECORD: Final = recorded("""
    calibration, place 140, whole, own section, weighs pairs: laboratory-equivalent value
    offset: offset
      What to add to a field value, were one number added to all.
      = minus the mean of d over pairs; interval by Student's t. In use where the bias is shown or
      an athlete left out is predicted better
    slope [1]: slope of the calibration
      What to multiply a field value with, were a line used.
      = least squares of laboratory on field. In use from 20 athletes on, where it is shown to differ
      from 1 and no other form predicts an athlete left out better
    intercept: intercept of the calibration
      What to add after that.
    rmse_cv_none .2: error of prediction, field value as it is
      Root mean square error for athletes left out, nothing corrected.
      = each form fitted without one athlete at a time, that athlete's pairs predicted | Hastie
      2009, section 7.10
    rmse_cv_offset .2: error of prediction, with an offset
      Root mean square error for athletes left out, an offset added.
    rmse_cv_line .2: error of prediction, with a line
      Root mean square error for athletes left out, by the line.
    mae_cv_none .2 by sign: mean absolute error of prediction, field value as it is
      Mean size of the errors for athletes left out, nothing corrected.
    mae_cv_offset .2 from 50: mean absolute error of prediction, with an offset
      Mean size of the errors for athletes left out, an offset added.
    mae_cv_line .2 from 50: mean absolute error of prediction, with a line
      Mean size of the errors for athletes left out, by the line.
    bias_cv_none .2: mean error of prediction, field value as it is
      Mean of predicted minus laboratory for athletes left out, nothing corrected: the bias.
    bias_cv_offset .2: mean error of prediction, with an offset
      Mean of predicted minus laboratory for athletes left out, an offset added: 0 where each athlete
      has one pair.
    bias_cv_line .2: mean error of prediction, with a line
      Mean of predicted minus laboratory for athletes left out, by the line.
    """).by(calibration_of)
