"""Records by single beats: an odd beat is no change of sensor, and a lasting step still is one."""

import numpy as np
import pytest

from agreement.physiology.heart_rate_cleaning import clean_heart_rate


def beats(rng, minutes=30):
    """Return times and heart rates of an invented run, one for each beat, 120 to 170 bpm."""
    rate = (
        120 + 50 * np.sin(np.linspace(0, np.pi, minutes * 150)) + rng.normal(0, 1.5, minutes * 150)
    )
    return np.cumsum(60 / rate), rate


ODD = {
    "early, then late": [1.35, 0.78],
    "missed": [0.5],
    "twice counted": [2.0],
    "early, and smoothed by the device": [1.22, 1.16, 1.11, 1.07, 1.04],
    "late, and smoothed by the device": [0.8, 0.85, 0.9, 0.94, 0.97],
}


@pytest.mark.parametrize("odd", ODD.values(), ids=ODD)
def test_an_odd_beat_is_no_change_of_sensor(odd):
    rng = np.random.default_rng(18)
    for _ in range(10):
        t, hr = beats(rng)
        at = rng.integers(200, hr.size - 200)
        hr[at : at + len(odd)] *= odd
        found = clean_heart_rate(t, hr)
        assert np.isnan(found.step_at_s)
        assert found.valid.mean() > 0.995


def test_odd_beats_at_the_ends_leave_alone():
    t, hr = beats(np.random.default_rng(1))
    hr[[0, -1]] *= 0.5
    found = clean_heart_rate(t, hr)
    assert np.flatnonzero(~found.valid).tolist() == [0, hr.size - 1]


def test_a_step_that_lasts_is_still_found_beat_by_beat():
    t, hr = beats(np.random.default_rng(2))
    hr[2000:] -= 30.0
    assert clean_heart_rate(t, hr).step_at_s == pytest.approx(t[2000], abs=5)
