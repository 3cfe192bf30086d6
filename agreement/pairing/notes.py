"""What the reader of the pairs should know: notes, and rows that were set aside on the way."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from agreement.errors import Severity
from agreement.pairing.cleaning import CODE
from agreement.pairing.messages import Texts
from agreement.pairing.reading_fates import ReadingFates
from agreement.tables.findings import Findings
from agreement.tables.options import StudyOptions

# All common practice, no source. One bpm of HRmax moves a heart-rate-based estimate by about 0.4.
MASS_MISMATCH = 0.02  # share of the mass in the laboratory
HR_MAX_MISMATCH_BPM = 10.0
AGE_MISMATCH_YEARS = 1.0  # whole years on both sides can differ by one
ROUNDING = 1e-9  # two per cent in decimals is no more than two per cent

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
    readings: pd.DataFrame,
    fates: ReadingFates,
    texts: Texts,
    files: Mapping[str, str],
) -> None:
    """Record copies, conflicts, stale runs and values that could not be converted."""
    words = texts.known()
    for reason, severity, remedy in FOUND_WHILE_PAIRING:
        here = np.flatnonzero(fates.reason == CODE[reason])
        source = readings["source"].iloc[here]
        row = readings["row"].iloc[here].to_numpy(np.int64)
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
