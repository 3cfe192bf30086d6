"""
The tables of a study folder: which columns each has, what kind they are, and which are required.

Everything else in `tables` is driven by these few lines, so a new column is one line here (and one
in `agreement.terms.RANGES` if it has a plausible range).
"""

from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

from agreement.terms import MODES, PHASES, RATED, RESTING, SENSORS, SEXES, TAGS, YES_NO_UNKNOWN

Kind = Literal["id", "label", "code", "rule", "number", "date", "time"]

VO2MAX_COLUMNS: Final = ("vo2max_ml_kg_min", "vo2max_l_min", "vo2max_ml_min")
MISSING: Final = ("", "NA", "N/A", "nan", "null", "-", ".")  # in number, date and code columns
MISSING_ANY_CASE: Final = frozenset(token.casefold() for token in MISSING)
TABLE_ENDINGS: Final = (".csv", ".tsv", ".txt", ".xlsx")
UNREAD_ENDINGS: Final = (  # packed, or written by another program: what looks like a table, unread
    *(".gz", ".bz2", ".xz", ".zst", ".zip", ".7z"),
    *(".xls", ".xlsm", ".xlsb", ".ods", ".parquet", ".json"),
)
UNPACK: Final = "Unpack it, or save it again in one of these forms."
PARQUET_ENDING: Final = ".parquet"
YES_NO: Final = ("yes", "no")


class Column(NamedTuple):
    """One column: how its text is understood, and whether a row can do without it."""

    kind: Kind
    required: bool = False
    codes: tuple[str, ...] = ()
    instead: str = ""  # a column that serves where a required one is missing


@dataclass(frozen=True, slots=True)
class Table:
    """
    One table; `key` may not repeat, `ledger_id` is what a row is called when it is left out.

    A table `in_parts` may also be a folder of files.
    """

    name: str
    columns: dict[str, Column]
    ledger_id: str
    key: str | None = None
    endings: tuple[str, ...] = TABLE_ENDINGS
    in_parts: bool = False


_ID = Column("id")
_ID_REQUIRED = Column("id", required=True)
_LABEL = Column("label")
_NUMBER = Column("number")
_NUMBER_REQUIRED = Column("number", required=True)
_SENSOR = Column("code", codes=SENSORS)


def _numbers(*names: str) -> dict[str, Column]:
    """Return optional number columns of these names."""
    return dict.fromkeys(names, _NUMBER)


ATHLETES: Final = Table(
    "athletes",
    {
        "athlete_id": _ID_REQUIRED,
        "sex": Column("code", codes=SEXES),
        **_numbers("birth_year", "age_years", "stature_cm", "mass_kg"),
        "training_profile": _LABEL,
        "hr_limiting_drug": Column("code", codes=YES_NO_UNKNOWN),
        "withdrawn": Column("code", codes=YES_NO),
    },
    ledger_id="athlete_id",
    key="athlete_id",
)
LAB_TESTS: Final = Table(
    "lab_tests",
    {
        "lab_test_id": _ID_REQUIRED,
        "athlete_id": _ID_REQUIRED,
        "date": Column("date", required=True),
        "mode": Column("code", required=True, codes=MODES),
        **_numbers(*VO2MAX_COLUMNS, "mass_kg"),
        "averaging_rule": Column("rule"),
        **_numbers("hr_max_bpm", "rer_max", "rpe_max", "lactate_mmol_l"),
        "plateau": Column("code", codes=YES_NO_UNKNOWN),
        **_numbers("verification_vo2max_ml_kg_min", "barometric_pressure_mmhg", "temperature_c"),
        **_numbers("exercise_start_s", "exercise_end_s"),  # of the recording, where breaths count
        **_numbers(*RATED),
        "tag": _LABEL,
    },
    ledger_id="lab_test_id",
    key="lab_test_id",
)
FIELD_ESTIMATES: Final = Table(
    "field_estimates",
    {
        "athlete_id": _ID_REQUIRED,
        "taken_at": Column("time", required=True),
        "method": Column("label", required=True),
        "mode": Column("code", required=True, codes=(*MODES, RESTING)),
        **_numbers(*VO2MAX_COLUMNS),
        "sensor": _SENSOR,
        **_numbers("set_mass_kg", "set_hr_max_bpm", "set_age_years"),
    },
    ledger_id="athlete_id",
    endings=(*TABLE_ENDINGS, PARQUET_ENDING),
    in_parts=True,
)
FIELD_TESTS: Final = Table(
    "field_tests",
    {
        "field_test_id": _ID,
        "athlete_id": _ID_REQUIRED,
        "date": Column("date", required=True),
        "protocol": Column("label", required=True),
        "mode": Column("code", codes=MODES),
        "sensor": _SENSOR,
        "completed": Column("code", codes=YES_NO),
        **_numbers("distance_m", "time_min", "speed_km_h", "stage"),
        **_numbers("hr_bpm", "hr_rest_bpm", "hr_max_bpm", "power_w"),
        **_numbers("mass_kg", "age_years", "stature_cm", "waist_cm", "fat_percent"),
        **_numbers("activity_score", "grade", "step_height_cm", "step_rate_min"),
        **_numbers("vo2_ml_min", "vo2_ml_kg_min", "rer"),  # measured, of one stage
    },
    ledger_id="field_test_id",
)
SESSIONS: Final = Table(
    "sessions",
    {
        "session_id": _ID_REQUIRED,
        "athlete_id": _ID_REQUIRED,
        "started_at": Column("time", required=True),
        "mode": Column("code", required=True, codes=MODES),
        "duration_min": _NUMBER_REQUIRED,
        "sensor": _SENSOR,
        "intermittent": Column("code", codes=YES_NO),
        **_numbers("temperature_c", "altitude_m"),
        "tag": Column("code", codes=TAGS),
        **_numbers("zone1_min", "zone2_min", "zone3_min"),
    },
    ledger_id="session_id",
    key="session_id",
)
BREATHS: Final = Table(
    "breaths",
    {
        "lab_test_id": _ID,  # only where one file holds many tests
        "t_s": _NUMBER_REQUIRED,
        "vo2_ml_min": Column("number", required=True, instead="vo2_ml_kg_min"),
        **_numbers("vco2_ml_min", "ve_l_min", "hr_bpm", "speed_m_s", "grade", "power_w"),
        "phase": Column("code", codes=PHASES),
        # only to check the others against, but for the second, which can stand for the first
        **_numbers("ve_stpd_l_min", "vo2_ml_kg_min", "rer"),
    },
    ledger_id="lab_test_id",
    endings=(".csv", ".tsv", ".txt", ".csv.gz", PARQUET_ENDING),
)
SAMPLES: Final = Table(
    "samples",
    {
        "session_id": _ID,  # only where one file holds many sessions
        "t_s": _NUMBER_REQUIRED,
        "hr_bpm": _NUMBER_REQUIRED,
        **_numbers("speed_m_s", "grade", "power_w"),
    },
    ledger_id="session_id",
    endings=(".csv", ".tsv", ".txt", ".csv.gz", PARQUET_ENDING),
)
TABLES: Final = {t.name: t for t in (ATHLETES, LAB_TESTS, FIELD_ESTIMATES, FIELD_TESTS, SESSIONS)}
FOLDERS: Final = {t.name: t for t in (BREATHS, SAMPLES)}
INPUTS: Final = {**TABLES, **FOLDERS}
FIELD_TABLES: Final = ("field_estimates", "field_tests", "sessions")


def not_read(what: str, endings: tuple[str, ...]) -> str:
    """Say that a file is left alone, and in which forms it would be read."""
    return f"It is not read: {what} are read from files ending in {', '.join(endings)}."
