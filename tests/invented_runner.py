"""A person who runs on a straight line of heart rate on oxygen uptake, and records of steady runs."""

import numpy as np
import pandas as pd

HR_MAX, START, PER_VO2 = 190.0, 60.0, 2.5  # heart rate 60 + 2.5 VO2: 52 mL/kg/min at the maximum
SPEEDS = (9.5, 10.0, 10.5, 11.0, 11.5, 12.0)  # km/h; level running costs 3.5 + 0.2 x m/min


def heart_rate(speed):
    """Return the heart rate at a level running speed [km/h]."""
    return START + PER_VO2 * (3.5 + 0.2 * speed * 1000 / 60)


def steady_run(speed, seed, minutes=22):
    """Return samples every 5 s of a level run, with the small unrest of a real heart."""
    rng = np.random.default_rng(seed)
    n = minutes * 12
    return pd.DataFrame(
        {
            "t_s": 5.0 * np.arange(n),
            "hr_bpm": np.rint(heart_rate(speed) + rng.normal(0, 1, n)),
            "speed_m_s": np.round(speed / 3.6 + rng.normal(0, 0.05, n), 3),
            "grade": 0.0,
        }
    )
