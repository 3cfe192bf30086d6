"""
What steady work costs an athlete: running economy, cycling efficiency, and the error they lead to.

Of a test's long stages (last minute each) below 90 % of its VO2max. Efficiency also needs carbon dioxide,
with a respiratory exchange ratio of at most 1: above it uptake no longer tells the energy [3]_.

References
----------
.. [1] Lusk, G. Analysis of the oxidation of mixtures of carbohydrate and fat. J Biol Chem 59:41-42, 1924
       (ends of the table from memory; a line of it read second-hand: 4.751 kcal/L at 0.76). Other
       equations give other efficiencies, not less reliable ones (Int J Sports Physiol Perform 2019,
       abstract read).
.. [2] Moseley, L., Jeukendrup, A. E. The reliability of cycling efficiency. Med Sci Sports Exerc
       33:621-627, 2001 (abstract read): gross and delta efficiency.
.. [3] Hopker, J. G. et al. Int J Sports Med, 2012, doi 10.1055/s-0032-1306285 (abstract read): stages of
       3 minutes give what stages of 6 minutes give, a ratio of at most 1.
"""

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from agreement.physiology.arrays import FloatArray
from agreement.physiology.stage_splits import SUBMAXIMAL

FAT, CARBOHYDRATE = (0.707, 4.686), (1.0, 5.047)  # exchange ratio, kcal per litre of oxygen [1]
J_PER_KCAL: Final = 4184.0
HIGHEST_RATIO: Final = 1.0  # [3]
STEEPEST: Final = (
    0.02  # grade up to which running economy is comparable; the authors' choice, no source
)
FEWEST_FOR_DELTA: Final = 3
SAME_DAY, ANOTHER_DAY = "same_day", "another_day"  # when the stages were, beside VO2max
COLUMNS: Final = [
    *("lab_test_id", "mode", "n_stages", "economy", "gross_efficiency", "delta_efficiency"),
    *("cost_ratio", "stages_of"),
]


def energy_w(vo2_ml_min: ArrayLike, ratio: ArrayLike) -> FloatArray:
    """
    Energy that steady oxygen uptake sets free, by its respiratory exchange ratio [1]_.

    vo2_ml_min: [mL/min]
    ratio: carbon dioxide output over oxygen uptake, at most 1; below 0.707 fat alone. [-]
    Returns: [W]

    .. [1] Lusk, G. J Biol Chem 59:41-42, 1924 (line between the ends of its table, protein left out).

    >>> (energy_w(1000, 0.76) * 60 / 4184).round(3).item()  # kcal per litre
    4.751
    """
    (low, fat), (high, carbohydrate) = FAT, CARBOHYDRATE
    kcal_l = np.interp(np.asarray(ratio, dtype=np.float64), [low, high], [fat, carbohydrate])
    return np.asarray(np.asarray(vo2_ml_min, dtype=np.float64) / 1000 * kcal_l * J_PER_KCAL / 60)


def economy(
    stages: pd.DataFrame, laboratory: pd.DataFrame, *, stages_of: str = SAME_DAY
) -> pd.DataFrame:
    """
    Return economy and efficiency of each test with steady stages.

    stages: `agreement.physiology.breath_tests.STAGE_COLUMNS`.
    laboratory: lab_test_id, lab [mL/kg/min].
    stages_of: when they were, {"same_day", "another_day"} than VO2max.
    Returns: `COLUMNS`, one row per test and mode. economy: uptake per distance of running or
        walking on at most 2 % grade [mL/kg/km]. gross_efficiency: mean of power over energy;
        delta_efficiency: reciprocal of the slope of energy on power over three
        stages or more [2]_ [%]. cost_ratio:
        measured uptake over that of the cost equation, mean of the stages [-]. NaN where something
        was not recorded.
    """
    known = stages.merge(laboratory[["lab_test_id", "lab"]].astype({"lab_test_id": "str"}))
    known = known[known["vo2"] <= SUBMAXIMAL * known["lab"]]
    rows = []
    for (name, mode), own in known.groupby(["lab_test_id", "mode"], sort=True):
        level = own[(own["grade"].fillna(0.0).abs() <= STEEPEST) & (own["speed_m_s"] > 0)]
        per_km = (level["vo2"] / (0.06 * level["speed_m_s"])).mean() if mode != "cycle" else np.nan
        ratio = own["vco2_ml_min"] / (own["vo2"] * own["mass_kg"])
        aerobic = own[(ratio <= HIGHEST_RATIO) & (own["power_w"] > 0)]
        energy = energy_w(aerobic["vo2"] * aerobic["mass_kg"], ratio[aerobic.index])
        power = aerobic["power_w"].to_numpy(dtype=np.float64)
        gross, delta = (100 * power / energy).mean() if power.size else np.nan, np.nan
        if power.size >= FEWEST_FOR_DELTA and np.ptp(power) > 0:
            slope = float(np.polyfit(power, energy, 1)[0])
            delta = 100 / slope if slope > 0 else np.nan
        cost = (own["vo2"] / own["cost"]).mean()
        rows.append((name, mode, len(own), per_km, gross, delta, cost, stages_of))
    return pd.DataFrame(rows, columns=COLUMNS)


def expected_errors(economies: pd.DataFrame, pairs: pd.DataFrame) -> pd.DataFrame:
    """
    Return the error that an athlete's own cost of work leads an estimate from work rate to.

    economies: `COLUMNS`.
    Returns: athlete_id, lab_test_id, method, mode, difference, cost_ratio, stages_of, expected, rest
        (what of the difference is left): of pairs whose test has stages in the mode of the estimate.
        An athlete whose work costs the share r of what an equation says reaches VO2max at a work rate
        that costs VO2max / r by it: expected = lab (1/r - 1), field minus laboratory. [mL/kg/min]

    An analyser that reads a share g too high on the day of both VO2max and stages makes r too high by g,
    so expected and difference both fall by g times VO2max, whatever work costs the athlete.
    """
    names = ["athlete_id", "lab_test_id", "method", "mode", "difference", "lab"]
    costs = ["lab_test_id", "mode", "cost_ratio", "stages_of"]
    known = economies.loc[economies["cost_ratio"].notna(), costs]
    both = pairs[names].astype({"lab_test_id": "str"}).merge(known, on=["lab_test_id", "mode"])
    expected = both["lab"] * (1 / both["cost_ratio"] - 1)
    return both.assign(expected=expected, rest=both["difference"] - expected).drop(columns="lab")
