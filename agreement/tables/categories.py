"""Texts as categories: codes, and each distinct text once."""

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Sequence


def coded(
    codes: npt.NDArray[np.integer[Any]], labels: "Sequence[str] | pd.Index[str]"
) -> "pd.Categorical[Any]":
    """
    Return texts as categories, without the labels that no row holds.

    codes: place of each text among the labels; -1 is missing.

    >>> coded(np.array([2, -1, 2]), ["a", "b", "c"]).categories.tolist()
    ['c']
    """
    known = labels if isinstance(labels, pd.Index) else pd.Index(list(labels), dtype="str")
    return pd.Categorical.from_codes(*without_unused(codes, known), validate=False)


def without_unused(
    codes: npt.NDArray[np.integer[Any]], known: "pd.Index[str]"
) -> "tuple[npt.NDArray[np.integer[Any]], pd.Index[str]]":
    """Return codes and labels without the labels that no row holds; they stay in their order."""
    used = np.bincount(codes + 1, minlength=len(known) + 1)[1:] > 0
    if used.all():
        return codes, known
    place = np.append(np.cumsum(used) - 1, -1)  # the last is what -1 points at
    return place[codes], known[used]
