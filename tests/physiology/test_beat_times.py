"""Times at each heart rate keep every second of every session, whatever order files come in."""

import numpy as np
import pytest

from agreement.physiology.session_records import (
    HIGHEST_BPM,
    SESSIONS_AT_ONCE,
    beat_times,
    times_in_order,
)


@pytest.mark.parametrize("sessions", [0, 1, SESSIONS_AT_ONCE, SESSIONS_AT_ONCE + 3])
def test_sessions_read_in_any_order_come_back_whole(sessions):
    rng = np.random.default_rng(4)
    table = rng.uniform(0.1, 900, (sessions, HIGHEST_BPM + 1)).astype(np.float32)
    table[rng.random(table.shape) < 0.9] = 0
    table[::5] = 0  # no heart rate at all
    read = rng.permutation(sessions)[: sessions - sessions // 7]  # the others have no samples
    parts = [(at, beat_times(table[at])) for at in np.array_split(read, 3)]
    found = np.zeros_like(table)
    for some, seconds in times_in_order(parts, sessions).blocks():
        assert len(seconds) <= SESSIONS_AT_ONCE
        found[some] = seconds
    unread = np.setdiff1d(np.arange(sessions), read)
    assert not found[unread].any()
    np.testing.assert_array_equal(found[read], table[read])


def test_a_session_at_every_heart_rate_is_no_exception():
    full = np.arange(1, HIGHEST_BPM + 2, dtype=np.float32)[None, :]
    ((some, seconds),) = beat_times(full).blocks()
    assert (some.start, some.stop) == (0, 1)
    np.testing.assert_array_equal(seconds, full)
