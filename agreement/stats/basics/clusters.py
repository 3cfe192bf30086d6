"""Sums, means and mean squares within athletes, as the designs with several pairs need them."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from agreement.arrays import ArrayLike, Floats, Ints


@dataclass(frozen=True, slots=True)
class Clusters:
    """Values in clusters."""

    n: int  # clusters G
    n_values: int  # N
    # shape (N,). Cluster of each value, 0 ... G - 1 in the order of the sorted ids.
    codes: Ints
    sizes: Ints  # shape (G,)
    means: Floats  # shape (G,)
    df_within: int  # N - G
    ss_within: float  # sum of squares about the cluster means
    ms_within: float  # mean square within clusters; 0 when every cluster holds one value

    @property
    def within_share(self) -> float:
        """Weight of `ms_within` in the variance of one value: 1 - 1/m, m the harmonic mean size."""
        return 1.0 - float((1.0 / self.sizes).mean())


def clusters(values: ArrayLike, cluster: ArrayLike) -> Clusters:
    """
    Put values into clusters.

    values: shape (N,).
    cluster: shape (N,).
    Raises ValueError if the lengths differ or a value is missing or infinite.
    """
    x, labels = np.asarray(values, dtype=np.float64), np.asarray(cluster)
    if x.ndim != 1 or x.shape != labels.shape:
        raise ValueError(
            "values and athletes must be one-dimensional and of equal length; "
            f"got shapes {x.shape} and {labels.shape}"
        )
    if not np.isfinite(x).all():
        raise ValueError(
            f"{np.count_nonzero(~np.isfinite(x))} values are missing or infinite; leave them out"
        )
    codes = _codes(labels)
    sizes = np.bincount(codes)
    centre = x.mean() if x.size else 0.0  # keeps the sums of squares small
    residual = x - centre
    means = np.bincount(codes, residual) / sizes
    residual -= means[codes]
    df, squares = codes.size - sizes.size, float(np.einsum("i,i", residual, residual))
    counts = sizes.size, codes.size
    return Clusters(*counts, codes, sizes, means + centre, df, squares, squares / df if df else 0.0)


def _codes(labels: npt.NDArray[Any]) -> Ints:
    """Return 0 ... G - 1 in the order of the sorted labels; whole numbers in order need no sorting."""
    if labels.dtype.kind == "i" and labels.size and (labels[1:] >= labels[:-1]).all():
        begins = labels[1:] != labels[:-1]
        if labels[0] == 0 and labels[-1] == np.count_nonzero(begins):
            return labels.astype(np.intp, copy=False)  # codes already
        codes = np.zeros(labels.size, dtype=np.intp)
        np.cumsum(begins, out=codes[1:])
        return codes
    return np.unique(labels, return_inverse=True)[1]


def athlete_codes(athlete: ArrayLike | None, n_pairs: int) -> Ints:
    """
    Return a code 0 ... G - 1 for the athlete of each pair.

    athlete: shape (n_pairs,). None: one pair per athlete.
    Raises ValueError if there are not as many athletes as pairs.
    """
    if athlete is None:
        return np.arange(n_pairs)
    ids = np.asarray(athlete)
    if ids.shape != (n_pairs,):
        raise ValueError(f"`athlete` must have shape ({n_pairs},); got {ids.shape}")
    return np.asarray(np.unique(ids, return_inverse=True)[1], dtype=np.intp)
