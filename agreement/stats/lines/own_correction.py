"""The athlete's own correction: how far off is his number, and what would one more test buy."""

from contextlib import suppress
from dataclasses import dataclass
from math import nan
from typing import Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.arrays import ArrayLike, Floats
from agreement.stats.basics.clusters import clusters
from agreement.stats.basics.half_t import GRID, grid_quantile, grid_weights, mixture_quantiles
from agreement.stats.basics.intervals import Interval
from agreement.stats.lines.squad_calibration import chosen_calibration
from agreement.stats.method_data import TOO_FEW, MethodData, NotEstimable
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows
from agreement.terms import MASS_WITHIN_PCT

FEWEST_REPEATED: Final = 8  # athletes with two visits or more, who tell lasting from passing
FEWEST_FREE: Final = 5
OLD_DAYS: Final = 180  # from the last own test to the field value
WORTH_SAYING: Final = 0.05  # share by which one more test must narrow the interval, to be named


class OwnDoubts(NamedTuple):
    """Why an athlete's own correction may not hold for the latest field value."""

    late: int  # days since the last test, where they are more than 180; else 0
    # sensor, mass: whether the sensor, or the body mass that the method was told, changed between
    # own tests
    sensor: bool
    mass: bool


class OwnValue(NamedTuple):
    """What a laboratory test of one athlete would read. [mL/kg/min]."""

    # value, low, high: with the 95 % interval of one laboratory test, its own noise included
    value: float
    low: float
    high: float
    weight: float  # how much the athlete's own tests count beside the squad's


@dataclass(frozen=True, eq=False)
class OwnCorrection(Result):
    """Lasting difference of each athlete, learnt from his own visits and from everybody's."""

    # n, n_pairs: athletes and visits
    n: int
    n_pairs: int
    df: int  # visits less estimated parameters
    share: Floats  # shape (200,). Grid of the share of variance that is lasting.
    likelihood: Floats  # shape (200,). Weight of each share; they sum to one.
    variance: Floats  # shape (200,). Of one visit about the athlete's own mean.
    beta: Floats  # shape (200, p)
    covariance: Floats  # shape (200, p, p). In units of `variance`.
    centre: float | None  # mean field value; None: no line
    # of each athlete: visits, mean difference, mean field value
    own: dict[int, tuple[int, float, float]]
    # spread of athletes' lasting differences about the squad's mean or line, with its 95 % interval
    lasting_sd: float
    lasting_interval: Interval
    # share of the variance of a visit's difference that is lasting, with its 95 % interval
    mean_share: float
    share_interval: Interval

    def of_athlete(self, code: int, field: float) -> OwnValue:
        """Return what the laboratory would read for one athlete of the study."""
        return OwnValue(*(float(one[0]) for one in self.of_athletes([code], [field])))

    def of_athletes(
        self, codes: ArrayLike, fields: ArrayLike
    ) -> tuple[Floats, Floats, Floats, Floats]:
        """Return the parts of `OwnValue` of many athletes, each of shape (n,)."""
        visits, mean, at = self._own(codes)
        field = np.asarray(fields, dtype=np.float64)
        return self.values(field, visits, mean, (visits * at + field) / (visits + 1))

    def values(
        self, field: Floats, visits: Floats, own_mean: Floats, at: Floats
    ) -> tuple[Floats, Floats, Floats, Floats]:
        """
        Return what laboratory tests would read: the parts of `OwnValue`, each of shape (n,).

        field: summaries of the same kind as the pairs'. [mL/kg/min]
        visits: the athlete's own paired visits.
        own_mean: their mean difference, field minus laboratory. [mL/kg/min]
        at: mean of the field values of these visits and `field`, where a line is used. [mL/kg/min]
        """
        weight, fit, scale = self._at(visits, at)
        centre = fit + weight * (own_mean[:, None] - fit)
        low, high = (
            mixture_quantiles(p, self.likelihood, centre, scale, self.df) for p in (0.975, 0.025)
        )
        return field - centre @ self.likelihood, field - low, field - high, weight @ self.likelihood

    def half_widths(self, visits: Floats, at: Floats) -> Floats:
        """Return half the widths of the intervals after so many own visits. [mL/kg/min]."""
        _, _, scale = self._at(visits, at)
        return mixture_quantiles(0.975, self.likelihood, np.zeros_like(scale), scale, self.df)

    def one_more(self, codes: ArrayLike) -> Floats:
        """Return the half widths that one more test of each athlete would leave; NaN: no gain."""
        visits, _, at = self._own(codes)
        now, then = self.half_widths(visits, at), self.half_widths(visits + 1.0, at)
        return np.where(then < (1.0 - WORTH_SAYING) * now, then, nan)

    def _own(self, codes: ArrayLike) -> tuple[Floats, Floats, Floats]:
        """Return visits, mean differences and mean field values of athletes."""
        visits, mean, at = np.array([self.own[int(k)] for k in np.asarray(codes)]).T
        return visits, mean, at

    def _rows(self) -> TableRows:
        return self.told(
            ("lasting_sd", self.lasting_sd, self.lasting_interval),
            ("share", self.mean_share, self.share_interval),
        )

    def _finding(self) -> str:
        low, high = self.lasting_interval
        return (
            f"Between athletes the lasting difference spreads by {self.lasting_sd:.1f} mL/kg/min "
            f"({low:.1f} to {high:.1f}): {100 * self.mean_share:.0f} % of what one visit shows."
        )

    def _at(self, visits: Floats, place: Floats) -> tuple[Floats, Floats, Floats]:
        """Return the weight of own visits, the squad's fit and the scale: shape (n, 200)."""
        x0 = np.ones((place.size, 1))
        if self.centre is not None:
            x0 = np.column_stack([x0, place - self.centre])
        ratio = self.share / (1.0 - self.share)  # of lasting over passing variance
        seen = np.multiply.outer(visits, ratio)
        weight = seen / (1.0 + seen)
        fit = x0 @ self.beta.T
        of_fit = np.einsum("na,hab,nb->nh", x0, self.covariance, x0, optimize=True)
        spread = 1.0 + ratio * (1.0 - weight) + (1.0 - weight) ** 2 * of_fit
        return weight, fit, np.sqrt(self.variance * spread)


# Ours: no library here gives one athlete's prediction with the spread itself unknown.
def own_correction(
    difference: ArrayLike, athlete: ArrayLike, *, field: ArrayLike, line: bool = False
) -> OwnCorrection:
    r"""
    Learn how much of a difference lasts, and each athlete's own correction.

    difference: shape (N,). Field minus laboratory, one per paired visit. [mL/kg/min]
    athlete: shape (N,).
    field: shape (N,). Field values. [mL/kg/min]
    line: let the squad's difference change with an athlete's mean field value.
    Raises NotEstimable when the visits leave fewer than 5 degrees of freedom, or all differences
        are equal.

    :math:`d_{ij} = x_i'\beta + b_i + e_{ij}` with the share :math:`\rho` of the variance in
    :math:`b_i`, uniform on (0, 1); every value is averaged over a grid of 200 shares by their
    likelihood [1]_ [2]_.

    .. [1] Harville DA. Maximum likelihood approaches to variance component estimation and to
       related problems. J Am Stat Assoc 1977;72:320-338 (memory).
    .. [2] Robinson GK. That BLUP is a good thing: the estimation of random effects. Stat Sci
       1991;6:15-51 (memory).

    >>> d = [3, 2, -1, -2, 0, 1, 4, 3, -3, -2]
    >>> found = own_correction(d, [1, 1, 2, 2, 3, 3, 4, 4, 5, 5], field=[50] * 10)
    >>> mine = found.of_athlete(0, 50.0)
    >>> round(mine.value, 1), round(mine.weight, 1)
    (47.8, 0.9)
    """
    grouped = clusters(difference, athlete)
    f, codes = np.asarray(field, dtype=np.float64), grouped.codes
    d, size = np.asarray(difference, dtype=np.float64), grouped.sizes.astype(np.float64)
    own_field = np.bincount(codes, f) / size
    centre = float(own_field[codes].mean()) if line else None
    design = [np.ones(grouped.n), *([own_field - centre] if centre is not None else [])]
    x = np.stack(design, axis=1)  # the same for all visits of an athlete
    df = d.size - x.shape[1]
    if df < FEWEST_FREE:
        raise NotEstimable(f"{d.size} visits are too few.", TOO_FEW)
    if float(np.ptp(d)) <= 1e-9:
        raise NotEstimable("all differences are equal.")
    share = (np.arange(1, GRID + 1) - 0.5) / GRID
    ratio = share / (1.0 - share)
    kept = size / (1.0 + np.outer(ratio, size))  # (H, G): weight of an athlete's mean
    bread = np.einsum("hg,ga,gb->hab", kept, x, x)
    covariance = np.linalg.inv(bread)
    beta = np.einsum("hab,hg,gb,g->ha", covariance, kept, x, grouped.means, optimize=True)
    residual = grouped.means - beta @ x.T
    rss = grouped.ss_within + (kept * residual**2).sum(axis=1)
    log_likelihood = (
        -0.5 * np.log1p(np.outer(ratio, size)).sum(axis=1)
        - 0.5 * np.linalg.slogdet(bread)[1]
        - 0.5 * df * np.log(rss)
    )
    own = {
        k: (int(size[k]), float(grouped.means[k]), float(own_field[k])) for k in range(grouped.n)
    }
    weight, variance = grid_weights(log_likelihood), rss / df
    lasting = np.sqrt(ratio * variance)
    sd, *ends = (grid_quantile(p, weight, lasting) for p in (0.5, 0.025, 0.975))
    shares = (grid_quantile(p, weight, share) for p in (0.025, 0.975))
    known = (grouped.n, d.size, df, share, weight, variance, beta, covariance, centre, own)
    return OwnCorrection(*known, sd, Interval(*ends), float(weight @ share), Interval(*shares))


def own_doubts(pairs: pd.DataFrame) -> dict[str, OwnDoubts]:
    """
    Say what makes each athlete's own correction doubtful for the latest field value.

    pairs: columns athlete_id, lab_date, gap_days, sensor, mass_kg, mass_mismatch_pct.
    """
    ordered = pairs.sort_values("lab_date", kind="stable")
    told = ordered["mass_kg"] * (1.0 + ordered["mass_mismatch_pct"] / 100.0)
    known = ordered["sensor"].where(ordered["sensor"] != "unknown")
    by_athlete = ordered.assign(told=told, known=known).groupby("athlete_id", sort=False)
    last = by_athlete.tail(1).set_index("athlete_id")  # as it stands, missing or not
    changed = 100.0 * (told / ordered["athlete_id"].map(last["told"]) - 1.0).abs() > MASS_WITHIN_PCT
    late = -last["gap_days"]
    found = pd.DataFrame(
        {
            "late": late.where(late > OLD_DAYS, 0),
            "sensor": by_athlete["known"].nunique().gt(1),
            "mass": changed.groupby(ordered["athlete_id"]).any(),
        }
    )
    return {
        str(who): OwnDoubts(int(days), bool(sensor), bool(mass))
        for who, days, sensor, mass in found.itertuples()
    }


def own_correction_of(data: MethodData) -> OwnCorrection:
    """Own corrections of one method and mode."""
    visits = np.bincount(data.athlete, minlength=data.n)
    if int((visits >= 2).sum()) < FEWEST_REPEATED:  # lasting and passing are not told apart
        raise NotEstimable(f"fewer than {FEWEST_REPEATED} athletes came twice or more.")
    field, lab = (np.bincount(data.athlete, x) / visits for x in (data.field, data.lab))
    line = False  # as the squad's calibration, where it has one
    with suppress(ValueError):
        line = chosen_calibration(field, lab).model == "line"
    return own_correction(data.difference, data.athlete, field=data.field, line=line)


RECORD: Final = recorded("""
    own_correction, place 420, whole: the athlete's own correction
    lasting_sd: spread of lasting differences
      How far athletes' lasting differences from the laboratory scatter about the squad's.
      = random athletes, share of variance uniform on (0, 1) and weighed by likelihood: the median
      | Harville 1977; Robinson 1991
    share [1]: share of the spread that lasts
      Share of the variance of one visit's difference that comes back at the next.
      = the mean of the same shares | Harville 1977; Robinson 1991
    """).by(own_correction_of)
