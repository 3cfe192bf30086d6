"""
The glossary: one name per idea, with its unit, its range and its codes; the facts: `terms.toml`.

Sign rule: **a difference is always field minus laboratory**, in mL/kg/min, so a positive bias means
that the field estimate reads high.
"""

import tomllib
from importlib.resources import files
from math import isfinite
from typing import Any, Final, NamedTuple

UNIT: Final = "mL/kg/min"


def plain(value: float, digits: int = 1, *, sign: bool = False) -> str:
    """
    Return a number as text, with a real minus sign and no minus zero; "" for none.

    >>> plain(-4.06), plain(-0.04), plain(2.5, sign=True), plain(float("nan"))
    ('\u22124.1', '0.0', '+2.5', '')
    """
    if not isfinite(value):
        return ""
    text = f"{abs(value):.{digits}f}"
    if float(text) == 0:
        return text
    if value < 0:
        return f"\u2212{text}"
    return f"+{text}" if sign else text


def counted(number: int, one: str, several: str = "") -> str:
    """
    Return a number with its noun.

    >>> counted(1, "athlete"), counted(0, "athlete"), counted(2, "person", "people")
    ('1 athlete', '0 athletes', '2 people')
    """
    return f"{number} {one if number == 1 else several or one + 's'}"


def short_of(value: float, needed: float, decimals: int = 0) -> str:
    """
    Return a value below the one that is needed, with as many more decimals as it takes to see that.

    >>> short_of(82.4, 90), short_of(89.7, 90), short_of(14.98, 15)
    ('82', '89.7', '14.98')
    """
    rounded = (f"{value:.{places}f}" for places in range(decimals, 16))
    return next((text for text in rounded if float(text) < needed), str(value))


def mode_word(mode: str) -> str:
    """
    Return a mode of exercise as people read it.

    >>> mode_word("row"), mode_word("run")
    ('rowing', 'run')
    """
    return MODE_WORDS.get(mode, mode)


def declared(name: str, room: str = "") -> dict[str, Any]:
    """Return what a data file of the package says; `room`: such as ``tables``."""
    return tomllib.loads((files("agreement") / room / name).read_text("utf-8"))


_FACTS: Final = declared("terms.toml")
GLOSSARY: Final[dict[str, str]] = _FACTS["words"]
CAUTIONS: Final[tuple[str, ...]] = tuple(_FACTS["cautions"])

CODES: Final = {name: tuple(words) for name, words in _FACTS["codes"].items()}
MODES: Final[tuple[str, ...]] = CODES["modes"]
RESTING: Final = "resting"  # a field mode that pairs with any laboratory mode
ALL_MODES: Final = (*MODES, RESTING)
SEXES: Final[tuple[str, ...]] = CODES["sexes"]
SENSORS: Final[tuple[str, ...]] = CODES["sensors"]
NOT_ENOUGH_DATA: Final = "not enough data"  # a training profile that is no group
RATERS: Final = {"rater_1": "", "rater_2": "rater2_"}  # of thresholds -> start of their columns
RATED: Final = tuple(
    f"{start}{threshold}_{column}"
    for start in RATERS.values()
    for threshold in ("vt1", "vt2")
    for column in ("vo2_ml_kg_min", "hr_bpm")
)
GROUP_WORDS: Final[dict[str, str]] = _FACTS["groups"]
MODE_WORDS: Final[dict[str, str]] = _FACTS["mode_words"]
SENSOR_WORDS: Final[dict[str, str]] = _FACTS["sensor_words"]
UNBOUNDED: Final = "unbounded"  # in the note of a number of whose interval an end does not exist
NOTE_WORDS: Final[dict[str, str]] = _FACTS["note_words"]
SESSIONS_METHOD: Final = "sessions_hr"  # the method name of the session estimate
REASONS: Final[dict[str, str]] = _FACTS["reasons"]
DOUBTS: Final[dict[str, str]] = _FACTS["doubts"]
SYSTEM_ERRORS: Final[dict[str, str]] = _FACTS["system_errors"]
# Of these, what is told and stops nothing: planned studies look so.
NOTED_DOUBTS: Final = frozenset({"same_methods", "filled_down", "copied_repeats"})

# columns of every table of the output, in order, with what they mean
OUTPUT_COLUMNS: Final[dict[str, dict[str, str]]] = declared("output_columns.toml")
OUTPUT_KEYS: Final = {table: tuple(names) for table, names in _FACTS["output_keys"].items()}
OUTPUT_MEASURED: Final[frozenset[str]] = frozenset(_FACTS["output_measured"])
OUTPUT_NUMBERS: Final[frozenset[str]] = frozenset(_FACTS["output_numbers"])
RESULT_COLUMNS: Final = list(OUTPUT_COLUMNS["results"])
KEY_COLUMNS: Final = RESULT_COLUMNS[:5]  # which line it is
PAIR_COLUMNS: Final = list(OUTPUT_COLUMNS["pairs"])
EXCLUSION_COLUMNS: Final = list(OUTPUT_COLUMNS["exclusions"])
FLOW_COLUMNS: Final = list(OUTPUT_COLUMNS["flow"])
LAB_VALUE_COLUMNS: Final = list(OUTPUT_COLUMNS["lab_values"])
CARD_COLUMNS: Final = list(OUTPUT_COLUMNS["athlete_cards"])


class Range(NamedTuple):
    """Plausible values of one column: outside `warn` a note, outside `reject` set aside."""

    warn_low: float
    warn_high: float
    reject_low: float
    reject_high: float
    unit: str


RANGES: Final = {column: Range(*said) for column, said in _FACTS["ranges"].items()}
BELIEVED: Final = RANGES["vo2max_ml_kg_min"]  # a VO2max outside its reject range is nobody's
# An estimator was told a wrong input when it lies farther than this from the laboratory's.
# Common practice, no source; one bpm of HRmax moves a heart-rate-based estimate by about 0.4.
MASS_WITHIN_PCT: Final = 2.0  # of the measured mass
HR_MAX_WITHIN_BPM: Final = 5.0
AGE_WITHIN_YEARS: Final = 1.0  # whole years on both sides can differ by one
