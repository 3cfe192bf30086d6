"""Budget and curve find what a cohort was made of, in at least 90 of 100 seeded cohorts."""

from functools import cache
from itertools import permutations

import numpy as np
import pytest
from simulate.known_parts import DailyParts, simulate_daily

from agreement.stats.causes.budget import COMPONENTS, budget_of
from agreement.stats.repeats.averaging_curve import averaging_curve_of
from agreement.stats.results_table import method_data

Z = 1.959963984540054
CAUSES = {
    "share_repeated": 0.5,
    "profiles": {"low": -2.0, "mixed": 0.0, "high": 2.0},
    "mass_slope": -0.4,
    "hr_max_slope": 0.15,
    "strap_effect": 2.0,
}


def share_kept(days, rho):
    return (1 + 2 * sum((1 - k / days) * rho**k for k in range(1, days))) / days


class Population:
    """
    The budget of endlessly many athletes, from the covariances of what a cohort is drawn from.

    Written as one covariance matrix of independent draws: mass, HRmax, strap, dummies of the
    profiles, truth, athlete, and for each visit its own part, the day noise that the visit's mean
    keeps, and the laboratory's noise. Every column and the difference are linear in these.

    Level is no column: it is what the slope of the field on the truth adds, and 0 without one.
    """

    def __init__(self, p):
        labels, v = sorted(p.profiles), p.visits
        effects = [p.profiles[label] for label in labels]
        k = len(labels) - 1
        lab = p.sd_laboratory**2 * (1 - p.share_repeated / 2)
        day = p.sd_day**2 * share_kept(p.days, p.rho)
        first = 5 + k  # of the parts of visits
        spread = [p.mass_sd**2, p.hr_max_sd**2, 0.25, *[0.0] * k, p.truth_sd**2, p.sd_athlete**2]
        self.covariance = np.diag(spread + [p.sd_visit**2, day, lab] * v)
        of_label = np.eye(k) / (k + 1) - 1 / (k + 1) ** 2
        self.covariance[3 : 3 + k, 3 : 3 + k] = of_label
        lasting = np.zeros(len(self.covariance))
        lasting[:3] = p.mass_slope, p.hr_max_slope, p.strap_effect
        lasting[3 : 3 + k] = np.subtract(effects[1:], effects[0])
        lasting[3 + k], lasting[4 + k] = p.level_slope, 1.0
        self.difference = lasting.copy()
        self.difference[first : first + 3] = 1.0, 1.0, -1.0
        self.level = (p.level_slope * p.truth_sd) ** 2
        one = np.eye(len(self.covariance))
        self.columns = {
            "profile_inputs": one[:2],
            "sensor": one[2:3],
            "training_profile": one[3 : 3 + k],
        }
        self.noise = {"day_to_day": p.sd_day**2, "laboratory_repeat": lab}
        self.lasting_variance = self.difference @ self.covariance @ self.difference - day

    def explained(self, blocks):
        if not blocks:
            return 0.0
        x = np.concatenate([self.columns[name] for name in blocks])
        xy = x @ self.covariance @ self.difference
        r2 = xy @ np.linalg.solve(x @ self.covariance @ x.T, xy)
        return r2 / (self.difference @ self.covariance @ self.difference)

    def budget(self):
        orders = list(permutations(self.columns))
        parts = dict.fromkeys(self.columns, 0.0)
        for order in orders:
            for k, name in enumerate(order):
                rise = self.explained(order[: k + 1]) - self.explained(order[:k])
                parts[name] += rise * self.lasting_variance / len(orders)
        parts["level"] = self.level
        rest = self.lasting_variance - sum(parts.values()) - self.noise["laboratory_repeat"]
        total = self.lasting_variance + self.noise["day_to_day"]
        return {"total": total, **parts, **self.noise, "persistent_rest": rest}


@cache
def budgets(**more):
    parts = DailyParts(n_athletes=60, **CAUSES, **more)
    cohorts = (simulate_daily(parts, rng=seed) for seed in range(100))
    return parts, [budget_of(*method_data(cohort)) for cohort in cohorts]


def held(found, truth):
    """In how many cohorts each interval holds the truth."""
    count = {}
    for name in truth:
        parts = [one.total if name == "total" else one.components[name] for one in found]
        count[name] = sum(part.interval.contains(truth[name]) for part in parts)
    return count


def test_population_is_that_of_a_huge_cohort():
    parts = DailyParts(n_athletes=4000, days=3, level_slope=-0.2, sd_visit=1.0, **CAUSES)
    (data,) = method_data(simulate_daily(parts, rng=1))
    truth = Population(parts).budget()
    pairs = data.pairs
    assert pairs["difference"].var() == pytest.approx(
        truth["total"] - parts.sd_day**2 * (1 - share_kept(3, 0.0)), rel=0.05
    )
    expected = Population(parts).explained(("sensor",)) ** 0.5
    strap = pairs["sensor"] == "chest_strap"
    assert np.corrcoef(strap, pairs["difference"])[0, 1] == pytest.approx(expected, abs=0.04)


@pytest.mark.slow
@pytest.mark.parametrize("more", [{}, {"level_slope": -0.25}], ids=["no level", "level"])
def test_known_parts_are_recovered(more):
    parts, found = budgets(**more)
    count = held(found, Population(parts).budget())
    assert set(count) == {"total", *COMPONENTS}
    assert min(count.values()) >= 90, count


@pytest.mark.slow
def test_the_drawn_variances_are_recovered():
    parts, found = budgets()
    count = held(found, parts.variances())
    assert min(count.values()) >= 90, count


@pytest.mark.slow
def test_the_known_curve_is_recovered():
    parts = DailyParts(n_athletes=60, days=7, rho=0.4)
    truth = parts.variances()
    lasting, noise = truth["total"] - truth["day_to_day"], truth["day_to_day"]
    expected = [Z * np.sqrt(lasting + noise * share_kept(m, 0.4)) for m in range(1, 15)]
    count = np.zeros(14)
    for seed in range(100):
        (found,) = method_data(simulate_daily(parts, rng=seed))
        points = averaging_curve_of(found).fitted
        count += [p.interval.contains(e) for p, e in zip(points, expected, strict=True)]
    assert count.min() >= 90, count
