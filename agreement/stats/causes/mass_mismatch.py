"""Does a wrong body mass explain the error? Log ratio of the methods on the mismatch of mass."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from agreement.arrays import ArrayLike, Seed
from agreement.stats.basics.bootstrap import cluster_resampling, resampled_slope
from agreement.stats.basics.clusters import athlete_codes
from agreement.stats.basics.intervals import Interval, said_p, t_p_value
from agreement.stats.basics.least_squares import Line, fit_line
from agreement.stats.basics.replicates import Replicates
from agreement.stats.limits.limits import FEWEST_FOR_SD, checked_pairs
from agreement.stats.method_data import TOO_FEW, NotEstimable
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows
from agreement.terms import MASS_WITHIN_PCT, counted

IN_FULL: Final = -1.0  # per cent of VO2max for a per cent of mass, when all of it goes wrong


@dataclass(frozen=True, slots=True)
class MassMismatch(Result):
    """100 ln(field / laboratory) on the mismatch of body mass, in per cent on both axes."""

    line: Line
    n: int  # athletes whose mismatch is known
    off: int  # pairs with more than 2 per cent
    interval: Interval  # of the slope, 95 %
    replicates: Replicates | None = None  # bootstrap of the slope by athlete, when pairs repeat

    def p_of(self, slope: float) -> float:
        """P value of a slope: 0 if mass does not enter, -1 if all of its error goes into VO2max."""
        if self.replicates is not None:
            return self.replicates.p_value(null=slope)
        away, error = self.line.slope - slope, self.line.slope_se
        if error == 0.0:
            return 1.0 if abs(away) < 1e-9 else 0.0
        return t_p_value(away / error, self.line.df)

    def _rows(self) -> TableRows:
        return self.told(
            ("slope", self.line.slope, self.interval),
            ("p_no_effect", self.p_of(0.0)),
            ("p_full_effect", self.p_of(IN_FULL)),
            n_pairs=self.line.n,
            note="" if self.replicates is None else "clustered",
        )

    def _finding(self) -> str:
        low, high = self.interval
        return (
            f"One per cent too much body mass changes the field value by {self.line.slope:.2f} per "
            f"cent (95 % interval {low:.2f} to {high:.2f}; no effect {said_p(self.p_of(0.0))}, "
            f"in full {said_p(self.p_of(IN_FULL))}); {counted(self.off, 'pair')} "
            f"{'is' if self.off == 1 else 'are'} off by more than {MASS_WITHIN_PCT:g} %."
        )


def mass_mismatch(
    field: ArrayLike,
    lab: ArrayLike,
    mismatch: ArrayLike,
    *,
    athlete: ArrayLike | None = None,
    rng: Seed = None,
) -> MassMismatch:
    """
    Regress the log ratio of both methods on the mismatch of body mass.

    field, lab: shape (n,). Above 0. [mL/kg/min]
    mismatch: shape (n,). 100 (mass given to the field method - laboratory's) / laboratory's;
        missing where unknown, and then left out. [%]
    athlete: shape (n,). With several pairs per athlete; the interval is then from a bootstrap over
        athletes.
    Raises NotEstimable when the mismatch is known of fewer than 3 athletes, or does not vary.
    Raises ValueError if shapes differ or a field or laboratory value is missing or not above 0.

    VO2max per kilogram holds the mass. A method that works in litres and divides by the mass it was
    told errs by minus the error of mass in per cent, slope -1; one that works per kilogram
    throughout does not see it, slope 0 (derived). Do not read it as a cause without looking who has
    the large mismatches: mass goes astray in people who have changed. With several pairs per athlete
    a p value is read off the resamples: below 0.05 its third decimal hangs on the draw.
    """
    f, x = checked_pairs(field, lab)
    m = np.asarray(mismatch, dtype=np.float64)
    if m.shape != f.shape:
        raise ValueError(f"`mismatch` must have one value per pair; got {m.size} for {f.size}")
    if min(float(f.min()), float(x.min())) <= 0.0:
        raise ValueError("ratios need values above 0; a field or laboratory value is 0 or below")
    known = np.isfinite(m)
    codes = athlete_codes(athlete, f.size)[known]
    n = np.unique(codes).size
    if n < FEWEST_FOR_SD:
        few = f"fewer than {FEWEST_FOR_SD} athletes" if n else "no athlete"
        raise NotEstimable(f"the mismatch of body mass is known of {few}.", TOO_FEW)
    m, log_ratio = m[known], 100.0 * np.log(f[known] / x[known])
    if float(np.ptp(m)) == 0.0:
        raise NotEstimable("the mismatch of body mass is the same in all pairs.")
    line = fit_line(m, log_ratio)
    off = int((np.abs(m) > MASS_WITHIN_PCT).sum())
    if n == m.size:
        return MassMismatch(line, n, off, line.slope_interval())
    drawn = resampled_slope(m, log_ratio, cluster_resampling(codes, rng=rng))
    return MassMismatch(line, n, off, drawn.interval(), drawn)


RECORD: Final = recorded("""
    mass_mismatch, place 290, whole, own section: effect of a wrong body mass
    slope [1] on mass_mismatch_pct: per cent of VO2max for each per cent of mass
      Change of the field value for a body mass set one per cent too high.
      = least squares of 100 ln(field / laboratory) on the mismatch in per cent
    p_no_effect [p] on mass_mismatch_pct: p of no effect of mass
      How often chance alone would give this slope, did a wrong mass do nothing.
    p_full_effect [p] on mass_mismatch_pct: p of the full effect of mass
      How often chance alone would give this slope, did all of it go into VO2max.
    """).by(
    lambda data: mass_mismatch(
        data.field, data.lab, data.pairs["mass_mismatch_pct"], athlete=data.athlete, rng=data.seed
    )
)
