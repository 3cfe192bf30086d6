"""Centred sums per key (an athlete, a group): many small sums, merged by key."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.stats.limits import FEWEST, LimitsOfAgreement
from agreement.stats.repeated import RepeatedLimits

Floats = npt.NDArray[np.float64]
_CENTRED = ["n", "mean_x", "mean_y", "sxx", "sxy", "syy"]


@dataclass(frozen=True, slots=True)
class KeyedSums:
    """
    Count, means, centred squares and products of x and y for each key.

    Attributes
    ----------
    frame : DataFrame
        Index: sorted keys. Columns n, mean_x, mean_y, sxx, sxy, syy.
    """

    frame: pd.DataFrame

    @classmethod
    def of(cls, key: npt.ArrayLike, x: Floats, y: Floats | None = None) -> "KeyedSums":
        """
        Sum one chunk.

        Parameters
        ----------
        key : array_like, shape (n,)
        x, y : ndarray, shape (n,)
            Finite. Without y, only x is summed.
        """
        codes, keys = pd.factorize(np.asarray(key), sort=True)
        second = np.zeros_like(x) if y is None else y
        n = np.bincount(codes, minlength=len(keys)).astype(np.float64)
        # centred on the chunk first, so that the means of large values keep their last digits
        shift_x, shift_y = (float(v.mean()) if v.size else 0.0 for v in (x, second))
        cx, cy = x - shift_x, second - shift_y
        mean_x, mean_y = (np.bincount(codes, v, minlength=len(keys)) / n for v in (cx, cy))
        cx, cy = cx - mean_x[codes], cy - mean_y[codes]
        squares = (np.bincount(codes, v, minlength=len(keys)) for v in (cx * cx, cx * cy, cy * cy))
        columns = [n, mean_x + shift_x, mean_y + shift_y, *squares]
        return cls(pd.DataFrame(dict(zip(_CENTRED, columns, strict=True)), index=pd.Index(keys)))

    @classmethod
    def merged(cls, parts: Iterable["KeyedSums"]) -> "KeyedSums":
        """
        Merge sums of any number of chunks, in any order.

        Notes
        -----
        For each key: n, the weighted mean of the means, and the sum of the parts' squares plus that
        of their means about the merged mean. Nothing large is subtracted.
        """
        frames = [part.frame for part in parts if len(part.frame)]
        if not frames:
            return cls(pd.DataFrame(columns=_CENTRED, dtype="float64"))
        stacked = pd.concat(frames)
        codes, keys = pd.factorize(stacked.index, sort=True)
        n, mean_x, mean_y, sxx, sxy, syy = (stacked[c].to_numpy() for c in _CENTRED)
        k = len(keys)
        total = np.bincount(codes, n, minlength=k)
        first = np.empty(k, dtype=np.intp)
        first[codes[::-1]] = np.arange(len(codes))[::-1]
        base_x, base_y = mean_x[first], mean_y[first]
        step_x, step_y = mean_x - base_x[codes], mean_y - base_y[codes]
        shift_x = np.bincount(codes, n * step_x, minlength=k) / total
        shift_y = np.bincount(codes, n * step_y, minlength=k) / total
        dx, dy = step_x - shift_x[codes], step_y - shift_y[codes]
        squares = (
            np.bincount(codes, inner + n * between, minlength=k)
            for inner, between in ((sxx, dx * dx), (sxy, dx * dy), (syy, dy * dy))
        )
        columns = [total, base_x + shift_x, base_y + shift_y, *squares]
        return cls(pd.DataFrame(dict(zip(_CENTRED, columns, strict=True)), index=keys))

    def __add__(self, other: "KeyedSums") -> "KeyedSums":
        """Merge with the sums of other rows."""
        return KeyedSums.merged([self, other])

    def limits_by_athlete(self, *, coverage: float = 0.95) -> LimitsOfAgreement | RepeatedLimits:
        """
        Bias and limits when keys are athletes and x is the difference.

        Returns
        -------
        LimitsOfAgreement or RepeatedLimits
            As `agreement.stats.repeated.limits_by_athlete` gives them.

        Raises
        ------
        ValueError
            Below 3 athletes.
        """
        n, means = self.frame["n"].to_numpy(), self.frame["mean_x"].to_numpy()
        if n.size < FEWEST:
            message = f"agreement needs at least {FEWEST} athletes; got {n.size}"
            raise ValueError(message)
        bias, between = float(means.mean()), float(means.var(ddof=1))
        df = int(n.sum()) - n.size
        if df == 0:
            return LimitsOfAgreement(n.size, bias, float(np.sqrt(between)), coverage)
        within = float(self.frame["sxx"].sum()) / df
        harmonic = n.size / float((1.0 / n).sum())
        return RepeatedLimits(
            n.size, int(n.sum()), bias, between, within, 1.0 - 1.0 / harmonic, coverage
        )

    def lines(self) -> pd.DataFrame:
        """
        Straight line of y on x for each key.

        Returns
        -------
        DataFrame
            Index: keys. Columns n, slope, intercept, r, residual_sd; NaN where x does not vary or
            there are fewer than 3 rows.
        """
        n, mean_x, mean_y, sxx, sxy, syy = (self.frame[c].to_numpy() for c in _CENTRED)
        enough = (n >= 3) & (sxx > 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = np.where(enough, sxy / sxx, np.nan)
            r = np.where(enough & (syy > 0.0), sxy / np.sqrt(sxx * syy), np.nan)
            residual = np.sqrt(np.maximum(syy - slope * sxy, 0.0) / np.where(enough, n - 2, np.nan))
        return pd.DataFrame(
            {
                "n": n.astype(np.int64),
                "slope": slope,
                "intercept": mean_y - slope * mean_x,
                "r": r,
                "residual_sd": residual,
            },
            index=self.frame.index,
        )
