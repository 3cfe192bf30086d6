"""What the reader of the pairs should know: notes, and rows that were set aside on the way."""

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from agreement.errors import Severity
from agreement.pairing.cleaning import CODE, KEPT
from agreement.pairing.messages import Texts
from agreement.pairing.reading_fates import Part, ReadingFates
from agreement.pairing.unit_fates import UnitFates
from agreement.pairing.units import ALL_MODES, Ints, Units
from agreement.tables.findings import Findings
from agreement.tables.options import StudyOptions

if TYPE_CHECKING:
    from agreement.physiology.readings import Readings

# All common practice, no source. One bpm of HRmax moves a heart-rate-based estimate by about 0.4.
MASS_MISMATCH = 0.02  # share of the mass in the laboratory
HR_MAX_MISMATCH_BPM = 10.0
AGE_MISMATCH_YEARS = 1.0  # whole years on both sides can differ by one
LOST_TO_MODE = 0.1  # share of the laboratory tests
ROUNDING = 1e-9  # two per cent in decimals is no more than two per cent
NAMED = 5  # rows named in one note; the rest is counted

# Reason, severity in `check`, and what to do.
FOUND_WHILE_PAIRING: Sequence[tuple[str, Severity, str]] = (
    ("copy", "note", ""),
    ("conflicting_copy", "set_aside", "Keep the right row in the file."),
    ("stale", "note", "See whether the source still updates; `stale_after_days` sets the limit."),
    ("no_mass", "set_aside", "Give set_mass_kg, or mass_kg of the laboratory test."),
    ("unknown_athlete", "set_aside", "Add the athlete, or join the two ids in id_map."),
    ("out_of_range", "set_aside", "Check the value, its unit and the body mass."),
)


def reading_notes(
    found: Findings,
    readings: "Readings",
    fates: ReadingFates,
    texts: Texts,
    files: Mapping[str, str],
) -> None:
    """Record copies, conflicts, stale runs and values that could not be converted."""
    words = texts.known()
    for reason, severity, remedy in FOUND_WHILE_PAIRING:
        here = np.flatnonzero(fates.reason == CODE[reason])
        source = readings.frame["source"].iloc[here]
        row = readings.frame["row"].iloc[here].to_numpy(np.int64)
        for name in source.unique():
            own = np.flatnonzero((source == name).to_numpy(np.bool_))
            own = own[np.argsort(row[own], kind="stable")]
            said = [words[place] for place in fates.text[here[own]]]
            found.each(severity, reason, files[name], row[own], None, said.__getitem__, remedy)


def input_notes(
    found: Findings, inputs: pd.DataFrame, files: Mapping[str, str], options: StudyOptions
) -> None:
    """
    Record where the estimator was told something else than the laboratory found.

    Parameters
    ----------
    found : Findings
        Takes the notes.
    inputs : DataFrame
        One row per pair of a field estimate: row, set_mass_kg, set_hr_max_bpm, set_age_years (means
        of the readings used), mass_kg, hr_max_bpm, age_years (of the laboratory).
    files : mapping
        Table to file.
    options : StudyOptions
        For the file's own column names.
    """
    if inputs.empty:
        return
    own_format = options.files.get("field_estimates")
    names = own_format.columns if own_format else {}
    for reason, ours, measured, unit, tolerance in (
        ("mass_mismatch", "set_mass_kg", "mass_kg", "kg", MASS_MISMATCH * inputs["mass_kg"]),
        ("hr_max_mismatch", "set_hr_max_bpm", "hr_max_bpm", "bpm", HR_MAX_MISMATCH_BPM),
        ("age_mismatch", "set_age_years", "age_years", "years", AGE_MISMATCH_YEARS),
    ):
        off = (inputs[ours] - inputs[measured]).abs() > tolerance + ROUNDING
        if not off.any():
            continue
        here = inputs[off].sort_values(["row", ours], kind="stable")
        words = [
            f"Set to {told:.4g} {unit}; the laboratory has {true:.4g} {unit}."
            for told, true in zip(here[ours], here[measured], strict=True)
        ]
        row, column = here["row"].to_numpy(np.int64), names.get(ours, ours)
        remedy = "Correct the setting; a wrong one shifts the estimate."
        file = files["field_estimates"]
        found.each("note", reason, file, row, column, words.__getitem__, remedy)


def no_pair_notes(
    found: Findings,
    laboratory: pd.DataFrame,
    units: Units,
    fates: UnitFates,
    pairs: pd.DataFrame,
    methods: Iterable[str],
    file: str,
) -> None:
    """Record for each method the tests that are in a pair of another method only."""
    row, paired = laboratory["row"].to_numpy(np.int64), (fates.reason == KEPT)[units.of_test]
    for method in sorted(methods):
        served = np.zeros(len(units.day), np.bool_)
        served[pairs["unit"][pairs["method"] == method]] = True
        without = np.sort(row[paired & ~served[units.of_test]])
        if without.size:
            found.note(
                "no_pair_for_method",
                file,
                f"{_tests(len(without))} in a pair of another method, but in none of {method}: "
                f"{_rows(without)}.",
                "Used where there is a pair; the lines left out say why there is none here.",
            )


def mode_note(
    found: Findings,
    laboratory: pd.DataFrame,
    units: Units,
    fates: UnitFates,
    parts: Sequence[Part],
    file: str,
) -> None:
    """Record that many tests are lost because the estimates near them are of another mode."""
    row = laboratory["row"].to_numpy(np.int64)
    lost = np.sort(row[fates.lost_to_mode[units.of_test]])
    if len(lost) <= LOST_TO_MODE * len(row):
        return
    tables = ("[pairing]", "[pairing.field_tests]")
    keys = [
        f"mode_match = {apart} under {table}"
        for table, part in zip(tables, parts, strict=False)  # a study may have one set of rules
        if (apart := _modes_apart(part))
    ]
    found.note(
        "mode_mismatch",
        file,
        f"{len(lost)} of {_tests(len(row))} have only estimates of another mode near them: "
        f"{_rows(lost)}.",
        f"If these modes may be compared, set {' and '.join(keys)} in study.toml.",
    )


def drug_note(
    found: Findings, pairs: pd.DataFrame, heart_rate_based: Mapping[str, bool], file: str
) -> None:
    """Count the athletes whose heart-rate-limiting drugs are not known, where it matters."""
    methods = [name for name, based in heart_rate_based.items() if based]
    pairs = pairs[pairs["method"].isin(methods)]
    unknown = pairs.loc[pairs["hr_limiting_drug"] == "unknown", "athlete_id"].nunique()
    if unknown:
        found.note(
            "hr_limiting_drug_unknown",
            file,
            f"{unknown} of {pairs['athlete_id'].nunique()} athletes with a pair of a "
            "heart-rate-based method: hr_limiting_drug is not known. They stay in group `all`.",
            "Fill the column hr_limiting_drug of the athletes table with yes or no.",
        )


def _tests(count: int) -> str:
    """Return a number of laboratory tests as text."""
    return "1 laboratory test" if count == 1 else f"{count} laboratory tests"


def _rows(rows: Ints) -> str:
    """Return some row numbers as text."""
    text = ("row " if len(rows) == 1 else "rows ") + ", ".join(map(str, rows[:NAMED].tolist()))
    return text if len(rows) <= NAMED else f"{text} and {len(rows) - NAMED} more"


def _modes_apart(part: Part) -> str:
    """Return the modes that would have to match, as study.toml writes them; empty without any."""
    fate = part.paired.fate
    both = np.unique(fate.detail[fate.reason == CODE["mode_mismatch"]]).astype(np.int64)
    groups = [
        f'["{ALL_MODES[laboratory]}", "{ALL_MODES[own]}"]'
        for laboratory, own in zip(*divmod(both, len(ALL_MODES)), strict=True)
    ]
    return f"[{', '.join(groups)}]" if groups else ""
