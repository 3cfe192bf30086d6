"""
How far VO2max differs between treadmill and cycle in the same people.

References
----------
.. [1] Basset FA, Boulay MR. Specificity of treadmill and cycle ergometer tests in triathletes, runners
   and cyclists. Eur J Appl Physiol 2000;81:214-221. The shares were read, the pages are from memory.
"""

from typing import Final

# share by which the treadmill lies above the cycle, by what people train for
TREADMILL_ABOVE_CYCLE: Final = {"runners": 0.105, "triathletes": 0.061, "cyclists": 0.028}
_TREADMILL: Final = ("run", "walk")


def expected_mode_effect(mode: str, laboratory_mode: str, vo2max: float) -> dict[str, float]:
    """
    Return the difference that the modes alone make, field minus laboratory.

    mode, laboratory_mode: of the field reading and of the laboratory test.
    vo2max: of the laboratory. [mL/kg/min]
    Returns: for runners, triathletes and cyclists [mL/kg/min]; empty for modes that the source did
        not compare.

    >>> {who: round(size, 2) for who, size in expected_mode_effect("run", "cycle", 50.0).items()}
    {'runners': 5.25, 'triathletes': 3.05, 'cyclists': 1.4}
    """
    if mode in _TREADMILL and laboratory_mode == "cycle":
        return {who: share * vo2max for who, share in TREADMILL_ABOVE_CYCLE.items()}
    if mode == "cycle" and laboratory_mode in _TREADMILL:
        return {who: -vo2max * s / (1 + s) for who, s in TREADMILL_ABOVE_CYCLE.items()}
    return {}
