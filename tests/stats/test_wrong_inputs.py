"""Which inputs of an estimator are known to be wrong; thresholds are common practice, no source."""

import numpy as np
import pandas as pd
import pytest

from agreement.stats.causes.wrong_inputs import wrong_hr_max, wrong_inputs, wrong_mass


def pairs(mass=np.nan, heart=np.nan, confirmed="yes"):
    return pd.DataFrame(
        {"mass_mismatch_pct": [mass], "hr_max_mismatch_bpm": [heart], "max_confirmed": [confirmed]}
    )


@pytest.mark.parametrize(
    ("mass", "wrong"),
    [(2.1, True), (-2.1, True), (100 * (71.4 - 70) / 70, False), (0.0, False), (np.nan, False)],
)
def test_mass_beyond_two_per_cent_is_wrong(mass, wrong):
    given = pairs(mass=mass)
    assert wrong_mass(given).tolist() == wrong_inputs(given).tolist() == [wrong]


@pytest.mark.parametrize(
    ("heart", "confirmed", "wrong"),
    [
        (6.0, "yes", True),
        (5.0, "yes", False),
        (6.0, "unknown", True),
        (6.0, "no", False),  # the test may have ended before the maximum
        (-6.0, "no", True),  # but the heart did beat faster than the device was told
        (np.nan, "yes", False),
    ],
)
def test_a_peak_that_is_no_maximum_shows_nothing_wrong_with_a_higher_one(heart, confirmed, wrong):
    given = pairs(heart=heart, confirmed=confirmed)
    assert wrong_hr_max(given).tolist() == wrong_inputs(given).tolist() == [wrong]
