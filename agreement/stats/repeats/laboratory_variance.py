"""The laboratory's own error: variance of one test, from repeats or as declared."""

from dataclasses import dataclass
from math import inf, isinf, nan, sqrt
from typing import Final

import numpy as np
import pandas as pd
from scipy import special

from agreement.arrays import ArrayLike, Floats, Ints
from agreement.stats.basics.clusters import clusters
from agreement.stats.basics.intervals import Interval, checked_share
from agreement.stats.method_data import MethodData, NotEstimable, once
from agreement.tables.options import Reference

FEWEST_DF: Final = 3  # of the variance, of which the mean shift takes one; below, none is told
FEW_DF: Final = 10  # below, intervals are wide: noted


@dataclass(frozen=True, slots=True)
class LaboratoryVariance:
    """Variance of one laboratory test about the athlete's true value. [(mL/kg/min)^2]."""

    variance: float
    df: float  # its degrees of freedom; infinite only where it is known exactly
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


UNKNOWN: Final = LaboratoryVariance(nan, inf)  # neither measured nor declared


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
    grouped = clusters(values, unit)
    codes, sizes = grouped.codes, grouped.sizes[:, None]
    later = np.arange(1, sizes.max(initial=1))  # the second, the third ... test of a unit
    df = grouped.df_within - later.size
    if df < FEWEST_DF:
        raise ValueError(
            "too few laboratory tests are repeated to tell its own error; "
            f"more than {FEWEST_DF} athletes of the mode tested twice within days would do"
        )
    response = np.asarray(values, dtype=np.float64) - grouped.means[codes]
    order = pd.Series(codes).groupby(codes).cumcount().to_numpy()
    design = (order[:, None] == later) - ((sizes > later) / sizes)[codes]
    residual = response - design @ np.linalg.lstsq(design, response, rcond=None)[0]
    return LaboratoryVariance(float(residual @ residual) / df, float(df))


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


def laboratory_or_unknown(data: MethodData) -> tuple[LaboratoryVariance, str]:
    """Return the same, or `UNKNOWN` and why."""
    try:
        return laboratory_of(data), ""
    except NotEstimable as refusal:
        return UNKNOWN, str(refusal)


def laboratory_from(lab: Floats, unit: Ints, reference: Reference) -> LaboratoryVariance:
    """As `laboratory_of`: the tests of each unit in their order in time, and the unit's code."""
    if repeats_differ(lab, unit):
        try:
            return laboratory_variance(lab, unit)
        except ValueError as error:
            unused = "" if reference.sem is None else "; sem_ml_kg_min counts only without repeats"
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
