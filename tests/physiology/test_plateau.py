import numpy as np
import pytest

from agreement.physiology.stages import last_step

MASS = 70.0


def staged(uptakes, costs, *, stage_s=180, noise=0.0, seed=1):
    """Return breaths every 2 s: stages of these uptakes [mL/min] and costs [mL/kg/min]."""
    per = stage_s // 2
    t = 2.0 * np.arange(per * len(uptakes))
    vo2 = np.repeat(np.asarray(uptakes, float), per)
    vo2 += noise * np.random.default_rng(seed).standard_normal(vo2.size)
    return t, vo2, np.repeat(np.asarray(costs, float), per)


# Taylor, Buskirk, Henschel 1955 (memory): at most 150 mL/min more for steps of 2.5 % at 7 mph, which
# cost 0.9 x 187.8 x 0.025 = 4.2 mL/kg/min, at 70 kg 296 mL/min (cost equation: read).
@pytest.mark.parametrize(("rise", "plateau"), [(60, "yes"), (147, "yes"), (149, "no"), (290, "no")])
def test_the_last_step_of_long_stages(rise, plateau):
    step = last_step(*staged([3000, 3300, 3300 + rise], [43, 47.2, 51.43]), mass_kg=MASS)
    assert step.rise == pytest.approx(rise)
    assert step.expected == pytest.approx(4.23 * 70)
    assert step.criterion == pytest.approx(148.05)  # half of a step that costs less than 300
    assert step.plateau == plateau


def test_a_large_step_is_judged_by_150():
    step = last_step(*staged([3000, 3160], [40, 50]), mass_kg=MASS)
    assert (step.criterion, step.plateau) == (150, "no")


def test_noisy_breaths_decide_nothing():
    step = last_step(*staged([3000, 3000], [43, 47.2], noise=600), mass_kg=MASS)
    assert step.plateau == "unknown"
    # the error is that of the difference of two means of 30 breaths
    assert step.standard_error == pytest.approx(600 * np.sqrt(2 / 30), rel=0.2)


@pytest.mark.parametrize(
    "breaths",
    [
        staged([3000, 3300, 3350], [43, 47, 51], stage_s=60),  # short stages
        staged([3300, 3000], [47, 43]),  # the last stage is the easier one
        staged([3000], [43]),
        (2.0 * np.arange(300), np.linspace(1000, 3500, 300), np.linspace(15, 50, 300)),  # a ramp
        (2.0 * np.arange(300), np.linspace(1000, 3500, 300), np.full(300, np.nan)),  # unknown work
    ],
)
def test_ramps_and_short_stages_are_not_judged(breaths):
    assert last_step(*breaths, mass_kg=MASS) is None
