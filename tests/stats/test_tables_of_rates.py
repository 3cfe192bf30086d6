"""
The tables of the method sheets, cell by cell: rates in simulated studies with known truth.

The rates beside each case were simulated by another implementation of the same rules (1500 to 4000
studies, no printed source). Here 400 studies a cell unless said; allowed are 3.5 standard errors of
both simulations and half the last digit. Seeds are fixed.
"""

from functools import cache

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats

from agreement.stats.basics.bootstrap import cluster_resampling
from agreement.stats.basics.welch import holm
from agreement.stats.causes.pooled_profiles import pooled_profiles
from agreement.stats.change.real_change import real_change, true_changes
from agreement.stats.indices.error import errors_of_estimate
from agreement.stats.limits.limits import LimitsOfAgreement, limit_factors, limits_by_athlete
from agreement.stats.limits.net_of_laboratory import net_of_laboratory
from agreement.stats.lines.own_correction import own_correction
from agreement.stats.lines.regression import regression
from agreement.stats.lines.structural import structural_slope
from agreement.stats.lines.trend import trend
from agreement.stats.repeats.laboratory_variance import LaboratoryVariance
from agreement.stats.repeats.repeatability import week_to_week
from agreement.stats.verdict.counted import p_acceptable
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


@pytest.mark.parametrize(("looks", "at_all", "both"), [(1, 0.028, None), (3, 0.024, 0.004)])
def test_looks_share_one_chance(looks, at_all, both):
    """Normal, against a test; 12 to 60 athletes in K looks: accepted at some look, rule 3 alone."""
    rng, sizes = np.random.default_rng([1, looks]), np.linspace(12, 60, looks).round().astype(int)
    sizes = [60] if looks == 1 else sizes
    for bias, wanted in ((0.5, at_all), (0.0, both)):
        if wanted is None:
            continue
        sd = (D - bias * 3.0) / Z if bias else D / Z  # one limit on the margin, or both
        d = bias * 3.0 + sd * rng.normal(size=(20_000, 60))
        passed = np.zeros(len(d), dtype=bool)
        for n in sizes:
            g = limit_factors(int(n), 0.95, 1 - 0.05 / looks)[1]
            mean, spread = d[:, :n].mean(axis=1), d[:, :n].std(axis=1, ddof=1)
            passed |= np.abs(mean) + g * spread <= D
        assert abs(passed.mean() - wanted) < allowed(0.0, wanted, runs=20_000, others=2000)


# --- section 15: own limits, slope ----------------------------------------------------------------


def known(rng, sem, df):
    return LaboratoryVariance(sem**2 * rng.chisquare(df) / df, df)


@pytest.mark.parametrize("own", [0.0, 1.5, 3.5])
def test_own_limits_hold_the_truth(own):
    """SEM 2.6 on 5 to 20 degrees of freedom: own SD .94-.98, share .92-.99, outer end .000-.041."""
    rng = np.random.default_rng([3, int(10 * own)])
    for n in SIZES:
        for df in (5, 10, 20):
            held, above, share = [], [], []
            truth = stats.norm.cdf((D - 1) / own) - stats.norm.cdf((-D - 1) / own) if own else 1.0
            for _ in range(STUDIES):
                d = 1.0 + own * rng.normal(size=n) + 2.6 * rng.normal(size=n)
                found = net_of_laboratory(d, np.arange(n), known(rng, 2.6, df))
                low, high = found.sd_interval()
                held.append(low <= own <= high)
                above.append(found.upper_interval().high < 1.0 + Z * own)
                share.append(found.share_within(D)[1].contains(truth))
            cell = (own, n, df)
            assert 0.94 - allowed(0.94, 0.94) <= np.mean(held) <= 0.98 + allowed(0.98, 0.98), cell
            assert np.mean(above) <= 0.041 + allowed(0.0, 0.041), cell
            assert np.mean(share) >= 0.92 - allowed(0.92, 0.92), cell


def test_the_structural_slope_misses_as_often_as_it_says():
    """Slope .8: missed in .038-.056 with one pair each, in .026-.043 with three."""
    rng = np.random.default_rng(5)
    for times, low, high in ((1, 0.038, 0.056), (3, 0.026, 0.043)):
        for n in (20, 60):
            who, missed = np.repeat(np.arange(n), times), 0
            for _ in range(STUDIES):
                truth = rng.normal(50, 5, n)[who] + (times > 1) * rng.normal(0, 2, who.size)
                lab = truth + rng.normal(0, 2.6, who.size)
                field = 0.8 * truth + rng.normal(0, 2, n)[who] + rng.normal(0, 1, who.size)
                found = structural_slope(field, lab, known(rng, 2.6, 20), athlete=who)
                missed += found.interval.low > 0.8 or found.interval.high < 0.8
            rate = missed / STUDIES
            assert low - allowed(0.0, low) <= rate <= high + allowed(0.0, high), (times, n)


@pytest.mark.parametrize(
    ("sd", "df", "open_end", "excluded"),
    [
        (2.5, 20, (0.91, 0.87, 0.87, 0.83), (0.40, 0.60, 0.87, 0.99)),
        (2.5, 10, (0.92, 0.92, 0.91, 0.92), (0.40, 0.60, 0.87, 0.99)),
        (4.0, 20, (0.68, 0.61, 0.56, 0.50), (0.76, 0.95, 1.0, 1.0)),
        (4.0, 10, (0.79, 0.76, 0.75, 0.77), (0.76, 0.95, 1.0, 1.0)),
    ],
)
def test_responsiveness(sd, df, open_end, excluded):
    """Truth 1, SEM 2.6, one test at each visit; the field's own noise is 1 at each visit."""
    rng = np.random.default_rng([7, int(10 * sd), df])
    unbounded, follows, missed = [], [], []
    for n in SIZES:
        told = np.zeros((STUDIES, 3))
        for k in range(STUDIES):
            change = rng.normal(0, sd, n)
            lab = change + rng.normal(0, 2.6 * np.sqrt(2), n)
            field = change + rng.normal(0, np.sqrt(2), n)
            laboratory = known(rng, 2.6, df)
            found = structural_slope(field, lab, laboratory, noise_shares=np.full(n, 2.0))
            low, high = found.interval
            told[k] = np.isnan(high), found.p_zero < 0.05, low > 1.0 or high < 1.0
        for cell, mean in zip((unbounded, follows, missed), told.mean(axis=0), strict=True):
            cell.append(mean)
    compare(unbounded, open_end)
    compare(follows, excluded)
    assert max(missed) <= 0.039 + allowed(0.0, 0.039)


# --- section 17: change ---------------------------------------------------------------------------


@pytest.mark.parametrize(("noise", "n"), [(1.0, 20), (1.0, 60), (3.0, 20), (3.0, 60)])
def test_what_a_card_promises(noise, n):
    """Beyond the card .005-.024 of unchanged athletes; card too low in .011-.029; interval .94-.96."""
    rng, truth = np.random.default_rng([9, n]), Z * noise
    beyond, low, held = [], [], []
    for _ in range(2 * STUDIES):
        change = rng.normal(1, 3, n)
        lab, field = change + rng.normal(0, 2.6 * 2**0.5, n), change + rng.normal(0, noise, n)
        table = pd.DataFrame({"athlete_id": np.arange(n), "lab": lab, "field": field})
        found = real_change(table, known(rng, 2.6, 20), np.full(n, 2.0))
        beyond.append(2 * stats.norm.sf(found.on_card / noise))
        low.append(found.on_card < truth)
        held.append(found.interval.contains(truth))
    assert np.mean(beyond) <= 0.024 + 3.5 * np.std(beyond) / np.sqrt(2 * STUDIES)
    assert np.mean(low) <= 0.029 + allowed(0.0, 0.029, runs=2 * STUDIES)
    assert abs(np.mean(held) - 0.95) <= 0.01 + allowed(0.95, 0.95, runs=2 * STUDIES)


def test_the_chance_of_a_true_change_is_cautious():
    """n 20-60, responsiveness 1 and .6: said .20-.40, true .21-.28; .60-.80: .74-.82; ... ."""
    rng, said, true = np.random.default_rng(11), [], []
    for n in (20, 60):
        for slope in (1.0, 0.6):
            for _ in range(1500):
                change = rng.normal(1.5, 3, n + 1)
                lab = change + rng.normal(0, 2.6 * 2**0.5, n + 1)
                field = slope * change + rng.normal(0, 1.5, n + 1)
                (found,) = true_changes(lab[1:], field[1:], known(rng, 2.6, 20), field[:1])
                if field[1:].min() <= field[0] <= field[1:].max():
                    said.append(found.chance(2.0))
                    true.append(change[0] > 2.0)
    said, true = np.array(said), np.array(true)
    bands = ((0.05, 0.2, 0.05, 0.14), (0.2, 0.4, 0.21, 0.28), (0.6, 0.8, 0.74, 0.82))
    for low, high, least, most in (*bands, (0.8, 0.95, 0.90, 0.96), (0.95, 1.0, 0.96, 1.0)):
        inside = true[(said >= low) & (said < high)]
        slack = 3.5 * np.sqrt(0.25 / inside.size) + 0.01
        assert least - slack <= inside.mean() <= most + slack, (low, high, inside.mean())


def test_weeks_are_no_smallest_real_change():
    """Beyond two neighbouring weeks' spread: .06 of unchanged athletes, .35 with a visit's own error."""
    rng, shares = np.random.default_rng(13), []
    for visit in (0.0, 1.0):
        out = []
        for _ in range(600):
            weeks = rng.normal(0, 1.5 / np.sqrt(7), (2, 20))
            found = week_to_week(weeks[0], weeks[1])
            later = np.hypot(1.5 / np.sqrt(7), visit) * 2**0.5
            out.append(2 * stats.norm.sf(found.change / later))
        shares.append(np.mean(out))
    assert shares[0] == pytest.approx(0.06, abs=0.012)
    assert shares[1] >= 0.24


# --- section 19: few athletes ---------------------------------------------------------------------


@pytest.mark.parametrize("times", [1, 2])
def test_intervals_of_few_athletes(times):
    """mae .93-.96, rmse .91-.95, slope on mean .93-.95, slope .93-.96, r .94-.97; 800 studies each."""
    rng = np.random.default_rng([15, times])
    sd, between = np.sqrt(2.0**2 + 1.5**2), 37.0
    rmse = np.hypot(1.0, sd)
    mae = sd * np.sqrt(2 / np.pi) * np.exp(-1 / 2 / sd**2) + 1 - 2 * stats.norm.cdf(-1 / sd)
    slope = between / (between + sd**2)
    truth = {
        "mae": mae, "rmse": rmse, "slope on mean": sd**2 / 2 / (between + sd**2 / 4),
        "slope": slope, "r": np.sqrt(slope), "see": np.sqrt(between * (1 - slope)),
    }  # fmt: skip
    least = dict(zip(truth, (0.93, 0.91, 0.93, 0.93, 0.94, 0.93), strict=True))
    for n in (5, 8, 14, 29):
        who = np.repeat(np.arange(n), times)
        drawn, held = cluster_resampling(who, n_resamples=1, rng=1), []
        for _ in range(STUDIES):
            lab = rng.normal(50, 6, n)[who] + rng.normal(0, 1, who.size)
            field = lab + rng.normal(1, 2, n)[who] + rng.normal(0, 1.5, who.size)
            wrong = errors_of_estimate(field, lab, drawn).replicates
            line = regression(field, lab, resampling=drawn).intervals()
            lean = trend(field, lab, resampling=drawn).slope_interval()
            ends = (wrong.interval(0), wrong.interval(2), lean, line[0], line[2], line[3])
            held.append([e.contains(t) for e, t in zip(ends, truth.values(), strict=True)])
        for (name, low), rate in zip(least.items(), np.mean(held, axis=0), strict=True):
            assert rate >= low - allowed(low, low, others=800), (name, n, rate)


# --- sections 21 and 22: several verdicts, pooled profiles, own corrections -------------------------


@pytest.mark.parametrize(
    ("methods", "some", "counted"), [(3, 0.087, 0.024), (6, 0.127, 0.028), (10, 0.207, 0.022)]
)
def test_several_verdicts(methods, some, counted):
    """Methods whose limit is at the margin, 30 athletes: some acceptable, alone and by Holm."""
    rng, hits = np.random.default_rng([17, methods]), np.zeros((1000, 2))
    bias, sd = 1.5, (D - 1.5) / Z  # one limit on the margin
    for k in range(1000):
        shared = rng.normal(size=(30, 1))
        d = bias + sd * (np.sqrt(0.2) * shared + np.sqrt(0.8) * rng.normal(size=(30, methods)))
        p = [p_acceptable(m, s, 30, D) for m, s in zip(d.mean(0), d.std(0, ddof=1), strict=True)]
        hits[k] = min(p) <= 0.025, holm(p).min() <= 0.025
    found = hits.mean(axis=0)
    assert found[0] <= some + allowed(0.0, some, runs=1000)
    assert found[1] <= counted + allowed(0.0, counted, runs=1000)


LAYOUTS = {
    "9 9 9 9": ((9, 9, 9, 9), ((0.963, 0.969), (0.958, 0.985), (0.963, 0.958), (0.948, 0.944))),
    "5 6 8 16": ((5, 6, 8, 16), ((0.983, 0.977), (0.946, 0.952), (0.956, 0.940), (0.948, 0.931))),
    "2 4 9 20": ((2, 4, 9, 20), ((0.983, 0.977), (0.975, 0.965), (0.969, 0.927), (0.958, 0.915))),
}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_pooled_profiles(layout):
    """120 studies: SD 3 in all profiles, or 5 to 2 from the smallest to the largest."""
    sizes, wanted = LAYOUTS[layout]
    rng = np.random.default_rng([19, sizes[0]])
    spreads = (np.full(4, 3.0), np.linspace(5, 2, 4))
    for tau, rates in zip((0.0, 1.0, 2.0, 4.0), wanted, strict=True):
        for spread, rate in zip(spreads, rates, strict=True):
            held, errors_of = [], []
            for _ in range(120):
                true = rng.normal(0, tau, 4)
                draws = [rng.normal(b, s, n) for b, s, n in zip(true, spread, sizes, strict=True)]
                mean = np.array([x.mean() for x in draws])
                found = pooled_profiles(mean, [x.std(ddof=1) for x in draws], sizes)
                held += [found.interval(g).contains(true[g]) for g in range(4)]
                errors_of.append([[found.bias(g) for g in range(4)] - true, mean - true])
            cell = (layout, tau, spread[0], np.mean(held))
            slack = allowed(rate, rate, runs=480, others=480)
            assert abs(np.mean(held) - rate) <= slack, cell
            pooled, raw = np.sqrt(np.mean(np.square(errors_of), axis=(0, 2)))
            assert pooled < raw or tau > 1, cell  # where profiles differ much, pooling costs


@pytest.mark.parametrize(
    ("lasting", "squad", "own", "covered"),
    [
        (0.0, (2.84, 2.80), (2.97, 2.85), (0.931, 0.934, 0.941, 0.952, 0.938)),
        (1.5, (3.27, 3.28), (3.14, 3.14), (0.944, 0.933, 0.946, 0.934, 0.956)),
        (3.0, (3.92, 4.11), (3.21, 3.26), (0.951, 0.953, 0.957, 0.956, 0.977)),
        (4.0, (4.57, 4.75), (3.25, 3.36), (0.966, 0.957, 0.958, 0.957, 0.954)),
    ],
)
def test_own_corrections(lasting, squad, own, covered):
    """Visit noise 2.8, 1 to 3 visits, at least 8 athletes twice; error of one later test."""
    rng = np.random.default_rng([21, int(10 * lasting)])
    for n, rate in zip((8, 10, 15, 20, 30), covered, strict=True):
        held, errors_of = [], []
        for _ in range(60):
            times = np.append(np.full(8, 2), rng.integers(1, 4, n - 8))
            who = np.repeat(np.arange(n), times)
            mine = 1.0 + rng.normal(0, lasting, n)
            d = mine[who] + rng.normal(0, 2.8, who.size)
            found = own_correction(d, who, field=np.full(who.size, 50.0))
            later = 50.0 - mine - rng.normal(0, 2.8, n)  # the laboratory at the next visit
            each = [found.of_athlete(k, 50.0) for k in range(6)]
            held += [o.low <= x <= o.high for o, x in zip(each, later, strict=False)]
            of_squad = 50.0 - np.bincount(who, d).sum() / who.size
            errors_of += [(of_squad - x, o.value - x) for o, x in zip(each, later, strict=False)]
        slack = allowed(rate, rate, runs=60 * 6, others=150 * 6)  # athletes of a study go together
        assert abs(np.mean(held) - rate) <= slack, (n, np.mean(held))
        if n in (10, 20):
            place = (10, 20).index(n)
            said = np.sqrt(np.mean(np.square(errors_of), axis=0))
            assert said == pytest.approx((squad[place], own[place]), abs=0.35), n
