"""All sums of one method and mode: groups, folds of athletes, and the spread about the trend."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import reduce
from operator import add

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.scale.athlete_sums import AthleteSums
from agreement.scale.grouped_jackknife import FOLDS, folds_of
from agreement.scale.keyed_sums import KeyedSums
from agreement.scale.pair_sums import PairSums
from agreement.scale.quantile_sketch import QuantileSketch
from agreement.stats.basics.least_squares import Line
from agreement.stats.method_data import DECIMALS
from agreement.stats.who_counts import who_counts

Floats = npt.NDArray[np.float64]
PROFILE = "profile:"  # before the name of a group that is a training profile


@dataclass(frozen=True, slots=True)
class MethodSums:
    """
    First pass over the pairs of one method and mode.

    Attributes
    ----------
    groups : dict of str to AthleteSums
        The groups of the limits, and each training profile under `PROFILE` and its name.
    folds : tuple of PairSums
        Of group ``all``, by a hash of the athlete.
    differences : QuantileSketch
        Of group ``all``.
    """

    groups: dict[str, AthleteSums] = field(default_factory=dict)
    folds: tuple[PairSums, ...] = (PairSums(),) * FOLDS
    differences: QuantileSketch = field(default_factory=QuantileSketch)

    @classmethod
    def of(
        cls, everyone: pd.DataFrame, *, heart_rate_based: bool, margin: float | None
    ) -> "MethodSums":
        """
        Sum one chunk, which holds all pairs of its athletes.

        Parameters
        ----------
        everyone : DataFrame
            Columns `agreement.terms.PAIR_COLUMNS`.
        heart_rate_based : bool
            Whether athletes under heart-rate-limiting drugs are left out of every other group.
        margin : float or None
            [mL/kg/min]
        """
        pairs = who_counts(everyone, heart_rate_based=heart_rate_based)
        members = {
            "all": pairs,
            "confirmed": pairs[pairs["max_confirmed"] == "yes"],
            "hr_limiting_drug": everyone[everyone["hr_limiting_drug"] == "yes"],
            "no_hr_limiting_drug": pairs[pairs["hr_limiting_drug"] == "no"],
            "chest_strap": pairs[pairs["sensor"] == "chest_strap"],
        }
        members |= {PROFILE + str(name): part for name, part in pairs.groupby("training_profile")}
        groups = {
            name: AthleteSums.of(part["athlete_id"], _difference(part))
            for name, part in members.items()
        }
        fold = fold_of(pairs["athlete_id"])
        values, lab = (pairs[name].to_numpy(np.float64) for name in ("field", "lab"))
        limit = np.nan if margin is None else margin
        folds = tuple(PairSums.of(values[at], lab[at], margin=limit) for at in by_fold(fold))
        # rounded as in memory before anything is ranked
        return cls(groups, folds, QuantileSketch.of(np.round(_difference(pairs), DECIMALS)))

    def __add__(self, other: "MethodSums") -> "MethodSums":
        """Merge with the sums of other athletes."""
        groups = {
            name: self.groups.get(name, AthleteSums()) + other.groups.get(name, AthleteSums())
            for name in self.groups | other.groups
        }
        folds = tuple(a + b for a, b in zip(self.folds, other.folds, strict=True))
        return MethodSums(groups, folds, self.differences + other.differences)

    @property
    def pairs(self) -> PairSums:
        """Sums over all pairs of group ``all``."""
        return added(self.folds)


@dataclass(frozen=True, slots=True)
class SpreadSums:
    """
    Second pass: residuals about the line of the difference on the mean, by fold.

    Attributes
    ----------
    absolute, squared : KeyedSums
        Of the mean of both methods with the size and with the square of the residual.
    """

    absolute: KeyedSums
    squared: KeyedSums

    @classmethod
    def of(cls, pairs: pd.DataFrame, line: Line) -> "SpreadSums":
        """Sum one chunk of the pairs of group ``all``."""
        field_values, lab = (pairs[name].to_numpy(np.float64) for name in ("field", "lab"))
        mean, fold = (field_values + lab) / 2.0, fold_of(pairs["athlete_id"])
        # about the means, where nothing large is subtracted
        residual = field_values - lab - line.mean_y - line.slope * (mean - line.mean_x)
        return cls(
            KeyedSums.of(fold, mean, np.abs(residual)), KeyedSums.of(fold, mean, residual**2)
        )

    def __add__(self, other: "SpreadSums") -> "SpreadSums":
        """Merge with the sums of other pairs."""
        return SpreadSums(self.absolute + other.absolute, self.squared + other.squared)


def added(sums: Sequence[PairSums]) -> PairSums:
    """Return sums of pairs merged."""
    return reduce(add, sums, PairSums())


def fold_of(athlete: pd.Series) -> npt.NDArray[np.int64]:
    """Return the group of athletes that each pair belongs to when groups are left out."""
    return folds_of(athlete_hashes(athlete))


def athlete_hashes(athlete: pd.Series, key: str = "agreement: athletes") -> npt.NDArray[np.uint64]:
    """Return a number for each athlete that depends on nothing but the id and the key."""
    codes, names = pd.factorize(athlete)
    digest = pd.util.hash_array(
        np.asarray(names, dtype=object), hash_key=f"{key:16.16}", categorize=False
    )
    return np.asarray(digest[codes], np.uint64)


def by_fold(fold: npt.NDArray[np.int64]) -> list[npt.NDArray[np.intp]]:
    """Return the positions of each fold."""
    order = np.argsort(fold, kind="stable")
    ends = np.searchsorted(fold[order], np.arange(1, FOLDS))
    return np.split(order, ends)


def _difference(pairs: pd.DataFrame) -> Floats:
    difference: Floats = pairs["field"].to_numpy(np.float64) - pairs["lab"].to_numpy(np.float64)
    return difference
