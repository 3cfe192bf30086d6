"""How much of the lasting error three kinds of causes explain, shared fairly among them."""

from dataclasses import dataclass
from itertools import combinations
from math import factorial
from typing import Final

import numpy as np
import pandas as pd

from agreement.arrays import Floats, Ints, floats
from agreement.terms import NOT_ENOUGH_DATA

BLOCKS: Final = ("profile_inputs", "sensor", "training_profile")
ATHLETES_PER_COEFFICIENT: Final = 10
KNOWN_SHARE: Final = 0.5  # of the visits whose mismatch is known, for the mismatch to take part
_RIDGE: Final = 1e-10  # relative; keeps a resample without some label solvable


@dataclass(frozen=True, slots=True)
class Explaining:
    """Columns that may explain a visit's mean difference."""

    blocks: tuple[str, ...]  # blocks that take part, of `BLOCKS`
    columns: Floats  # shape (V, p)
    block_of: Ints  # shape (p,). Index into `blocks` of each column.
    left_out: dict[str, str]  # blocks that do not, and why


def design_of(table: pd.DataFrame, athlete: Ints) -> Explaining:
    """
    Build the columns of each block from a table of visits.

    Mass and HRmax mismatch take part when known in at least half of the visits; an unknown one then
    counts as the mean. A block needs 10 athletes per coefficient.
    """
    n = int(athlete.max()) + 1
    mismatches = [np.empty((len(table), 0))]
    for values in floats(table, "mass_mismatch_pct", "hr_max_mismatch_bpm"):
        known = np.isfinite(values)
        if known.mean() >= KNOWN_SHARE and np.ptp(values[known]) > 0:
            mismatches.append(np.where(known, values, values[known].mean())[:, None])
    found = {
        "profile_inputs": np.concatenate(mismatches, axis=1),
    }
    for name, unknown in (("sensor", "unknown"), ("training_profile", NOT_ENOUGH_DATA)):
        dummies = pd.get_dummies(table[name].fillna(unknown), dtype=np.float64)
        found[name] = dummies.to_numpy()[:, 1:]  # one column per label beyond the first
    kept: dict[str, Floats] = {}
    left_out = {}
    for name, columns in found.items():
        p = columns.shape[1]
        if p == 0:
            left_out[name] = "it does not vary, or is not known"
        elif n < ATHLETES_PER_COEFFICIENT * p:
            # a label is known from all others at 0
            what = f"{p + 1} {'kinds of sensor' if name == 'sensor' else 'training profiles'}"
            if name == "profile_inputs":
                what = f"the mismatch of {'mass and HRmax' if p > 1 else 'one input'}"
            left_out[name] = f"too few athletes ({n}) for {what}"
        else:
            kept[name] = columns
    sizes = [columns.shape[1] for columns in kept.values()]
    stacked = np.concatenate([np.empty((len(table), 0)), *kept.values()], axis=1)
    return Explaining(tuple(kept), stacked, np.repeat(np.arange(len(kept)), sizes), left_out)


# Ours: no library here shares what is explained over all orders of the causes.
class Shares:
    """Share of each block in the variance of the visits' means, for any weights of athletes."""

    def __init__(self, design: Explaining, mean: Floats, athlete: Ints) -> None:
        self.design = design
        x = design.columns - design.columns.mean(axis=0)
        full = np.concatenate([np.ones((len(mean), 1)), x, (mean - mean.mean())[:, None]], axis=1)
        products = full[:, :, None] * full[:, None, :]
        self.products = np.zeros((int(athlete.max()) + 1, *products.shape[1:]))
        np.add.at(self.products, athlete, products)
        self.scale = np.sqrt((x * x).sum(axis=0))  # brings all columns to one size

    def of(self, weights: Floats) -> Floats:
        """
        Average over all orders of the rise in adjusted R2 that a block brings, floored at 0.

        weights: shape (R, G).
        Returns: shape (R, number of blocks)
        """
        size = self.products.shape[1]
        sums = (weights @ self.products.reshape(len(self.products), -1)).reshape(-1, size, size)
        n = sums[:, 0, 0]
        centred = sums[:, 1:, 1:] - sums[:, 1:, :1] * sums[:, :1, 1:] / n[:, None, None]
        k = len(self.design.blocks)
        fits = {
            chosen: self._adjusted(centred, n, chosen)
            for r in range(k + 1)
            for chosen in combinations(range(k), r)
        }
        shares = np.zeros((len(weights), k))
        for block in range(k):
            for chosen in (c for c in fits if block not in c):
                orders = factorial(len(chosen)) * factorial(k - len(chosen) - 1) / factorial(k)
                joined = tuple(sorted((*chosen, block)))
                shares[:, block] += orders * (fits[joined] - fits[chosen])
        return np.maximum(shares, 0.0)

    def _adjusted(self, centred: Floats, n: Floats, chosen: tuple[int, ...]) -> Floats:
        """Return adjusted R2 of the chosen blocks in each resample."""
        at = np.flatnonzero(np.isin(self.design.block_of, chosen))
        total = centred[:, -1, -1]
        if len(at) == 0:
            return np.zeros_like(n)
        xx, xy = centred[:, at[:, None], at], centred[:, at, -1]
        scale = self.scale[at]
        xx = xx / np.multiply.outer(scale, scale) + _RIDGE * np.eye(len(at))
        xy = xy / scale
        solved = np.linalg.solve(xx, xy[:, :, None])[:, :, 0]
        with np.errstate(divide="ignore", invalid="ignore"):
            unexplained = np.clip(1.0 - (solved * xy).sum(axis=1) / total, 0.0, 1.0)
            adjusted = 1.0 - unexplained * (n - 1.0) / (n - len(at) - 1.0)
        return np.where(total > 0, adjusted, 0.0)
