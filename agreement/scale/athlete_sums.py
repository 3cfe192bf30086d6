"""Limits when athletes have several pairs: sums over athletes, each wholly in one chunk."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from agreement.scale.keyed_sums import KeyedSums
from agreement.stats.limits import FEWEST, LimitsOfAgreement
from agreement.stats.repeated import RepeatedLimits

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
    mean : float
        Of the athletes' mean differences.
    ss_means, ss_within : float
        Squares of these means about their mean, and of differences about their athlete's.
    inverse : float
        Sum over athletes of 1 / number of pairs.
    """

    n: int = 0
    n_pairs: int = 0
    mean: float = 0.0
    ss_means: float = 0.0
    ss_within: float = 0.0
    inverse: float = 0.0

    @classmethod
    def of(cls, athlete: npt.ArrayLike, difference: Floats) -> "AthleteSums":
        """Sum one chunk: athlete and difference of each pair."""
        if difference.size == 0:
            return cls()
        frame = KeyedSums.of(athlete, difference).frame
        means, sizes = frame["mean_x"].to_numpy(), frame["n"].to_numpy()
        mean = float(means.mean())
        centred = means - mean
        return cls(
            len(frame),
            difference.size,
            mean,
            float(centred @ centred),
            float(frame["sxx"].sum()),
            float((1.0 / sizes).sum()),
        )

    def __add__(self, other: "AthleteSums") -> "AthleteSums":
        """Merge with the sums of other athletes."""
        if self.n == 0 or other.n == 0:
            return self if other.n == 0 else other
        n = self.n + other.n
        gap = other.mean - self.mean
        return AthleteSums(
            n,
            self.n_pairs + other.n_pairs,
            self.mean + gap * (other.n / n),
            self.ss_means + other.ss_means + gap**2 * self.n * (other.n / n),
            self.ss_within + other.ss_within,
            self.inverse + other.inverse,
        )

    def limits(self, *, coverage: float = 0.95) -> LimitsOfAgreement | RepeatedLimits:
        """
        Return what `agreement.stats.repeated.limits_by_athlete` gives.

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
