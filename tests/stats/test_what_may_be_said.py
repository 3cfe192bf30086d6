"""
Rates of what is said, in simulated studies with known truth; a third of the cases of the method sheet.

The rates beside each case were simulated by another implementation of the same rules (1500 to 4000
studies, no printed source); here 3 standard errors of both simulations are allowed. Seeds are fixed.
"""

import numpy as np
import pytest
from scipy import stats

from agreement.stats.limits.limits import LimitsOfAgreement
from agreement.stats.limits.net_of_laboratory import net_of_laboratory
from agreement.stats.lines.structural import structural_slope
from agreement.stats.repeats.laboratory_variance import LaboratoryVariance
from agreement.stats.verdict.yardsticks import Material, judge

pytestmark = pytest.mark.slow
D, SEM, DF, STUDIES = 5.0, 1.5, 20, 600
Z = stats.norm.ppf(0.975)


def near(rate, wanted, others=1500):
    """Whether two simulated rates are as near as chance lets them be."""
    p = max(wanted, rate, 0.002)
    return abs(rate - wanted) <= 3.5 * np.sqrt(p * (1 - p) * (1 / STUDIES + 1 / others)) + 0.005


def standardised(kind, rng, n, x):
    """Errors of mean 0 and SD 1 (at the mean level)."""
    if kind == "t5":
        return rng.standard_t(5, n) / np.sqrt(5 / 3)
    if kind == "spread":
        return rng.normal(size=n) * np.exp(0.3 * x)
    return rng.normal(size=n)


def study(rng, n, own, *, kind="normal", slope=0.0, sem=SEM, df=DF, bias=0.0, sd_t=5.0):
    """One pair each: the true level, a field value of own SD `own`, a laboratory test of SEM `sem`."""
    x = rng.normal(size=n)
    truth = 50 + sd_t * x
    lab = truth + rng.normal(0, sem, n)
    field = truth + bias + slope * sd_t * x + own * standardised(kind, rng, n, x)
    variance = sem**2 * rng.chisquare(df) / df
    return field, lab, LaboratoryVariance(variance, df)


def judged(field, lab, laboratory, against, margin=D):
    d = field - lab
    limits = LimitsOfAgreement(d.size, d.mean(), d.std(ddof=1))
    own = net_of_laboratory(d, range(d.size), laboratory)
    slope = structural_slope(field, lab, laboratory)
    return judge(Material(limits, own, slope, field, lab), against, margin)


def rate(against, n, own, outcome="acceptable", code=None, margin=D, **kind):
    rng = np.random.default_rng([20260101, n, int(100 * own), len(against)])
    hits = 0
    for _ in range(STUDIES):
        found = judged(*study(rng, n, own, **kind), against, margin)
        hits += found.code == code if code else found.outcome == outcome
    return hits / STUDIES


@pytest.mark.parametrize(
    ("against", "share", "n", "wanted"),
    [
        ("laboratory test", 1.0, 20, 0.005),
        ("laboratory test", 1.0, 60, 0.001),
        ("laboratory test", 1.25, 35, 0.000),
        ("laboratory test", 0.7, 20, 0.19),
        ("laboratory test", 0.7, 60, 0.61),
        ("true value", 1.0, 20, 0.006),
        ("true value", 1.0, 60, 0.005),
        ("true value", 1.25, 35, 0.001),
        ("true value", 0.7, 20, 0.09),
        ("true value", 0.7, 60, 0.29),
    ],
)
def test_what_is_accepted(against, share, n, wanted):
    """Normal differences whose limits lie on the margin, beyond it and inside."""
    total = share * D / Z
    own = np.sqrt(total**2 - SEM**2) if against == "laboratory test" else total
    assert near(rate(against, n, own), wanted)


@pytest.mark.parametrize(
    ("against", "wanted"), [("laboratory test", (0.02, 0.03)), ("true value", (0.02, 0.03))]
)
def test_not_acceptable_on_the_margin(against, wanted):
    """Sheet: .05 against a test, .02-.03 against the truth, with both limits on the margin."""
    own = np.sqrt((D / Z) ** 2 - SEM**2) if against == "laboratory test" else D / Z
    found = rate(against, 35, own, "not acceptable")
    assert near(found, 0.05 if against == "laboratory test" else wanted[0])


@pytest.mark.parametrize(
    ("margin", "own", "n", "against", "outcome", "wanted"),
    [
        (3.5, 0.0, 20, "laboratory test", "margin_below_laboratory", 0.72),
        (3.5, 0.0, 60, "laboratory test", "margin_below_laboratory", 0.96),
        (3.5, 0.0, 60, "laboratory test", "not acceptable", 0.02),
        (3.5, 0.0, 60, "true value", "acceptable", 0.18),
        (5.0, 1.0, 60, "true value", "acceptable", 0.41),
        (5.0, 1.0, 35, "laboratory test", "not acceptable", 0.10),
        (7.0, 1.0, 20, "true value", "acceptable", 0.44),
        (7.0, 1.0, 60, "true value", "acceptable", 0.89),
        (7.0, 1.0, 35, "true value", "not acceptable", 0.0),
    ],
)
def test_a_nearly_perfect_method(margin, own, n, against, outcome, wanted):
    """SEM 2.6 known to 20 degrees of freedom."""
    code = outcome if "_" in outcome else None
    found = rate(against, n, own, outcome, code, margin=margin, sem=2.6)
    assert near(found, wanted)


@pytest.mark.parametrize("against", ["laboratory test", "true value"])
@pytest.mark.parametrize("kind", ["t5", "spread"])
def test_what_is_wrongly_accepted_stays_rare(kind, against):
    """Spread e^(.3 x) with the limit at the 90th centile on the margin, and t5 with 95 % inside."""
    wanted = {"t5": (0.020, 0.013), "spread": (0.17, 0.09)}[kind][against == "true value"]
    if kind == "spread":
        total = D / Z
        own = total / np.exp(0.3 * stats.norm.ppf(0.9))
        if against == "laboratory test":
            own = np.sqrt(total**2 - SEM**2) / np.exp(0.3 * stats.norm.ppf(0.9))
    else:
        own = D / stats.t.ppf(0.975, 5) * np.sqrt(5 / 3)
        if against == "laboratory test":
            own = np.sqrt(own**2 - SEM**2)
    assert rate(against, 35, own, kind=kind) <= wanted + 0.05


@pytest.mark.parametrize(("own", "n"), [(0.0, 20), (1.5, 35), (3.5, 12)])
def test_own_spread_and_own_limits_hold_the_truth(own, n):
    """Sheet: own SD covered in .94-.98; the truth above the outer end in at most .041."""
    rng = np.random.default_rng([7, n])
    held = above = 0
    for _ in range(STUDIES):
        field, lab, laboratory = study(rng, n, own, sem=2.6, bias=1.0)
        found = net_of_laboratory(field - lab, range(n), laboratory)
        low, high = found.sd_interval()
        held += low <= own <= high
        above += found.upper_interval().high < 1.0 + Z * own
    assert held / STUDIES >= 0.94 - 3 * np.sqrt(0.94 * 0.06 / STUDIES)
    assert above / STUDIES <= 0.041 + 3 * np.sqrt(0.041 * 0.959 / STUDIES)


@pytest.mark.parametrize(
    ("sd_change", "n", "unbounded", "shown"),
    [(2.5, 20, 0.87, 0.60), (4.0, 12, 0.68, 0.76), (4.0, 60, 0.50, 1.0)],
)
def test_a_responsiveness_often_has_no_upper_end(sd_change, n, unbounded, shown):
    """Truth 1, SEM 2.6 known to 20 degrees of freedom, one test at each visit."""
    rng = np.random.default_rng([11, n])
    open_end = missed = following = 0
    for _ in range(STUDIES):
        true = rng.normal(0, sd_change, n)
        lab = true + rng.normal(0, 2.6 * np.sqrt(2), n)
        field = true + rng.normal(0, 1.5, n)
        laboratory = LaboratoryVariance(2.6**2 * rng.chisquare(20) / 20, 20)
        found = structural_slope(field, lab, laboratory, noise_shares=np.full(n, 2.0))
        low, high = found.interval
        open_end += np.isnan(high)
        missed += low > 1.0 or high < 1.0
        following += found.p_zero < 0.05
    assert abs(open_end / STUDIES - unbounded) < 0.08
    assert missed / STUDIES <= 0.039 + 3 * np.sqrt(0.04 * 0.96 / STUDIES)
    assert following / STUDIES >= shown - 0.15
