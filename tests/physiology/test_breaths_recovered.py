"""
Simulated breath tests with a known VO2max: every averaging rule gives it back within its own noise.

A ramp of ten minutes ends in two minutes at VO2max; each breath is off by 7 % (the spread of breaths in
open ramp tests is of this size, computed). A rule takes the highest of several windows, so it reads up to
three of its own standard errors high; that is its noise and no fault. What a test can do to breaths: a cough
doubles one, a swallow takes from one and gives to the next, talking shortens some and deepens others, a
leak loses a quarter of several, and a mask off the face loses half a minute.
"""

from functools import cache

import numpy as np
import pandas as pd
import pytest
from turns import slowly

from agreement.physiology.averaging import COMPARED_RULES, averaging_rule, vo2max_under_rules
from agreement.physiology.breath_editing import edited_breaths

VO2MAX, MASS, BREATH_SD, BREATH_S = 55.0, 70.0, 0.07, 1.6
TESTS = 40


def clean_test(rng):
    """Return breath times [s] and uptake [mL/min] of one test, the truth and symmetric noise."""
    times = np.cumsum(rng.uniform(0.75, 1.25, 460) * BREATH_S)
    share = np.minimum(0.35 + 0.65 * times / 600, 1.0)
    return times, VO2MAX * MASS * share * (1 + rng.normal(0, BREATH_SD, times.size))


def cough(times, vo2, rng):
    hit = rng.random(vo2.size) < 0.008
    return times, np.where(hit, vo2 * rng.uniform(1.6, 2.1, vo2.size), vo2)


def swallow(times, vo2, rng):
    at = rng.choice(np.arange(5, vo2.size - 5), 4, replace=False)
    vo2 = vo2.copy()
    vo2[at + 1] += 0.7 * vo2[at]
    vo2[at] *= 0.3
    return times, vo2


def talk(times, vo2, rng):
    vo2 = vo2.copy()
    for start in rng.integers(20, vo2.size - 40, 2):
        said = slice(start, start + 8)
        vo2[said] *= np.tile([0.55, 1.45], 4)  # short and deep in turn; the mean is kept
    return times, vo2


def leak(times, vo2, rng):
    vo2 = vo2.copy()
    start = rng.integers(20, vo2.size - 120)  # before the plateau: a leak there hides the maximum
    vo2[start : start + 6] *= 0.75
    return times, vo2


def mask_off(times, vo2, rng):
    start = rng.uniform(60, 450)
    kept = (times < start) | (times > start + 30)
    return times[kept], vo2[kept]


def own_noise(rule):
    """Return the standard error of one window under a rule. [mL/kg/min]."""
    taken = averaging_rule(rule)
    breaths = taken.kept if taken.unit == "breaths" else taken.size / BREATH_S
    return VO2MAX * BREATH_SD / np.sqrt(breaths)


@cache
def mean_errors(spoil, *, edit):
    """Return the mean error of each rule over many tests. [mL/kg/min]."""
    rng = np.random.default_rng(11)
    found = []
    for _ in range(TESTS):
        times, vo2 = clean_test(rng)
        if spoil is not None:
            times, vo2 = spoil(times, vo2, rng)
        frame = pd.DataFrame({"t_s": times, "vo2_ml_min": vo2, "phase": None})
        cut = edited_breaths(frame.astype({"phase": "str"}), mass_kg=MASS)
        t, v = (cut.breaths[name].to_numpy(dtype=np.float64) for name in ("t_s", "vo2_ml_min"))
        found.append(vo2max_under_rules(t, np.where(cut.out(edit=edit), np.nan, v)))
    return pd.DataFrame(found).mean() / MASS - VO2MAX


@pytest.mark.parametrize(
    ("spoil", "edit"),
    [
        *((None, edit) for edit in (False, True)),
        *((spoil, True) for spoil in (swallow, leak, mask_off, talk, cough)),
        (cough, False),
        *slowly((spoil, False) for spoil in (swallow, leak, mask_off, talk)),
    ],
)
def test_every_rule_gives_vo2max_back_within_its_own_noise(spoil, edit):
    errors = mean_errors(spoil, edit=edit)
    highest = 3.0 if edit else 3.5  # coughs, talk and swallows left in widen the noise itself
    for rule in COMPARED_RULES:
        noise = own_noise(rule)
        assert 0 < errors[rule] < highest * noise, (rule, errors[rule] / noise)


@pytest.mark.parametrize("spoil", [swallow, leak, mask_off, cough])
def test_edited_tests_read_as_if_nothing_had_happened(spoil):
    changed = mean_errors(spoil, edit=True) - mean_errors(None, edit=True)
    for rule in COMPARED_RULES:
        assert abs(changed[rule]) < 0.4 * own_noise(rule), (rule, changed[rule])


def test_unedited_coughs_raise_short_windows_most():
    clean, coughed = mean_errors(None, edit=False), mean_errors(cough, edit=False)
    raised = coughed - clean
    assert raised["moving 5 breaths"] > 1
    assert raised["moving 5 breaths"] > 3 * raised["moving 60 s"] > 0
