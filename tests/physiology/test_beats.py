"""Records by single beats: an odd beat is no change of sensor, and a lasting step still is one."""

import numpy as np
import pytest

from agreement.physiology.session_samples import clean_heart_rate


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


GOALS = {
    "steady": lambda t: np.full(t.size, 145.0),
    "intervals": lambda t: np.where(t % 360 < 180, 172.0, 118.0),
    "short intervals": lambda t: np.where(t % 60 < 30, 178.0, 130.0),
    "up and down": lambda t: 130 + 35 * np.sin(t / 90),
}


def session(rng, goal, minutes=40):
    """Beats of a heart that follows its goal in half a minute, unsteady from beat to beat."""
    t = np.arange(60.0 * minutes)
    rate, now = np.empty(t.size), 90.0
    for i, aim in enumerate(GOALS[goal](t)):
        now += (aim - now) / (25 if aim > now else 35)
        rate[i] = now
    times, unsteady = [0.0], 0.0
    while times[-1] < t[-1] - 3:
        unsteady = 0.6 * unsteady + rng.normal(0, 2)
        times.append(times[-1] + 60 / (rate[int(times[-1])] + unsteady))
    return np.array(times[1:]), 60 / np.diff(times)


def refused(rng, goal, spoil, sessions):
    """Return the share of sessions with a change of sensor."""
    found = []
    for _ in range(sessions):
        t, hr = session(rng, goal)
        spoil(hr, rng.integers(400, hr.size - 400))
        found.append(np.isfinite(clean_heart_rate(t, hr).step_at_s))
    return np.mean(found)


def one_odd(odd):
    def spoil(hr, at):
        hr[at : at + len(odd)] *= odd

    return spoil


@pytest.mark.parametrize("odd", ["missed", "early, and smoothed by the device"])
def test_an_odd_beat_among_intervals_is_no_change_of_sensor(odd):
    # where an interval begins heart rate rises by itself: the half minutes around differ
    assert refused(np.random.default_rng(3), "intervals", one_odd(ODD[odd]), 20) == 0


@pytest.mark.slow
@pytest.mark.parametrize("odd", ODD.values(), ids=ODD)
@pytest.mark.parametrize("goal", GOALS)
def test_no_session_is_refused_for_one_odd_beat(goal, odd):
    assert refused(np.random.default_rng(4), goal, one_odd(odd), 100) == 0


@pytest.mark.slow
@pytest.mark.parametrize("goal", GOALS)
def test_a_real_change_of_sensor_is_found_in_most_sessions(goal):
    def spoil(hr, at):
        hr[at:] += 30.0

    assert refused(np.random.default_rng(5), goal, spoil, 100) >= (1 if goal == "steady" else 0.75)
