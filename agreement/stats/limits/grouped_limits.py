"""Bias and limits of very many groups at once: a registry by clinic, device or protocol."""

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.stats.basics.intervals import checked_share, z_of
from agreement.stats.basics.tolerance import limit_factors
from agreement.stats.limits.limits import FEWEST, checked_pairs

COLUMNS = (
    "n", "bias", "sd", "lower", "lower_low", "lower_high", "upper", "upper_low", "upper_high",
)  # fmt: skip


def limits_by_group(
    field: npt.ArrayLike,
    lab: npt.ArrayLike,
    group: npt.ArrayLike,
    *,
    coverage: float = 0.95,
    confidence_level: float = 0.95,
) -> pd.DataFrame:
    """
    Bias and limits of agreement of each group, with the exact interval of each limit.

    field, lab: shape (n,). One pair per athlete. [mL/kg/min]
    group: shape (n,).
    Returns: one row per group, in the order of the sorted labels (the index): n, bias, sd, lower
        and upper with the ends of their intervals. Groups of fewer than 3 have their n and bias
        only.
    Raises ValueError if the lengths differ or a value is missing.
    """
    checked_share("coverage", coverage)
    pairs = checked_pairs(field, lab, fewest=0)
    difference = pairs.field - pairs.lab
    codes, labels = _codes(np.asarray(group))
    if codes.size != difference.size or (codes < 0).any():
        raise ValueError(
            f"`group` needs a label for each of {difference.size} pairs; got {codes.size}"
        )
    n = np.bincount(codes, minlength=labels.size)
    with np.errstate(invalid="ignore"):  # an empty number among the labels leaves again below
        bias = np.bincount(codes, difference, minlength=labels.size) / n
    difference -= bias[codes]
    squares = np.bincount(codes, difference * difference, minlength=labels.size)
    enough = n >= FEWEST
    sd = np.sqrt(np.where(enough, squares, np.nan) / np.maximum(n - 1, 1))
    inner, outer = _factors(n, coverage, confidence_level)
    half = z_of(coverage) * sd
    ends = (bias - outer * sd, bias - inner * sd, bias + inner * sd, bias + outer * sd)
    values = (n, bias, sd, bias - half, ends[0], ends[1], bias + half, ends[2], ends[3])
    table = pd.DataFrame(dict(zip(COLUMNS, values, strict=True)), index=pd.Index(labels))
    return table[n > 0] if (n == 0).any() else table.sort_index()


def _codes(group: npt.NDArray[np.generic]) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.generic]]:
    """
    Return the number of each pair's group, and the labels.

    Whole numbers close together are their own numbers, which spares the hashing; some of those
    groups may be empty.
    """
    if group.size and np.issubdtype(group.dtype, np.integer):
        low, high = int(group.min()), int(group.max())
        if high - low < 2 * group.size:
            return (group - low).astype(np.intp, copy=False), np.arange(low, high + 1)
    codes, labels = pd.factorize(group)
    return codes, np.asarray(labels)


def _factors(
    n: npt.NDArray[np.intp], coverage: float, confidence_level: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Factors of the inner and outer end for groups of these sizes; one look-up for each size."""
    sizes, place = np.unique(np.maximum(n, 2), return_inverse=True)
    found = [limit_factors(int(size), coverage, confidence_level) for size in sizes]
    inner, outer = np.array(found).reshape(-1, 2).T
    return inner[place], outer[place]
