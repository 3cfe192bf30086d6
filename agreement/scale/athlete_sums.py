"""Limits when athletes have several pairs: sums over athletes, each wholly in one chunk."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from agreement.scale.keyed_sums import KeyedSums
from agreement.stats.limits.limits import FEWEST, LimitsOfAgreement
from agreement.stats.limits.repeated import RepeatedLimits

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class AthleteSums:
    """
    What bias and limits need of very many athletes; merged by adding. [mL/kg/min].

    Unlike `KeyedSums` the size does not grow with the athletes, but no athlete may be in two chunks.

    Attributes
    ----------
    n, n_pairs : int
        Athletes and pairs.
    origin, offset : float
        Mean of the athletes' mean differences, as a first value and the distance from it, so that
        differences of 1e8 keep their digits through many merges.
    ss_means, ss_within : float
        Squares of these means about their mean, and of differences about their athlete's.
    inverse : float
        Sum over athletes of 1 / number of pairs.
    """

    n: int = 0
    n_pairs: int = 0
    origin: float = 0.0
    offset: float = 0.0
    ss_means: float = 0.0
    ss_within: float = 0.0
    inverse: float = 0.0

    @classmethod
    def of(cls, athlete: npt.ArrayLike, difference: Floats) -> "AthleteSums":
        """Sum one chunk: athlete and difference of each pair."""
        if difference.size == 0:
            return cls()
        frame = KeyedSums.of(athlete, difference).frame  # one origin for all of them
        means, sizes = frame["offset_x"].to_numpy(), frame["n"].to_numpy()
        offset = float(means.mean())
        centred = means - offset
        return cls(
            len(frame),
            difference.size,
            float(frame["origin_x"].iloc[0]),
            offset,
            float(centred @ centred),
            float(frame["sxx"].sum()),
            float((1.0 / sizes).sum()),
        )

    def __add__(self, other: "AthleteSums") -> "AthleteSums":
        """Merge with the sums of other athletes."""
        if self.n == 0 or other.n == 0:
            return self if other.n == 0 else other
        n = self.n + other.n
        gap = (other.origin - self.origin) + (other.offset - self.offset)
        return AthleteSums(
            n,
            self.n_pairs + other.n_pairs,
            self.origin,
            self.offset + gap * (other.n / n),
            self.ss_means + other.ss_means + gap**2 * self.n * (other.n / n),
            self.ss_within + other.ss_within,
            self.inverse + other.inverse,
        )

    @property
    def mean(self) -> float:
        """Mean of the athletes' mean differences."""
        return self.origin + self.offset

    def limits(self, *, coverage: float = 0.95) -> LimitsOfAgreement | RepeatedLimits:
        """
        Return what `agreement.stats.limits.repeated.limits_by_athlete` gives.

        Raises
        ------
        ValueError
            Below 3 athletes.
        """
        if self.n < FEWEST:
            message = f"agreement needs at least {FEWEST} athletes; got {self.n}"
            raise ValueError(message)
        between, df = self.ss_means / (self.n - 1), self.n_pairs - self.n
        if df == 0:
            return LimitsOfAgreement(self.n, self.mean, float(np.sqrt(between)), coverage)
        within, share = self.ss_within / df, 1.0 - self.inverse / self.n
        return RepeatedLimits(self.n, self.n_pairs, self.mean, between, within, share, coverage)
