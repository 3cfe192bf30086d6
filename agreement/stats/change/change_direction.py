"""Do laboratory and field change in the same direction, and by how much does either respond."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from agreement.stats.basics.arrays import Booleans, Floats
from agreement.stats.basics.bootstrap import Resampling, bootstrap_of_sums
from agreement.stats.basics.intervals import Interval
from agreement.stats.basics.shares import wilson_interval

_DISTANCE: Final = np.abs(np.subtract.outer(np.arange(3), np.arange(3))).ravel() / 2.0


@dataclass(frozen=True, slots=True)
class SameDirection:
    """How many changes share their sign, of those outside a zone around no change."""

    zone: float  # laboratory changes up to this size are left out. [mL/kg/min]
    same: int  # changes of the same sign
    # shape (n,). Which changes are outside the zone, and 0 in neither method.
    considered: Booleans
    # Wilson's, or by bootstrap over athletes when an athlete has several changes
    interval: Interval

    @property
    def kept(self) -> int:
        """Changes considered."""
        return int(np.count_nonzero(self.considered))

    @property
    def left_out(self) -> int:
        """Changes in the zone, or 0 in either method."""
        return len(self.considered) - self.kept

    @property
    def share(self) -> float:
        """Share of the kept changes; not a number when none was kept."""
        return self.same / self.kept if self.kept else float("nan")


@dataclass(frozen=True, slots=True)
class ThreeWay:
    """Changes sorted into down, trivial and up by both methods."""

    threshold: float  # a change up to this size is trivial. [mL/kg/min]
    # shape (3, 3). Laboratory in rows, field in columns; down, trivial, up.
    counts: npt.NDArray[np.int64]
    # Cohen's kappa with linear weights; not a number when chance alone leaves no disagreement
    kappa: float
    kappa_interval: Interval  # by bootstrap over athletes, from 15 on


@dataclass(frozen=True, slots=True)
class Responsiveness:
    """Standardised response mean of both methods: mean change over its standard deviation."""

    # lab, field: not a number where all changes are equal
    lab: float
    field: float
    difference_interval: Interval  # of field minus laboratory, over athletes


def same_direction(
    field: Floats, lab: Floats, resampling: Resampling, *, zone: float = 0.0
) -> SameDirection:
    """
    Count changes of the same sign outside the zone.

    field, lab: shape (n,). Changes of the same athletes. [mL/kg/min]
    resampling: of the athletes of these changes.
    zone: [mL/kg/min]

    .. [1] Critchley LA, Lee A, Ho AM. A critical review of the ability of continuous cardiac output
       monitors to measure trends in cardiac output. Anesth Analg 2010;111:1180-1192.
    """
    kept = (np.abs(lab) > zone) & (lab != 0) & (field != 0)
    same = kept & (np.sign(field) == np.sign(lab))
    k, n = int(same.sum()), int(kept.sum())
    if n == 0:
        interval = Interval(np.nan, np.nan)
    elif resampling.n_athletes == len(lab):
        interval = wilson_interval(k, n)
    else:
        counted = np.stack([same, kept], axis=1)
        drawn = bootstrap_of_sums(resampling, counted, _share, scales=("ranked",))
        interval = drawn.interval()
    return SameDirection(zone, k, kept, interval)


def three_way(field: Floats, lab: Floats, resampling: Resampling, *, threshold: float) -> ThreeWay:
    """Sort changes into down, trivial and up, and measure how far both methods agree on it."""
    cell = 3 * _sorted(lab, threshold) + _sorted(field, threshold)
    drawn = bootstrap_of_sums(resampling, cell[:, None] == np.arange(9), _kappa, scales=("ranked",))
    counts = np.bincount(cell, minlength=9).reshape(3, 3)
    return ThreeWay(threshold, counts, float(drawn.estimate[0]), drawn.interval())


def responsiveness(field: Floats, lab: Floats, resampling: Resampling) -> Responsiveness:
    """Compare how far both methods respond, in units of their own spread."""
    columns = np.stack([np.ones_like(lab), lab, lab * lab, field, field * field], axis=1)
    drawn = bootstrap_of_sums(resampling, columns, _responses, scales=("plain",) * 3)
    of_lab, of_field = drawn.estimate[:2].tolist()
    return Responsiveness(of_lab, of_field, drawn.interval(2))


def _sorted(change: Floats, threshold: float) -> npt.NDArray[np.int64]:
    return 1 + (change > threshold).astype(np.int64) - (change < -threshold)


def _share(sums: Floats) -> Floats:
    with np.errstate(invalid="ignore"):
        return sums[:, :1] / sums[:, 1:]


def _kappa(counts: Floats) -> Floats:
    """1 - observed / expected disagreement, linear weights; shape (R, 9) to (R, 1)."""
    tables = counts.reshape(-1, 3, 3)
    expected = tables.sum(axis=2)[:, :, None] * tables.sum(axis=1)[:, None, :]
    n = counts.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        by_chance = expected.reshape(-1, 9) @ _DISTANCE / n
        kappa = 1.0 - (counts @ _DISTANCE) / by_chance
    return np.where(np.isfinite(kappa), kappa, np.nan)[:, None]


def _responses(sums: Floats) -> Floats:
    n = sums[:, 0]
    found = []
    for total, squares in ((sums[:, 1], sums[:, 2]), (sums[:, 3], sums[:, 4])):
        mean = total / n
        with np.errstate(divide="ignore", invalid="ignore"):
            variance = (squares - n * mean**2) / (n - 1)
            found.append(np.where(variance > 1e-12, mean / np.sqrt(np.abs(variance)), np.nan))
    return np.stack([*found, found[1] - found[0]], axis=1)
