"""A ramp test with known thresholds, breath by breath."""

import numpy as np
import pandas as pd

MASS, VT1, VT2, VO2MAX = 70.0, 32.0, 46.0, 56.0


def ramp(seed, *, noise=0.06, vt1=VT1, vt2=VT2, minutes=10, first_slope=0.92, second_slope=1.25):
    """Uptake rises evenly; breaths differ in size (all gases alike) and each gas a little by itself."""
    rng = np.random.default_rng(seed)
    gaps = 60 / np.linspace(20, 45, 40 * minutes) * (1 + rng.normal(0, 0.1, 40 * minutes))
    t = np.cumsum(gaps)
    t = t[t < 60 * minutes]
    vo2 = MASS * (15 + (VO2MAX - 15) * t / (60 * minutes))
    o2 = {"vt1": MASS * vt1, "vt2": MASS * vt2}
    vco2 = 0.8 * vo2[0] + first_slope * (vo2 - vo2[0])
    vco2 += (second_slope - first_slope) * np.maximum(vo2 - o2["vt1"], 0)
    top = np.interp(o2["vt2"], vo2, vco2)
    ve = 5 + 0.024 * vco2 + 0.016 * np.maximum(vco2 - top, 0)
    size = 1 + rng.normal(0, noise, t.size)
    own = [1 + rng.normal(0, 0.02, t.size) for _ in range(3)]
    return pd.DataFrame(
        {
            "t_s": t,
            "vo2_ml_min": vo2 * size * own[0],
            "vco2_ml_min": vco2 * size * own[1],
            "ve_l_min": ve * size * own[2],
            "hr_bpm": 80 + 2 * (vo2 / MASS) + rng.normal(0, 1, t.size),
            "phase": "exercise",
        }
    )
