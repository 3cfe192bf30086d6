"""The upper tail of the studentized range: printed points, and scipy's adaptive integration."""

import numpy as np
import pytest
from scipy import stats

from agreement.stats.basics.welch import studentized_range_sf


@pytest.mark.parametrize(
    ("q", "k", "df", "tail"),
    [
        # upper percentage points as tables print them, to two digits after the point (memory)
        (3.58, 3, 20, 0.05),
        (4.89, 5, 8, 0.05),
        (5.27, 3, 10, 0.01),
        (3.74, 4, 60, 0.05),
        (6.99, 10, 5, 0.05),
    ],
)
def test_printed_points(q, k, df, tail):
    above, below = studentized_range_sf([q - 0.005, q + 0.005], k, df)
    assert above >= tail >= below


@pytest.mark.parametrize("k", [2, 3, 5, 9])
@pytest.mark.parametrize("df", [2.0, 4.3, 11.0, 40.5, 260.0])
def test_it_is_scipy_s(k, df):
    q = np.array([0.02, 1.0, 3.5, 6.5, 15.0])
    exact = stats.studentized_range.sf(q, k, df)
    np.testing.assert_allclose(studentized_range_sf(q, k, df), exact, rtol=0, atol=1e-12)
