"""Limits of agreement from replicates of a constant true value, not paired with each other."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.stats.basics.clusters import Clusters, clusters
from agreement.stats.basics.intervals import Interval, checked_share, t_interval, z_of
from agreement.stats.basics.mover import Component, mover_half_widths, variance_interval
from agreement.stats.limits.limits import FEWEST, warn_if_few
from agreement.stats.limits.limits_shown import limits_frame, limits_sentence
from agreement.stats.result import Result


@dataclass(frozen=True, slots=True)
class ReplicateLimits(Result):
    """
    Bias and limits for single readings of two methods with replicates. [mL/kg/min].

    Attributes
    ----------
    n : int
        Athletes.
    n_pairs : int
        Readings of both methods together.
    bias : float
        Mean of field mean minus laboratory mean.
    components : tuple of Component
        Variance of the mean differences, then what single laboratory and single field readings
        add to it, each with its degrees of freedom.
    field_within, lab_within : float
        Within-athlete variances of the two methods: their own repeatability.
    coverage : float
    """

    n: int
    n_pairs: int
    bias: float
    components: tuple[Component, ...]
    field_within: float
    lab_within: float
    coverage: float = 0.95

    @property
    def sd(self) -> float:
        """Standard deviation of the difference of single readings."""
        return float(np.sqrt(sum(c.variance for c in self.components)))

    @property
    def lower(self) -> float:
        """Lower limit."""
        return self.bias - z_of(self.coverage) * self.sd

    @property
    def upper(self) -> float:
        """Upper limit."""
        return self.bias + z_of(self.coverage) * self.sd

    @property
    def note(self) -> str:
        """What the results table should say of these numbers; nothing."""
        return ""

    def repeatability_coefficients(self) -> tuple[float, float]:
        """Smallest real change of field and of laboratory: z sqrt 2 within-athlete deviations."""
        z = z_of(self.coverage) * np.sqrt(2.0)
        return float(z * np.sqrt(self.field_within)), float(z * np.sqrt(self.lab_within))

    def bias_interval(self, confidence_level: float = 0.95) -> Interval:
        """Student interval of the bias on G - 1 degrees of freedom."""
        standard_error = float(np.sqrt(self.components[0].variance / self.n))
        return t_interval(self.bias, standard_error, self.n - 1, confidence_level)

    def sd_interval(self, confidence_level: float = 0.95) -> Interval:
        """Interval of the standard deviation by MOVER."""
        low, high = variance_interval(self.components, confidence_level)
        return Interval(float(np.sqrt(max(0.0, low))), float(np.sqrt(high)))

    def lower_interval(self, confidence_level: float = 0.95) -> Interval:
        """Interval of the lower limit, outer end first."""
        inner, outer = self._half_widths(confidence_level)
        return Interval(self.lower - outer, self.lower + inner)

    def upper_interval(self, confidence_level: float = 0.95) -> Interval:
        """Interval of the upper limit, inner end first."""
        inner, outer = self._half_widths(confidence_level)
        return Interval(self.upper - inner, self.upper + outer)

    def to_frame(self) -> pd.DataFrame:
        """Return bias, sd_of_differences, lower_limit and upper_limit as rows."""
        return limits_frame(self)

    def summary(self) -> str:
        """Say bias and limits in one sentence."""
        return limits_sentence(self)

    def _half_widths(self, confidence_level: float) -> tuple[float, float]:
        return mover_half_widths(
            self.components, self.components[0].variance / self.n, self.coverage, confidence_level
        )


def limits_of_agreement_replicates(
    field: npt.ArrayLike,
    field_athlete: npt.ArrayLike,
    lab: npt.ArrayLike,
    lab_athlete: npt.ArrayLike,
    *,
    coverage: float = 0.95,
) -> ReplicateLimits:
    """
    Bias and limits for single readings, from replicates while the true value is constant.

    Parameters
    ----------
    field, field_athlete : array_like, shape (N_field,)
    lab, lab_athlete : array_like, shape (N_lab,)
        Every athlete needs a reading of each method; the numbers of replicates are free.
    coverage : float, default 0.95

    Raises
    ------
    ValueError
        With fewer than 3 athletes, an athlete without one of the methods, or missing values.

    Notes
    -----
    Averaging replicates first would describe agreement of means, not of single readings: the
    variance that averaging removed is put back [1]_.

    References
    ----------
    .. [1] Bland JM, Altman DG. Measuring agreement in method comparison studies.
       Stat Methods Med Res 1999;8:135-160, sections 5.1 and 5.2.
    """
    checked_share("coverage", coverage)
    if not np.array_equal(np.unique(np.asarray(field_athlete)), np.unique(np.asarray(lab_athlete))):
        message = "every athlete needs readings of both methods; the two sets of athletes differ"
        raise ValueError(message)
    f, x = clusters(field, field_athlete), clusters(lab, lab_athlete)
    if f.n < FEWEST:
        message = f"agreement needs at least {FEWEST} athletes; got {f.n}"
        raise ValueError(message)
    warn_if_few(f.n)
    difference = f.means - x.means
    parts = (Component(float(difference.var(ddof=1)), f.n - 1), _added(x), _added(f))
    return ReplicateLimits(
        f.n,
        f.n_values + x.n_values,
        float(difference.mean()),
        tuple(part for part in parts if part.df > 0),
        f.ms_within,
        x.ms_within,
        coverage,
    )


def _added(method: Clusters) -> Component:
    """Return what a single reading varies more than the mean of its replicates."""
    return Component((1.0 - 1.0 / method.harmonic_size) * method.ms_within, method.df_within)
