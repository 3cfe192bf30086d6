"""The laboratory's own error: variance of one test, from repeats or as declared."""

from dataclasses import dataclass
from math import isinf, sqrt
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from agreement.arrays import ArrayLike, Floats, Ints
from agreement.stats.basics.clusters import clusters
from agreement.stats.basics.intervals import Interval, checked_share, t_interval
from agreement.stats.method_data import MethodData, NotEstimable, once
from agreement.tables.options import Reference

_NOT_GIVEN: Final = Interval(np.nan, np.nan)
FEWEST_DF: Final = 3  # of the variance, of which the mean shift takes one; below, none is told
FEW_DF: Final = 10  # below, intervals are wide: noted


@dataclass(frozen=True, slots=True)
class LaboratoryVariance:
    """Variance of one laboratory test about the athlete's true value. [(mL/kg/min)^2]."""

    variance: float
    df: float  # its degrees of freedom; infinite only where it is known exactly
    # how much higher the second test of a unit reads than the first, on average; NaN if declared
    mean_shift: float = np.nan
    shift_interval: Interval = _NOT_GIVEN
    assumed: bool = False  # declared in the study file, not measured in this study

    @property
    def sd(self) -> float:
        """Standard error of measurement of one test. [mL/kg/min]."""
        return sqrt(self.variance)

    @property
    def note(self) -> str:
        """What the results table should say of numbers that rest on it; mostly nothing."""
        if self.assumed:
            return "assumed"
        return "few_repeats" if self.df < FEW_DF else ""

    def interval(self, confidence_level: float = 0.95) -> Interval:
        """Chi-square interval of the variance."""
        if isinf(self.df):
            return Interval(self.variance, self.variance)
        return variance_ends(self.variance, self.df, confidence_level)


def variance_ends(variance: float, df: float, confidence_level: float = 0.95) -> Interval:
    """
    Chi-square interval of a variance.

    >>> low, high = variance_ends(4.0, 10)
    >>> round(low, 3), round(high, 3)
    (1.953, 12.319)
    """
    tail = (1.0 - checked_share("confidence_level", confidence_level)) / 2.0
    upper, lower = special.chdtri(df, tail), special.chdtri(df, 1.0 - tail)
    return Interval(float(variance * df / upper), float(variance * df / lower))


# Ours: units drop out before the fit, so that thousands of them need no columns.
def laboratory_variance(values: ArrayLike, unit: ArrayLike) -> LaboratoryVariance:
    """
    Laboratory variance from repeats, a mean shift from test to test taken out.

    values: shape (n,). Laboratory VO2max, the tests of each unit in their order in time.
        [mL/kg/min]
    unit: shape (n,). Unit of each value: one athlete's tests within days. Units of one value say
        nothing.
    Raises ValueError when fewer than `FEWEST_DF` degrees of freedom are left, or a value is
        missing.

    Residual mean square of least squares on unit and order within the unit. The mean square about
    the unit's mean would hold the shift that learning or recovery makes: it is no noise.

    .. [1] Graybill FA, Wang CM. Confidence intervals on nonnegative linear combinations of
       variances. J Am Stat Assoc 1980;75:869-873 (memory).
    """
    repeated = about_units(values, unit)
    if repeated.df < FEWEST_DF:
        raise ValueError(
            "too few laboratory tests are repeated to tell its own error; "
            f"more than {FEWEST_DF} athletes tested twice within days would do"
        )
    response, design = repeated.columns[:, 0], repeated.columns[:, 1:]
    residual = response - design @ np.linalg.lstsq(design, response, rcond=None)[0]
    x, order, codes = (np.asarray(values)[repeated.kept], repeated.order, repeated.codes)
    shift = x[order == 1] - x[order == 0][np.unique(codes[order == 1])]
    error = float(shift.std(ddof=1)) / sqrt(shift.size)
    mean = float(shift.mean())
    ends = t_interval(mean, error, shift.size - 1)
    variance = float(residual @ residual) / repeated.df
    return LaboratoryVariance(variance, float(repeated.df), mean, ends)


@dataclass(frozen=True, slots=True)
class AboutUnits:
    """Repeated tests about the mean of their unit: so the units need no columns of their own."""

    kept: npt.NDArray[np.bool_]  # which of the given values are repeated
    codes: Ints  # unit of each of these
    order: Ints  # place of each in its unit, from 0
    columns: Floats  # value, and whether it is the second, the third ... of its unit

    @property
    def df(self) -> int:
        """Degrees of freedom that unit and order leave."""
        steps, units = self.columns.shape[1] - 1, len(np.unique(self.codes))
        return int(len(self.codes) - units - steps)


def about_units(values: ArrayLike, unit: ArrayLike) -> AboutUnits:
    """Return the repeated values, in their order in time, as columns for least squares."""
    grouped = clusters(values, unit)
    kept = grouped.sizes[grouped.codes] > 1
    x = np.asarray(values, dtype=np.float64)[kept]
    codes = np.unique(grouped.codes[kept], return_inverse=True)[1]
    order, sizes = np.empty_like(codes), np.bincount(codes)
    sorted_ = np.argsort(codes, kind="stable")
    order[sorted_] = np.arange(x.size) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    later = np.eye(int(order.max(initial=0)) + 1)[order][:, 1:]
    columns = np.column_stack([x - (x.mean() if x.size else 0.0), later])
    for column in columns.T:
        column -= (np.bincount(codes, column) / sizes)[codes]
    return AboutUnits(kept, codes, order, columns)


@once
def laboratory_of(data: MethodData) -> LaboratoryVariance:
    """
    Laboratory variance of a study: from its repeats, else as declared in the study file.

    Raises NotEstimable with repeats that leave fewer than `FEWEST_DF` degrees of freedom, or
        without any and without a declared error.

    Repeats that all equal one another were rounded or copied and count as none. A declared error
    counts as known to the degrees of freedom that the study file states, never as exact.
    """
    lab = data.repeats["lab"].to_numpy(dtype=np.float64)
    return laboratory_from(lab, repeated_units(data)[0], data.options.reference)


def laboratory_from(lab: Floats, unit: Ints, reference: Reference) -> LaboratoryVariance:
    """As `laboratory_of`: the tests of each unit in their order in time, and the unit's code."""
    if repeats_differ(lab, unit):
        try:
            return laboratory_variance(lab, unit)
        except ValueError as error:
            unused = "" if reference.sem is None else " (sem_ml_kg_min counts only without repeats)"
            raise NotEstimable(f"{error}{unused}.") from error
    return declared_variance(reference)


def repeats_differ(lab: Floats, unit: Ints) -> bool:
    """Return whether two tests of one unit differ: equal ones were rounded or copied."""
    one = np.empty(unit.max(initial=-1) + 1)
    one[unit] = lab  # of each unit
    return bool((lab != one[unit]).any())


def declared_variance(reference: Reference) -> LaboratoryVariance:
    """Return the variance that the study file declares; without one refuse."""
    if reference.sem is None:
        raise NotEstimable("the laboratory's own error is unknown.")
    df = float(reference.sem_degrees_of_freedom)
    return LaboratoryVariance(float(reference.sem) ** 2, df, assumed=True)


@once
def repeated_units(data: MethodData) -> tuple[Ints, pd.Index]:
    """Return the code of the laboratory unit of each test of `data.repeats`, and the units."""
    codes, units = pd.factorize(data.repeats["lab_test_id"].to_numpy(dtype=object))
    return codes, pd.Index(units, dtype=object)


@once
def lab_tests_behind(data: MethodData) -> Ints:
    """Return how many laboratory tests were averaged in the laboratory value of each pair."""
    codes, units = repeated_units(data)
    counts = np.append(np.bincount(codes, minlength=len(units)), 1)  # the last: of no known unit
    place = units.get_indexer(pd.Index(data.pairs["lab_test_id"], dtype=object))
    return np.asarray(np.maximum(counts[place], 1), dtype=np.int64)
