"""Centred sums per key (an athlete, a group): many small sums, merged by key."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.physiology.point_sums import PointSums
from agreement.stats.limits.limits import FEWEST, LimitsOfAgreement
from agreement.stats.limits.repeated import RepeatedLimits

Floats = npt.NDArray[np.float64]
_SUMS = [
    "n",
    "origin_x",
    "offset_x",
    "origin_y",
    "offset_y",
    "sxx",
    "sxy",
    "syy",
    "low_x",
    "high_x",
]


@dataclass(frozen=True, slots=True)
class KeyedSums:
    """
    Count, means, centred squares and products of x and y for each key.

    Attributes
    ----------
    frame : DataFrame
        Index: sorted keys. Columns n; origin_x and offset_x, origin_y and offset_y (a mean as a
        nearby value and the distance from it, so that means of 1e8 keep their digits through many
        merges); sxx, sxy, syy; low_x, high_x (range of x).
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
        k = len(keys)
        n = np.bincount(codes, minlength=k).astype(np.float64)
        # centred on the chunk first, so that the means of large values keep their last digits
        origin_x, origin_y = (float(v.mean()) if v.size else 0.0 for v in (x, second))
        cx, cy = x - origin_x, second - origin_y
        offset_x, offset_y = (np.bincount(codes, v, minlength=k) / n for v in (cx, cy))
        cx, cy = cx - offset_x[codes], cy - offset_y[codes]
        squares = [
            np.bincount(codes, v, minlength=k).astype(np.float64, copy=False)
            for v in (cx * cx, cx * cy, cy * cy)
        ]
        low, high = np.full(k, np.inf), np.full(k, -np.inf)
        np.minimum.at(low, codes, x)
        np.maximum.at(high, codes, x)
        origins = (np.full(k, origin) for origin in (origin_x, origin_y))
        of_x, of_y = zip(origins, (offset_x, offset_y), strict=True)
        return cls(_frame([n, *of_x, *of_y, *squares, low, high], keys))

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
            return cls(pd.DataFrame(columns=_SUMS, dtype="float64"))
        stacked = pd.concat(frames)
        codes, keys = pd.factorize(stacked.index, sort=True)
        n, origin_x, offset_x, origin_y, offset_y, sxx, sxy, syy, low, high = (
            stacked[c].to_numpy() for c in _SUMS
        )
        k = len(keys)
        total = np.bincount(codes, n, minlength=k)
        first = np.empty(k, dtype=np.intp)
        first[codes[::-1]] = np.arange(len(codes))[::-1]
        base_x, base_y = origin_x[first], origin_y[first]
        step_x = (origin_x - base_x[codes]) + offset_x
        step_y = (origin_y - base_y[codes]) + offset_y
        shift_x = np.bincount(codes, n * step_x, minlength=k) / total
        shift_y = np.bincount(codes, n * step_y, minlength=k) / total
        dx, dy = step_x - shift_x[codes], step_y - shift_y[codes]
        squares = (
            np.bincount(codes, inner + n * between, minlength=k)
            for inner, between in ((sxx, dx * dx), (sxy, dx * dy), (syy, dy * dy))
        )
        lowest, highest = low[first], high[first]
        np.minimum.at(lowest, codes, low)
        np.maximum.at(highest, codes, high)
        columns = [total, base_x, shift_x, base_y, shift_y, *squares, lowest, highest]
        return cls(_frame(columns, keys))

    def __add__(self, other: "KeyedSums") -> "KeyedSums":
        """Merge with the sums of other rows."""
        return KeyedSums.merged([self, other])

    @property
    def mean_x(self) -> Floats:
        """Mean of x for each key."""
        return (self.frame["origin_x"] + self.frame["offset_x"]).to_numpy()

    @property
    def mean_y(self) -> Floats:
        """Mean of y for each key."""
        return (self.frame["origin_y"] + self.frame["offset_y"]).to_numpy()

    def limits_by_athlete(self, *, coverage: float = 0.95) -> LimitsOfAgreement | RepeatedLimits:
        """
        Bias and limits when keys are athletes and x is the difference.

        Returns
        -------
        LimitsOfAgreement or RepeatedLimits
            As `agreement.stats.limits.repeated.limits_by_athlete` gives them.

        Raises
        ------
        ValueError
            Below 3 athletes.
        """
        n = self.frame["n"].to_numpy()
        if n.size < FEWEST:
            message = f"agreement needs at least {FEWEST} athletes; got {n.size}"
            raise ValueError(message)
        origin = self.frame["origin_x"].iloc[0]
        near = (self.frame["origin_x"] - origin + self.frame["offset_x"]).to_numpy()
        bias, between = origin + float(near.mean()), float(near.var(ddof=1))
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
        n, sxx, sxy, syy = (self.frame[c].to_numpy() for c in ("n", "sxx", "sxy", "syy"))
        enough = (n >= 3) & (sxx > 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = np.where(enough, sxy / sxx, np.nan)
            r = np.where(enough & (syy > 0.0), sxy / np.sqrt(sxx * syy), np.nan)
            residual = np.sqrt(np.maximum(syy - slope * sxy, 0.0) / np.where(enough, n - 2, np.nan))
        return pd.DataFrame(
            {
                "n": n.astype(np.int64),
                "slope": slope,
                "intercept": self.mean_y - slope * self.mean_x,
                "r": r,
                "residual_sd": residual,
            },
            index=self.frame.index,
        )

    def heart_rate_points(self) -> PointSums:
        """
        Return what `agreement.physiology.heart_rate.extrapolations` needs, one group for each key.

        For sums whose x is a heart rate [bpm] and whose y is an oxygen uptake [mL/kg/min].
        """
        of = {name: self.frame[name].to_numpy() for name in self.frame}
        return PointSums(
            n=of["n"],
            mean_hr=self.mean_x,
            mean_vo2=self.mean_y,
            hr_hr=of["sxx"],
            vo2_vo2=of["syy"],
            hr_vo2=of["sxy"],
            low_hr=of["low_x"],
            high_hr=of["high_x"],
        )


def _frame(columns: list[Floats], keys: Any) -> pd.DataFrame:
    return pd.DataFrame(dict(zip(_SUMS, columns, strict=True)), index=pd.Index(keys))
