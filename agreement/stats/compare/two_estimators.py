"""Which of two field methods scatters less about the laboratory, on the same athletes and tests."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from agreement.arrays import ArrayLike, Floats, Seed
from agreement.stats.basics.bootstrap import N_RESAMPLES, bootstrap_of_sums, cluster_resampling
from agreement.stats.basics.clusters import athlete_codes
from agreement.stats.basics.intervals import Interval, t_p_value
from agreement.stats.basics.least_squares import moments, products
from agreement.stats.compare.methods_compared import side_by_side
from agreement.stats.limits.limits import checked_pairs
from agreement.stats.method_data import NOT_ESTIMABLE, TOO_FEW, MethodData, NotEstimable
from agreement.stats.record import recorded
from agreement.stats.result import Result, TableRows

FEWEST_COMPARED: Final = 4
NORMAL_ONLY: Final = "normal_only"  # note: the test holds for normal errors alone


@dataclass(frozen=True, slots=True)
class TwoEstimators(Result):
    """Spread of the error of method A against that of method B, complete pairs only."""

    names: tuple[str, str]  # a and B
    mode: str  # the mode if both have the same, else "A-mode vs B-mode"
    # n, n_pairs: athletes and laboratory tests with both
    n: int
    n_pairs: int
    # sd_a, sd_b: standard deviations of the differences from the laboratory. [mL/kg/min]
    sd_a: float
    sd_b: float
    ratio_of_sd: float  # above 1: method B scatters less; `closer` says which errs less
    ratio_interval: Interval  # closed form, or by bootstrap when athletes have several pairs
    difference_of_sd: float
    difference_interval: Interval  # by bootstrap over athletes
    # that both spreads are the same; by Student's t on athletes (see `two_estimators`)
    p_pitman_morgan: float
    note: str = ""

    def _rows(self) -> TableRows:
        yield self.row("ratio_of_sd", self.ratio_of_sd, self.ratio_interval, self.note)
        # heavy tails make the test of spreads reject too often
        normal = "; ".join(filter(None, (self.note, NORMAL_ONLY)))
        yield self.row("p_pitman_morgan", self.p_pitman_morgan, note=normal)
        yield from self.told(
            ("difference_of_sd", self.difference_of_sd, self.difference_interval),
            ("sd_of_first", self.sd_a),
            ("sd_of_second", self.sd_b),
            note=self.note,
        )

    def _finding(self) -> str:
        low, high = self.ratio_interval
        first, second = self.names
        less = f"{second if low > 1 else first} scatters less"
        verdict = less if low > 1 or high < 1 else "neither is shown to scatter less"
        return (
            f"On {self.n} athletes with both, the errors spread by {self.sd_a:.1f} ({first}) and "
            f"{self.sd_b:.1f} mL/kg/min ({second}): {verdict}."
        )


# Ours: no library here has Pitman and Morgan's test.
def two_estimators(
    difference_a: ArrayLike,
    difference_b: ArrayLike,
    *,
    athlete: ArrayLike | None = None,
    names: tuple[str, str] = ("A", "B"),
    mode: str = "",
    n_resamples: int = N_RESAMPLES,
    rng: Seed = None,
) -> TwoEstimators:
    r"""
    Compare the spread of two methods' errors on the same laboratory tests.

    difference_a, difference_b: shape (n_pairs,). Field minus laboratory of each method, same tests
        in the same order. [mL/kg/min]
    athlete: shape (n_pairs,). With several pairs per athlete.
    names: labels of the two methods.
    Raises ValueError if the shapes differ, a value is missing, there are fewer than 4 athletes, or
        one of the methods has no spread.

    Both share the laboratory's error, so the two spreads are correlated. Equal spread means that
    sum and difference of the two errors are uncorrelated [1]_ [2]_:
    :math:`t = (F - 1)\sqrt{n - 2} / (2\sqrt{F(1 - r^2)})` on n - 2 degrees of freedom, F the ratio of
    variances and r their correlation. Solving for the ratio gives its interval. Both assume normal
    errors. With several pairs per athlete the covariance of sum and difference is tested over the
    athletes' own sums of products, and the interval of the ratio is from the bootstrap.

    .. [1] Pitman EJG. A note on normal correlation. Biometrika 1939;31:9-12.
    .. [2] Morgan WA. A test for the significance of the difference between the two variances in a
       sample from a normal bivariate population. Biometrika 1939;31:13-19.
    """
    a, b = checked_pairs(difference_a, difference_b, fewest=FEWEST_COMPARED)
    a, b = a - a.mean(), b - b.mean()
    codes = athlete_codes(athlete, len(a))
    n = int(codes.max()) + 1
    if n < FEWEST_COMPARED:
        raise ValueError(f"the comparison needs at least {FEWEST_COMPARED} athletes; got {n}")
    sd_a, sd_b = (float(np.sqrt(d @ d / (len(d) - 1))) for d in (a, b))
    if min(sd_a, sd_b) <= 0:
        raise ValueError(
            "one of the two methods misses by the same amount everywhere: nothing to compare."
        )

    def spreads(sums: Floats) -> Floats:
        m = moments(sums)
        sd_a, sd_b = (np.sqrt(np.maximum(one, 0) / (m.n - 1)) for one in (m.xx, m.yy))
        return np.stack([sd_a - sd_b, sd_a / sd_b], axis=1)

    resampling = cluster_resampling(codes, n_resamples=n_resamples, rng=rng)
    drawn = bootstrap_of_sums(resampling, products(a, b), spreads, scales=("plain", "log"))
    note, ratio = "clustered" if n < len(a) else "", drawn.interval(1)
    if note:  # the athletes' sums of (a + b)(a - b) have mean 0 at equal spread
        surplus = np.bincount(codes, a * a - b * b)
        error = float(surplus.std(ddof=1)) / np.sqrt(n)
        p = t_p_value(float(surplus.mean()) / error, n - 1) if error > 0 else 1.0
    else:
        p, ratio = _pitman_morgan(a, b)
    apart = sd_a / sd_b, ratio, sd_a - sd_b, drawn.interval(0)
    return TwoEstimators(names, mode, n, len(a), sd_a, sd_b, *apart, p, note)


@dataclass(frozen=True, slots=True)
class SpreadsCompared:
    """One pair of methods in the results table."""

    # method, mode: labels, see `TwoEstimators`
    method: str
    mode: str
    # n, n_pairs: athletes and laboratory tests with both
    n: int
    n_pairs: int
    result: TwoEstimators | NotEstimable


def two_estimators_of(studied: Iterable[MethodData]) -> tuple[SpreadsCompared, ...]:
    """
    Compare methods that share a laboratory test, two by two as `side_by_side` says.

    studied: one for each method and mode.
    Returns comparisons by method, then mode; two methods without a test in common are not there.
    """
    ordered = sorted(studied, key=lambda data: (data.method, data.mode))
    found = [_compare(a, b) for a, b in side_by_side(ordered)]
    kept = [comparison for comparison in found if comparison.n_pairs]
    return tuple(sorted(kept, key=lambda comparison: (comparison.method, comparison.mode)))


def _compare(a: MethodData, b: MethodData) -> SpreadsCompared:
    mode = a.mode if a.mode == b.mode else f"{a.mode} vs {b.mode}"
    names = (a.method, b.method)
    rows = np.array([row for row, key in enumerate(a.keys) if key in b.place], dtype=np.intp)
    of_b = np.array([b.place[key] for key in a.keys[rows]], dtype=np.intp)
    n, n_pairs = np.unique(a.athlete[rows]).size, rows.size
    result: TwoEstimators | NotEstimable
    try:
        result = two_estimators(
            a.pairs["difference"].to_numpy(np.float64)[rows],
            b.pairs["difference"].to_numpy(np.float64)[of_b],
            athlete=a.athlete[rows],
            names=names,
            mode=mode,
            rng=a.seed,
        )
    except ValueError as error:
        result = NotEstimable(str(error), TOO_FEW if n < FEWEST_COMPARED else NOT_ESTIMABLE)
    return SpreadsCompared(" vs ".join(names), mode, n, n_pairs, result)


def _pitman_morgan(a: Floats, b: Floats) -> tuple[float, Interval]:
    """P value of equal spreads of centred values, and interval of their ratio."""
    n, aa, bb = len(a), float(a @ a), float(b @ b)
    ratio, correlation = aa / bb, float(np.clip(a @ b / np.sqrt(aa * bb), -1, 1))
    free, p = 4 * ratio * (1 - correlation**2), float(ratio == 1)
    if free > 0:
        p = t_p_value((ratio - 1) * np.sqrt((n - 2) / free), n - 2)
    k = 1 + 2 * (1 - correlation**2) * special.stdtrit(n - 2, 0.975) ** 2 / (n - 2)
    root = np.sqrt(k * k - 1)
    return p, Interval(float(np.sqrt(ratio * (k - root))), float(np.sqrt(ratio * (k + root))))


RECORD: Final = recorded("""
    two_estimators, place 130, compares methods, own section: spread of two methods on the same tests
    ratio_of_sd [1]: ratio of both spreads
      Spread of the first method's error over the second's; above 1 the second scatters less.
      = standard deviation of the first's d over the second's; interval by the correlation of sum and
      difference of errors | Pitman 1939; Morgan 1939
    p_pitman_morgan [p]: p of equal spread
      How often chance alone would make both spreads this unequal.
      = t test of that correlation | Pitman 1939; Morgan 1939
    difference_of_sd: difference of both spreads
      Spread of the first method's error less the second's.
      = standard deviations of d of both methods on the same tests | Efron & Tibshirani 1993
    sd_of_first: spread of the first method
      Standard deviation of the first method's error on the shared tests.
    sd_of_second: spread of the second method
      Standard deviation of the second method's error on the shared tests.
    """)
