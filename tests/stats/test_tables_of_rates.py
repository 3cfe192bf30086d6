"""
The tables of the method sheets, cell by cell: rates in simulated studies with known truth.

The rates beside each case were simulated by another implementation of the same rules (1500 to 4000
studies, no printed source). Here 400 studies a cell unless said; allowed are 3.5 standard errors of
both simulations and half the last digit. Seeds are fixed.
"""

from functools import cache

import numpy as np
import pytest
from scipy import optimize, stats

from agreement.stats.limits.limits import LimitsOfAgreement
from agreement.stats.limits.net_of_laboratory import net_of_laboratory
from agreement.stats.limits.repeated import limits_by_athlete
from agreement.stats.lines.structural import structural_slope
from agreement.stats.repeats.laboratory_variance import LaboratoryVariance
from agreement.stats.verdict.yardsticks import Material, judge

pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("ignore::agreement.errors.SmallSampleWarning"),
]
D, SD_T, STUDIES = 5.0, 5.0, 400
Z = stats.norm.ppf(0.975)
Z90 = stats.norm.ppf(0.9)
SIZES = (12, 20, 35, 60)
LAB, TRUE = "laboratory test", "true value"


def allowed(rate, wanted, runs=STUDIES, others=1500):
    """How far two simulated rates may lie apart by chance."""
    p = np.clip(np.maximum(wanted, rate), 0.002, 0.998)
    return 3.5 * np.sqrt(p * (1 - p) * (1 / runs + 1 / others)) + 0.005


def compare(found, wanted, **runs):
    found, wanted = np.asarray(found, float), np.asarray(wanted, float)
    far = np.abs(found - wanted) > allowed(found, wanted, **runs)
    assert not far.any(), f"found {found}, the sheet says {wanted}"


# --- section 16: what is accepted -----------------------------------------------------------------


@cache
def errors(kind):
    """A large sample of standardised errors, for boundaries that have no closed form."""
    return standardised(kind, np.random.default_rng(1), (400_000,), 0.0)


def standardised(kind, rng, shape, x):
    if kind == "t5":
        return rng.standard_t(5, shape) / np.sqrt(5 / 3)
    if kind == "skew":  # gamma of shape 4: skewness 1
        return (rng.gamma(4.0, size=shape) - 4.0) / 2.0
    if kind == "spread":
        return rng.normal(size=shape) * np.exp(0.3 * x)
    return rng.normal(size=shape)


def own_and_bias(kind, share):
    """Spread and bias of the differences at which the truth lies at so much of the boundary."""
    limit = share * D
    if kind in ("t5", "skew"):
        offset = 0.5 if kind == "skew" else 0.0
        e = errors(kind)
        return (
            own := optimize.brentq(
                lambda s: np.mean(np.abs(s * (e + offset)) <= limit) - 0.95, 0.01, 2 * D
            ),
            offset * own,
        )
    lean = 0.1 * SD_T * Z90 if kind == "slope" else 0.0
    return (limit - lean) / Z / (np.exp(0.3 * Z90) if kind == "spread" else 1.0), 0.0


def accepted(kind, against, n, share, studies=STUDIES):
    """Share of studies that are accepted; two pairs each where `kind` is ``pairs``."""
    sem, times = (2.0, 2) if kind == "pairs" else (1.5, 1)
    own, bias = own_and_bias(kind, share)
    noise = sem if against == TRUE else 0.0  # against a test the differences themselves are drawn
    rng = np.random.default_rng([n, int(100 * share), len(against), len(kind)])
    who, hits = np.repeat(np.arange(n), times), 0
    for _ in range(studies):
        x = rng.normal(size=n)
        truth = 50 + SD_T * x[who]
        error = own * standardised(kind, rng, n, x)[who]
        if times == 2:
            error = own * np.sqrt(0.5) * (rng.normal(size=n)[who] + rng.normal(size=2 * n))
        lean = 0.1 * SD_T * x[who] if kind == "slope" else 0.0
        lab = truth + rng.normal(0, noise, who.size)
        field = truth + bias + lean + error
        known = LaboratoryVariance(sem**2 * rng.chisquare(20) / 20, 20)
        hits += judged(field, lab, who, known, against).outcome == "acceptable"
    return hits / studies


def judged(field, lab, who, laboratory, against, looks=1):
    d = field - lab
    limits = LimitsOfAgreement(d.size, d.mean(), d.std(ddof=1))
    if who[-1] + 1 < who.size:
        limits = limits_by_athlete(d, who)
    own = net_of_laboratory(d, who, laboratory)
    slope = structural_slope(field, lab, laboratory, athlete=who)
    first = np.unique(who, return_index=True)[1]
    return judge(Material(limits, own, slope, field[first], lab[first]), against, D, looks=looks)


@pytest.mark.parametrize(
    ("kind", "against", "boundary", "beyond", "inside"),
    [
        ("normal", LAB, (0.006, 0.005, 0.001, 0.001), 0.000, (0.10, 0.19, 0.35, 0.61)),
        ("normal", TRUE, (0.007, 0.006, 0.004, 0.005), 0.001, (0.06, 0.09, 0.14, 0.29)),
        ("t5", LAB, (0.023, 0.025, 0.020, 0.013), 0.002, (0.18, 0.29, 0.43, 0.61)),
        ("t5", TRUE, (0.026, 0.015, 0.013, 0.017), 0.005, (0.08, 0.13, 0.22, 0.34)),
        ("skew", LAB, (0.037, 0.043, 0.027, 0.016), 0.011, (0.25, 0.33, 0.34, 0.41)),
        ("skew", TRUE, (0.025, 0.027, 0.027, 0.020), 0.013, (0.11, 0.15, 0.24, 0.37)),
        ("spread", LAB, (0.09, 0.14, 0.17, 0.19), 0.021, (0.43, 0.61, 0.77, 0.90)),
        ("spread", TRUE, (0.05, 0.08, 0.09, 0.15), 0.021, (0.16, 0.29, 0.46, 0.64)),
        ("slope", LAB, (0.01, 0.01, 0.02, 0.01), 0.003, (0.24, 0.46, 0.74, 0.92)),
        ("slope", TRUE, (0.01, 0.02, 0.03, 0.02), 0.002, (0.10, 0.18, 0.29, 0.49)),
        ("pairs", LAB, (0.003, 0.000, 0.000, 0.000), None, (0.09, 0.19, 0.39, 0.66)),
        ("pairs", TRUE, (0.002, 0.001, 0.004, 0.003), None, (0.03, 0.04, 0.11, 0.19)),
    ],
)
def test_what_is_accepted(kind, against, boundary, beyond, inside):
    compare([accepted(kind, against, n, 1.0) for n in SIZES], boundary)
    compare([accepted(kind, against, n, 0.7) for n in SIZES], inside)
    if beyond is not None:
        assert accepted(kind, against, 35, 1.25) <= beyond + allowed(0.0, beyond)
