"""Doubts about breath files. The shapes are those of an attack on this program."""

import numpy as np
import pytest
from turns import slowly

SECONDS = 600
HEAD = "t_s,vo2_ml_min,vco2_ml_min,speed_m_s,grade,phase"


def ramp(seed=1, mass=70.0, vo2max=50.0):
    """A running ramp of ten minutes: uptake follows the cost of work, the ratio rises to 1.15."""
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(1.6, 2.4, 300))
    share = t / t[-1]
    speed = 1.8 + share * ((vo2max - 3.5) / 0.2 / 60 - 1.8)  # 0.2 mL/kg per metre, 3.5 at rest
    vo2 = mass * (3.5 + 0.2 * 60 * speed) * (0.75 + 0.25 * np.minimum(1, t / 60))
    ratio = 0.86 + 0.29 * share**2
    vo2 = vo2 * rng.normal(1, 0.03, t.size)
    return {"t_s": t, "vo2_ml_min": vo2, "vco2_ml_min": vo2 * ratio, "speed_m_s": speed}


def text(test):
    rows = [HEAD]
    for t, vo2, vco2, speed in zip(*(test[name] for name in HEAD.split(",")[:4]), strict=True):
        rows.append(f"{t:.2f},{vo2:.0f},{vco2:.0f},{speed:.3f},0,exercise")
    return ("\n".join(rows) + "\n").encode()


def with_breaths(study, test, number=0):
    name = study.lab[number]["lab_test_id"]
    study.lab[number] |= {"mass_kg": 70.0, "vo2max_ml_kg_min": ""}
    study.files[f"breaths/{name}.csv"] = text(test)


def cut(test, keep):
    return {name: values[keep] for name, values in test.items()}


def swapped(test):
    return test | {"vo2_ml_min": test["vco2_ml_min"], "vco2_ml_min": test["vo2_ml_min"]}


def swapped_with_ventilation(test):
    return test | {"vco2_ml_min": test["vo2_ml_min"] * 2.4}


def twenty_breaths(test):
    return cut(test, slice(-20, None))


def two_thirds(test):
    return cut(test, test["t_s"] < test["t_s"][-1] * 2 / 3)


def leak(test):
    last = test["t_s"] > test["t_s"][-1] - 90
    factor = np.where(last, 0.8, 1.0)
    return test | {name: test[name] * factor for name in ("vo2_ml_min", "vco2_ml_min")}


def calibrated(factor):
    def spoil(test):
        return test | {name: test[name] * factor for name in ("vo2_ml_min", "vco2_ml_min")}

    spoil.__name__ = f"calibration_off_by_{factor:.2f}"
    return spoil


def one_value(test):
    return test | {"vo2_ml_min": np.full(300, 3500.0), "vco2_ml_min": np.full(300, 3900.0)}


SPOILT = [
    ("cost_of_work", one_value),
    ("gases_swapped", swapped),
    ("gases_swapped", swapped_with_ventilation),
    ("few_breaths", twenty_breaths),
    ("stopped_early", two_thirds),
    ("uptake_falls", leak),
    ("cost_of_work", calibrated(1.4)),
    ("cost_of_work", calibrated(1 / 1.6)),
]


@pytest.mark.parametrize(("code", "spoil"), SPOILT, ids=[s.__name__ for _, s in SPOILT])
def test_breaths_that_cannot_be_stop(code, spoil, sound, stops):
    for row in sound.lab[:2]:  # what else the first athlete's numbers say is not asked here
        row["vo2max_ml_kg_min"] = 50.0
    with_breaths(sound, spoil(ramp()))
    found = stops(sound)
    assert code in found
    assert "breaths/T000-0.csv" in found[code][0]


@pytest.mark.parametrize("seed", [0, 1, *slowly([2, 3, 4])])
def test_breaths_of_an_honest_ramp_pass(seed, sound, stops):
    with_breaths(sound, ramp(seed, vo2max=sound.lab[0]["vo2max_ml_kg_min"]))
    assert stops(sound) == {}


def test_breaths_at_the_times_of_another_test_stop(sound, stops):
    """A copy whose uptakes were multiplied and whose clock was moved."""
    for number, (factor, later) in enumerate([(1.0, 0), (1.03, 12.5)]):
        copy = calibrated(factor)(ramp()) | {"t_s": ramp()["t_s"] + later}
        with_breaths(sound, copy, 2 * number)
        sound.lab[2 * number + 1]["vo2max_ml_kg_min"] = 50.0
    found = stops(sound)
    assert "breaths/T001-0.csv" in found["same_breaths"][0]
    assert len(found["same_breaths"]) == 1


def test_the_same_breaths_under_several_tests_stop(sound, stops):
    for number in (0, 2, 4):
        with_breaths(sound, ramp(), number)
        sound.lab[number + 1]["vo2max_ml_kg_min"] = 50.0
    found = stops(sound)
    assert "breaths/T001-0.csv" in found["same_breaths"][0]
    assert "and of 1 more file" in found["same_breaths"][0]
    sound.toml["confirm"] = "".join(
        f'{code} = {{ reason = "A trial", on = 2026-06-01 }}\n' for code in found
    )
    assert "same_breaths" not in stops(sound)
