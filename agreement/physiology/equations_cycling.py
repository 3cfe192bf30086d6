"""Field-test equations for cycling."""

from dataclasses import replace
from typing import Final

import numpy as np

from agreement.physiology.arrays import FloatArray
from agreement.physiology.protocol import FieldProtocol, Inputs, Valid
from agreement.physiology.work_rate import KG_M_MIN_PER_WATT

# Multiplies the 1954 estimate; Astrand 1960 (memory). Between the ages it is interpolated.
AGE_FACTOR_YEARS: Final = (15.0, 25.0, 35.0, 40.0, 45.0, 50.0, 55.0, 60.0, 65.0)
AGE_FACTORS: Final = (1.10, 1.00, 0.87, 0.83, 0.78, 0.75, 0.71, 0.68, 0.65)


def nomogram_uptake(power_w: FloatArray) -> FloatArray:
    """Return the 1954 nomogram's uptake at a work rate [L/min]: its points 1.5 at 600, 2.1 at 900."""
    return 0.3 + 0.002 * KG_M_MIN_PER_WATT * power_w


def submaximal_1954(uptake: FloatArray, hr: FloatArray, male: FloatArray) -> FloatArray:
    """Return VO2max [L/min] from the uptake [L/min] and heart rate [bpm] of one steady stage."""
    return uptake * np.where(male == 1, 134 / (hr - 61), 126 / (hr - 72))


def submaximal_1954_line(uptake: FloatArray, hr: FloatArray, male: FloatArray) -> FloatArray:
    """Return VO2max [L/min] by the other closed form: equal for men, 4-5 % higher for women."""
    return 100 * uptake / (0.769 * hr - np.where(male == 1, 48.5, 56.1))


def _per_kg(litres: FloatArray, x: Inputs) -> FloatArray:
    return 1000 * litres / x["mass_kg"]


def _cycle_1954(x: Inputs) -> FloatArray:
    return _per_kg(submaximal_1954(nomogram_uptake(x["power_w"]), x["hr_bpm"], x["male"]), x)


def _cycle_1954_line(x: Inputs) -> FloatArray:
    return _per_kg(submaximal_1954_line(nomogram_uptake(x["power_w"]), x["hr_bpm"], x["male"]), x)


def _cycle_1960(x: Inputs) -> FloatArray:
    return _cycle_1954(x) * np.interp(x["age_years"], AGE_FACTOR_YEARS, AGE_FACTORS)


def max_power_1990(x: Inputs) -> FloatArray:
    """Return VO2max [mL/min] from the highest power of a maximal cycle test."""
    men = 10.51 * x["power_w"] + 6.35 * x["mass_kg"] - 10.49 * x["age_years"] + 519.3
    women = 9.39 * x["power_w"] + 7.7 * x["mass_kg"] - 5.88 * x["age_years"] + 136.7
    return np.where(x["male"] == 1, men, women)


CYCLE_SUBMAXIMAL: Final = FieldProtocol(
    id="cycle_submax_1954",
    name="submaximal cycle stage, 1954",
    title="one steady stage of 6 minutes on a cycle",
    mode="cycle",
    inputs=("power_w", "hr_bpm", "mass_kg", "sex"),
    equation=_cycle_1954,
    population="active people aged 18-30; error about 10-15 %",
    valid=(Valid("age_years", 18, 30), Valid("hr_bpm", 125, 170)),
    source="Astrand and Ryhming 1954; closed form from secondary pages",
    provenance="memory",
    heart_rate_based=True,
    note="uptake from power by the line through the nomogram's points 1.5 and 2.1 L/min",
)

CYCLING: Final = (
    CYCLE_SUBMAXIMAL,
    replace(
        CYCLE_SUBMAXIMAL,
        id="cycle_submax_1954_line",
        name="submaximal cycle stage, 1954, as a line",
        title="one steady stage of 6 minutes on a cycle, other closed form",
        equation=_cycle_1954_line,
        provenance="read second-hand",
    ),
    replace(
        CYCLE_SUBMAXIMAL,
        id="cycle_submax_1960",
        name="submaximal cycle stage, 1960",
        title="one steady stage of 6 minutes on a cycle, with the age factor",
        inputs=("power_w", "hr_bpm", "mass_kg", "age_years", "sex"),
        equation=_cycle_1960,
        population="people aged 15-65; in another sample CV 18.1 %",
        valid=(Valid("age_years", 15, 65), Valid("hr_bpm", 125, 170)),
        standard_error=(0.48, 0.48),
        error_unit="L/min",
        source="Astrand 1960; error from Bjorkman 2016 (read)",
    ),
    FieldProtocol(
        id="cycle_max_power_1990",
        name="maximal cycle power, 1990",
        title="highest power of a maximal cycle test, 15 W/min",
        mode="cycle",
        inputs=("power_w", "mass_kg", "age_years", "sex"),
        equation=lambda x: max_power_1990(x) / x["mass_kg"],
        population="sedentary people aged 20-70",
        valid=(Valid("age_years", 20, 70),),
        standard_error=(147, 212),
        error_unit="mL/min",
        source="Storer 1990",
        provenance="read",
    ),
)
