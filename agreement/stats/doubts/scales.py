"""Two units in one column: numbers of one person a known factor apart."""

from typing import Final

import numpy as np
import pandas as pd

from agreement.stats.doubts.odd_columns import Odd, odd

# mL/kg/min in a metabolic equivalent, pounds in a kilogram (NIST SP 811: 1 lb = 0.453 592 37 kg)
MET_BAND: Final = (2.8, 4.4)  # of the ratio 3.5
SIDES: Final = {"low": (1 / MET_BAND[1], 1 / MET_BAND[0]), "high": MET_BAND}
POUND_BAND: Final = (2.05, 2.36)  # of the ratio 2.2046
FEWEST_ROWS, LEAST_SHARE = 3, 0.05
FEWEST_PEOPLE: Final = 2
HEAVY_KG, HEAVY_SHARE, HEAVY_FEWEST = 130.0, 0.2, 5


def uptake_counts(estimates: pd.DataFrame, laboratory: pd.DataFrame) -> pd.DataFrame:
    """
    Count, by method, values a 3.5th of the same person's laboratory value and 3.5 times it.

    estimates: athlete_id, method, field [mL/kg/min]; field estimates alone.
    laboratory: athlete_id, lab [mL/kg/min]: all tests of these people.
    Returns: sums that add up over different people: known ratios, and of each side the count, the
        ratios and the laboratory values; index method.
    """
    own = laboratory.groupby("athlete_id")["lab"].median()
    lab = estimates["athlete_id"].map(own).to_numpy(np.float64)
    ratio = estimates["field"].to_numpy(np.float64) / lab
    method, names = pd.factorize(estimates["method"])
    sums = {"known": np.bincount(method[np.isfinite(ratio)], minlength=len(names))}
    for side, (least, most) in SIDES.items():
        hit = np.flatnonzero((ratio > least) & (ratio < most))
        weights = {"": None, "_ratio": ratio[hit], "_lab": lab[hit]}
        for name, of in weights.items():
            sums[side + name] = np.bincount(method[hit], of, len(names))
    return pd.DataFrame(sums, index=names.astype("str"))


def mixed_uptakes(counts: pd.DataFrame, laboratory: pd.DataFrame) -> list[Odd]:
    """
    Find VO2max values that are 3.5 times the same person's on the other side, or a 3.5th of it.

    counts: of `uptake_counts`.
    laboratory: lab [mL/kg/min], of everybody.
    """
    middle = float(laboratory["lab"].median())
    found = []
    for method, of in counts.sort_index().iterrows():
        for side in SIDES:
            count = int(of[side])
            if count >= FEWEST_ROWS and count >= LEAST_SHARE * of["known"]:
                # the side that is off is the one far from everybody's laboratory values
                off = side == "high" and of["high_lab"] / count < 0.6 * middle
                table = "lab_tests" if off else "field_estimates"
                told = {"n": int(of["known"]), "ratio": of[f"{side}_ratio"] / count}
                mixed = odd("mets_mixed", count=count, method=method, **told)
                found.append(mixed._replace(table=table, column="vo2max_ml_kg_min"))
    return found


def mixed_masses(
    athletes: pd.DataFrame, laboratory: pd.DataFrame, estimates: pd.DataFrame
) -> list[Odd]:
    """
    Find masses that are 2.2 times another mass of the same person, as pounds are.

    athletes, laboratory: athlete_id, mass_kg.
    estimates: athlete_id, set_mass_kg.
    """
    places = {
        ("athletes", "mass_kg"): athletes,
        ("lab_tests", "mass_kg"): laboratory,
        ("field_estimates", "set_mass_kg"): estimates,
    }
    each = {
        place: frame[["athlete_id", place[1]]].dropna().groupby("athlete_id")[place[1]]
        for place, frame in places.items()
    }
    lowest = pd.concat([masses.min() for masses in each.values()]).groupby(level=0).min()
    found = []
    for place, masses in each.items():
        ratio = (masses.max() / lowest).dropna()
        hit = ratio[ratio.between(*POUND_BAND)]
        if len(hit) >= FEWEST_PEOPLE:
            counts = {"count": len(hit), "n": len(ratio)}
            mixed = odd("pounds_mixed", **counts, ratio=hit.median(), first=hit.index[0])
            found.append(mixed._replace(table=place[0], column=place[1]))
    mass = laboratory["mass_kg"].dropna()
    heavy = mass[mass > HEAVY_KG]
    if not found and len(mass) >= HEAVY_FEWEST and len(heavy) >= HEAVY_SHARE * len(mass):
        counts = {"count": len(heavy), "n": len(mass)}
        mixed = odd("pounds_among_kilograms", **counts, limit=HEAVY_KG, highest=heavy.max())
        found.append(mixed._replace(table="lab_tests", column="mass_kg"))
    return found
