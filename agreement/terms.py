"""
The glossary: one name per idea, with its unit, its range and its codes.

Sign rule: **a difference is always field minus laboratory**, in mL/kg/min, so a positive bias means
that the field estimate reads high.
"""

from typing import Final, NamedTuple

UNIT: Final = "mL/kg/min"


def counted(number: int, one: str, several: str = "") -> str:
    """
    Return a number with its noun.

    >>> counted(1, "athlete"), counted(0, "athlete"), counted(2, "person", "people")
    ('1 athlete', '0 athletes', '2 people')
    """
    return f"{number} {one if number == 1 else several or one + 's'}"


# --- words --------------------------------------------------------------------------------------

# of statistics: `agreement.stats.catalogue.describe`
GLOSSARY: Final[dict[str, str]] = {
    "VO2max": "highest oxygen uptake a person reaches in exercise, per kilogram of body mass",
    "VO2peak": "the highest value of a test that was not confirmed to be maximal",
    "laboratory": "VO2max from gas exchange; the reference",
    "field": "any other VO2max number: a wrist device's, a field test's, a training session's",
    "difference": "field minus laboratory; above zero the field estimate reads high",
    "pair": "one laboratory unit and the fair summary of one method's readings around it",
    "unit": "a laboratory test, together with its repeats within a few days",
    "reading": "one field value on one day",
    "gap": "laboratory date minus the reading's date, in days; positive before the test",
    "coverage": "the share of differences that the limits should hold; about people",
    "confidence level": "of an interval; about our uncertainty, not about people",
    "margin": "the limit agreed beforehand that both limits of agreement must lie inside",
    "measured stage": "a stage with its oxygen uptake measured, of a field test (vo2_ml_min) or of the "
    "laboratory's breaths: it tells the error of the cost equation from that of the heart rate",
    "mode effect": "how far VO2max itself differs between two modes of exercise in the same people",
    "pairing rule": "which days' readings count for a test, and how they become one value",
    "training profile": "how an athlete trained before the test: a label, computed or stated",
    "ventilatory threshold": "an uptake above which breathing rises faster than the work: the first (VT1) "
    "faster than oxygen uptake, the second (VT2) faster than carbon dioxide",
    "economy": "what steady work costs an athlete: uptake per distance, or power over energy set free",
    "ledger": "the account of every row read: used, summarised or excluded with a reason",
}

# --- codes --------------------------------------------------------------------------------------

MODES: Final = ("run", "walk", "cycle", "row", "ski", "step", "other")
RESTING: Final = "resting"  # a field mode that pairs with any laboratory mode
SEXES: Final = ("female", "male", "unknown")
YES_NO_UNKNOWN: Final = ("yes", "no", "unknown")
SENSORS: Final = ("chest_strap", "wrist_optical", "none", "unknown")
PHASES: Final = ("rest", "warmup", "exercise", "recovery")
TAGS: Final = ("illness", "injury", "other")
NOT_ENOUGH_DATA: Final = "not enough data"  # a training profile that is no group
RATERS: Final = {
    "rater_1": "",
    "rater_2": "rater2_",
}  # who read the thresholds -> start of the columns
RATED: Final = tuple(
    f"{start}{threshold}_{column}"
    for start in RATERS.values()
    for threshold in ("vt1", "vt2")
    for column in ("vo2_ml_kg_min", "hr_bpm")
)
SESSIONS_METHOD: Final = "sessions_hr"  # the method name of the session estimate

# Why a row was left out. The order decides which cause is named when several hold.
REASONS: Final[dict[str, str]] = {
    "control": "the laboratory's own control, no athlete of the study",
    "re_exported": "the same row again in a newer export",
    "corrected": "a newer export says otherwise",
    "copy": "the same reading again",
    "conflicting_copy": "the same instant with two different values",
    "stale": "one value repeated day after day, counted once",
    "missing_value": "a required value is missing",
    "no_mass": "no body mass to convert with",
    "out_of_range": "outside the range that a person can reach",
    "unknown_athlete": "not in the athletes table",
    "unknown_test": "a raw file without a row that it belongs to",
    "unread_recording": "a raw file in a form that is not read",
    "row_left_out": "a raw file whose row was itself left out",
    "athlete_without_laboratory_test": "the athlete has no laboratory test",
    "mode_mismatch": "the laboratory tested another mode of exercise",
    "outside_window": "too far from any laboratory test",
    "same_day": "on the day of a laboratory test",
    "after_test": "after the laboratory test, which may have tuned it",
    "too_few_readings": "too few days with a reading around the test",
    "too_few_sessions": "too few sessions before the test to tell a training profile",
    "no_estimate_in_window": "no usable estimate around the test",
    "averaging_rule_mixed": "another averaging rule than the study's",
    "session_quality": "the session's record is not good enough",
    "not_completed": "the test was not completed",
    "extrapolation_refused": "heart rates too few, too low or too close together to extrapolate",
    "not_summarised": "in the window, but not part of its summary",
    "withdrawn": "removed at the participant's request",
}

# What looks so wrong that a run stops until [confirm] says why it is right; the keys of [confirm].
DOUBTS: Final[dict[str, str]] = {
    "twins": "two ids carry the numbers of one person",
    "two_bodies": "one id carries the numbers of two people",
    "field_is_laboratory": "field values are the laboratory's",
    "constant_device": "a method says the same of everybody",
    "same_methods": "two methods with the numbers of one",
    "filled_down": "a laboratory that measured the same of everybody",
    "copied_repeats": "repeated laboratory tests that agree to the digit",
    "no_relation": "field values have nothing to do with the laboratory's",
    "columns_swapped": "two columns fit better the other way round",
    "units_mixed": "one column holds two units",
    "unlikely_people": "masses or ages that few people have",
    "bias_beyond": "a bias that no method has",
    "odd_dates": "a date up to 1970-01-01, or after tomorrow",
    "wide_margin": "a limit too wide to fail",
    "old_margin": "a limit agreed long before the study",
    "no_maximum": "no laboratory test was maximal",
    "other_mode": "the laboratory tested another mode of exercise",
    "hidden_rows": "rows hidden or struck out in a workbook, or marked as remarks",
    "rows_above_header": "rows above the header that look like data",
    "codes_turned": "a code turned into its opposite",
    "clock_times": "minutes and seconds written as a decimal number",
    "ids_are_codes": "ids that look like people, addresses or numbers of people",
    "gases_swapped": "oxygen and carbon dioxide exchanged",
    "same_breaths": "the same breaths under several tests",
    "cost_of_work": "an uptake that the work cannot cost",
    "few_breaths": "too few breaths for a maximum",
    "stopped_early": "a test that ended before its maximum",
    "uptake_falls": "uptake that falls while the work goes on: a leak",
}
# Of these, what is told and stops nothing: planned studies look so.
NOTED_DOUBTS: Final = frozenset({"same_methods", "filled_down", "copied_repeats"})

# --- columns of the output ----------------------------------------------------------------------

RESULT_COLUMNS: Final = [
    "analysis", "method", "mode", "group", "statistic", "value", "low", "high", "unit", "n",
    "n_pairs", "note",
]  # fmt: skip
KEY_COLUMNS: Final = RESULT_COLUMNS[:5]  # which line it is
PAIR_COLUMNS: Final = [
    "athlete_id", "lab_test_id", "lab_date", "method", "mode", "lab", "field", "difference",
    "n_estimates", "n_days", "gap_days", "training_profile", "profile_borderline", "max_confirmed",
    "averaging_rule", "sex", "age_years", "mass_kg", "sensor", "mass_mismatch_pct",
    "hr_max_mismatch_bpm", "hr_limiting_drug", "lab_mode",
]  # fmt: skip
EXCLUSION_COLUMNS: Final = ["file", "row", "id", "reason", "message"]
LAB_VALUE_COLUMNS: Final = [
    "lab_test_id", "athlete_id", "date", "mode", "rule", "in_use", "edited", "vo2max_ml_kg_min",
    "rer_max", "plateau", "max_confirmed", "criterion_plateau", "criterion_verification",
    "criterion_rer", "criterion_hr", "criterion_rpe", "criterion_lactate",
]  # fmt: skip
LAB_THRESHOLD_COLUMNS: Final = [
    *("lab_test_id", "athlete_id", "mode", "threshold", "method"),
    *("vo2_ml_kg_min", "low", "high", "hr_bpm", "note"),
]
ECONOMY_COLUMNS: Final = [
    *(
        "lab_test_id",
        "athlete_id",
        "mode",
        "n_stages",
        "economy_ml_kg_km",
        "gross_efficiency_percent",
    ),
    *("delta_efficiency_percent", "cost_ratio", "method", "expected_error", "difference"),
    *("rest", "stages_of"),
]
FLOW_COLUMNS: Final = ["file", "rows_read", "used", "summarised", "excluded"]
CARD_COLUMNS: Final = [
    "athlete_id", "method", "mode", "field", "lab_equivalent", "lab_equivalent_low",
    "lab_equivalent_high", "smallest_real_change", "calibration", "inputs_to_correct", "note",
    "own_weight", "half_width_after_one_more",
]  # fmt: skip

# --- ranges -------------------------------------------------------------------------------------


class Range(NamedTuple):
    """Plausible values of one column: outside `warn` a note, outside `reject` set aside."""

    warn_low: float
    warn_high: float
    reject_low: float
    reject_high: float
    unit: str


# Sanity ranges for adults: the authors' choice, common practice, no source.
RANGES: Final[dict[str, Range]] = {
    "vo2max_ml_kg_min": Range(15, 80, 8, 100, UNIT),
    "vo2max_l_min": Range(1.0, 6.5, 0.5, 8, "L/min"),
    "vo2max_ml_min": Range(1000, 6500, 500, 8000, "mL/min"),
    "verification_vo2max_ml_kg_min": Range(15, 80, 8, 100, UNIT),
    "hr_max_bpm": Range(140, 215, 90, 240, "bpm"),
    "hr_rest_bpm": Range(35, 100, 25, 130, "bpm"),
    "hr_bpm": Range(60, 215, 25, 240, "bpm"),
    "set_hr_max_bpm": Range(140, 215, 90, 240, "bpm"),
    "rer_max": Range(1.00, 1.40, 0.7, 2.0, "1"),
    "rer": Range(0.65, 1.3, 0.5, 2.0, "1"),  # of one stage
    "rpe_max": Range(6, 20, 6, 20, "1"),
    "lactate_mmol_l": Range(0, 20, 0, 30, "mmol/L"),
    "mass_kg": Range(35, 160, 25, 250, "kg"),
    "set_mass_kg": Range(35, 160, 25, 250, "kg"),
    "stature_cm": Range(140, 210, 100, 250, "cm"),
    "age_years": Range(10, 90, 5, 110, "years"),
    "set_age_years": Range(10, 90, 5, 110, "years"),
    "birth_year": Range(1930, 2100, 1900, 2100, "year"),
    "barometric_pressure_mmhg": Range(600, 800, 400, 850, "mmHg"),
    "temperature_c": Range(-20, 40, -50, 60, "degrees Celsius"),
    "exercise_start_s": Range(0, 3600, 0, 14_400, "s"),
    "exercise_end_s": Range(60, 7200, 0, 14_400, "s"),
    "altitude_m": Range(-100, 4000, -500, 9000, "m"),
    "duration_min": Range(1, 720, 0, 2880, "min"),
    "zone1_min": Range(0, 720, 0, 2880, "min"),
    "zone2_min": Range(0, 720, 0, 2880, "min"),
    "zone3_min": Range(0, 720, 0, 2880, "min"),
    "distance_m": Range(100, 50_000, 80, 300_000, "m"),
    "time_min": Range(3, 300, 1, 2880, "min"),
    "speed_km_h": Range(2, 25, 0.5, 45, "km/h"),
    "stage": Range(1, 21, 0, 30, "1"),
    "power_w": Range(20, 600, 0, 2000, "W"),
    "waist_cm": Range(55, 130, 40, 200, "cm"),
    "fat_percent": Range(5, 50, 2, 75, "%"),
    "vo2_ml_min": Range(500, 6000, 150, 8000, "mL/min"),  # of one stage of a field test
    "vo2_ml_kg_min": Range(7, 90, 2, 100, UNIT),  # the same
    **{
        name: Range(90, 200, 60, 230, "bpm") if name.endswith("bpm") else Range(10, 70, 5, 90, UNIT)
        for name in RATED
    },
    "step_height_cm": Range(10, 45, 2, 80, "cm"),
    "step_rate_min": Range(12, 40, 5, 80, "steps/min"),
    "grade": Range(-0.15, 0.25, -0.5, 0.5, "1"),
}

# An estimator was told a wrong input when it lies farther than this from the laboratory's.
# Common practice, no source; one bpm of HRmax moves a heart-rate-based estimate by about 0.4.
MASS_WITHIN_PCT: Final = 2.0  # of the measured mass
HR_MAX_WITHIN_BPM: Final = 5.0
AGE_WITHIN_YEARS: Final = 1.0  # whole years on both sides can differ by one

# --- cautions, printed by every report, card and notebook ---------------------------------------

CAUTIONS: Final = (
    (
        "This program describes how far two methods of measuring VO2max agree. It does not "
        "diagnose, clear or prescribe."
    ),
    (
        "Screen everyone before a maximal test: signs or symptoms, known cardiac, metabolic or renal "
        "disease, current activity, intended intensity. Refer for clearance where the screening says so."
    ),
    (
        "Stop a test for chest pain, a fall in systolic pressure with rising load, unusual "
        "breathlessness, dizziness, pallor or confusion, a change of heart rhythm, failing equipment, "
        "or because the person asks."
    ),
    (
        "Heart-rate-based estimates are not valid under drugs that limit heart rate, such as "
        "beta-blockers."
    ),
    "Local rules and licensed practice come before anything written here.",
)
