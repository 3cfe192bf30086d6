"""Peak work rates of treadmill and rowing tests: equations with a published source."""

from collections.abc import Callable
from typing import Final

import numpy as np

from agreement.physiology.arrays import FloatArray
from agreement.physiology.equations_stages import M_MIN_PER_KM_H, by_sex
from agreement.physiology.protocol import FieldProtocol, Inputs
from agreement.physiology.work_rate import RESTING_VO2, end_of_ramp_vo2, running_vo2, walking_vo2


def _end_of_test(
    cost: Callable[[FloatArray, FloatArray], FloatArray], *, handrail: bool = False
) -> Callable[[Inputs], FloatArray]:
    """Return the uptake expected at the end of a treadmill test from its last work rate."""

    def value(x: Inputs) -> FloatArray:
        steady = cost(M_MIN_PER_KM_H * x["speed_km_h"], x["grade"])
        return end_of_ramp_vo2(steady, handrail=handrail)

    return value


_FOSTER: Final = "Foster 1996, Med Sci Sports Exerc 28:752 (abstract)"
_PATIENTS: Final = "clinically stable people, tests that rose each minute"
_OTHERS: Final = "corrections of one protocol do not carry over to another"
_JENSEN: Final = "Jensen 2021, Int J Sports Physiol Perform 16:382 (abstract)"
PEAKS: Final = (
    FieldProtocol(
        id="run_treadmill_peak_1996",
        name="last treadmill work rate, running, 1996",
        title="last speed and grade of a maximal treadmill test, running",
        mode="run",
        inputs=("speed_km_h", "grade"),
        equation=_end_of_test(running_vo2),
        population=f"30 {_PATIENTS}, without handrail",
        standard_error=(4.8, 4.8),
        source=_FOSTER,
        provenance="read",
        note=f"the running equation of the ACSM, corrected; {_OTHERS}",
    ),
    FieldProtocol(
        id="walk_treadmill_peak_1996",
        name="last treadmill work rate, walking, 1996",
        title="last speed and grade of a maximal treadmill test, walking",
        mode="walk",
        inputs=("speed_km_h", "grade"),
        equation=_end_of_test(walking_vo2),
        population=f"30 {_PATIENTS}, without handrail",
        standard_error=(4.8, 4.8),
        source=_FOSTER,
        provenance="read",
        note=f"the walking equation of the ACSM, corrected; {_OTHERS}",
    ),
    FieldProtocol(
        id="walk_treadmill_peak_handrail_1996",
        name="last treadmill work rate, walking with handrail, 1996",
        title="last speed and grade of a maximal treadmill test, walking, handrail held",
        mode="walk",
        inputs=("speed_km_h", "grade"),
        equation=_end_of_test(walking_vo2, handrail=True),
        population=f"40 {_PATIENTS}, holding the handrail",
        standard_error=(4.4, 4.4),
        source=_FOSTER,
        provenance="read",
        note=f"the walking equation of the ACSM, corrected; {_OTHERS}",
    ),
    FieldProtocol(
        id="treadmill_peak_2017",
        name="last treadmill work rate, 2017",
        title="last speed and grade of a maximal treadmill test, walking or running",
        mode="run",
        inputs=("speed_km_h", "grade"),
        equation=lambda x: (
            RESTING_VO2 + M_MIN_PER_KM_H * x["speed_km_h"] * (0.17 + 0.79 * x["grade"])
        ),
        population="7983 apparently healthy adults; overall error 5 to 18 % by protocol",
        source="Kokkinos 2017, Am J Cardiol (abstract)",
        provenance="read",
        note="no standard error in the abstract; give mode walk where the person walked",
    ),
    FieldProtocol(
        id="row_max_power_2021",
        name="maximal rowing power, 2021",
        title="highest power of a rowing test of 2-minute stages",
        mode="row",
        inputs=("power_w", "mass_kg"),
        equation=lambda x: (11.49 * x["power_w"] + 810) / x["mass_kg"],
        population="34 male club rowers aged 18-30; r 0.96",
        sexes=("male",),
        standard_error=(np.nan, 0.136),
        error_unit="L/min",
        source=_JENSEN,
        provenance="read",
        note="the abstract prints the standard error in mL/min, which can only be L/min",
    ),
    FieldProtocol(
        id="row_2km_power_2021",
        name="mean power of 2 km rowing, 2021",
        title="mean power of a 2 km rowing test, club rowers",
        mode="row",
        inputs=("power_w", "mass_kg"),
        equation=lambda x: (10.96 * x["power_w"] + 1168) / x["mass_kg"],
        population="34 male club rowers aged 18-30; r 0.93",
        sexes=("male",),
        standard_error=(np.nan, 0.157),
        error_unit="L/min",
        source=_JENSEN,
        provenance="read",
        note="the abstract prints the standard error in mL/min, which can only be L/min",
    ),
    FieldProtocol(
        id="row_2km_power_2003",
        name="mean power of 2 km rowing, 2003",
        title="mean power of a 2 km rowing test, national team",
        mode="row",
        inputs=("power_w", "mass_kg", "sex"),
        equation=by_sex((1.682, 0.0097), (1.631, 0.0088)),
        population="44 oarsmen and 27 oarswomen of a national team and its reserve",
        source="Klusiewicz and Faff 2003, Biology of Sport (abstract)",
        provenance="read",
    ),
)
