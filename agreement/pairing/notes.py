"""What the reader of the pairs should know: notes, and rows that were set aside on the way."""

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from agreement.pairing.cleaning import CODE
from agreement.pairing.messages import Texts
from agreement.pairing.reading_fates import Part, ReadingFates
from agreement.pairing.repeated_rows import COUNT_AS_ONE, note_repeated_rows
from agreement.tables.findings import SHOWN, Findings, message
from agreement.tables.options import StudyOptions
from agreement.terms import AGE_WITHIN_YEARS, HR_MAX_WITHIN_BPM, MASS_WITHIN_PCT

ROUNDING = 1e-9  # two per cent in decimals is no more than two per cent


class Found(NamedTuple):
    """What `check` says of readings that pairing left out for one reason."""

    reason: str
    message: str  # of `messages.toml`
    column: str  # a key of `COLUMNS`
    value: Callable[[pd.DataFrame], list[str]]  # what stands in the rows


def _values(readings: pd.DataFrame) -> list[str]:
    """Return the value of each reading as text."""
    return [
        f"{litres:g} L/min" if np.isnan(value) else f"{value:.4g} mL/kg/min"
        for value, litres in zip(readings["field"], readings["field_l_min"], strict=True)
    ]


def _athletes(readings: pd.DataFrame) -> list[str]:
    """Return the athlete of each reading."""
    return [f"'{athlete}'" for athlete in readings["athlete_id"]]


FOUND_WHILE_PAIRING: Sequence[Found] = (
    Found("copy", "reading_copied", "time", _values),
    Found("conflicting_copy", "readings_in_conflict", "time", _values),
    Found("stale", "reading_stale", "time", _values),
    Found("no_mass", "reading_without_mass", "mass", _values),
    Found("unknown_athlete", "reading_of_nobody", "athlete", _athletes),
    Found("out_of_range", "reading_beyond", "mass", _values),
)
COLUMNS: Mapping[str, Mapping[str, str]] = {
    "time": {"field_estimates": "taken_at", "field_tests": "date", "sessions": "started_at"},
    "mass": {"field_estimates": "set_mass_kg"},
    "athlete": dict.fromkeys(("field_estimates", "field_tests", "sessions"), "athlete_id"),
}


def reading_notes(
    found: Findings,
    readings: pd.DataFrame,
    fates: ReadingFates,
    texts: Texts,
    files: Mapping[str, str],
    options: StudyOptions,
    parts: Sequence[Part] = (),
) -> None:
    """
    Record copies, conflicts, stale runs and values that could not be converted.

    With the `parts` that were paired, copies and stale runs are one note for each group instead of
    one for each row; leave them out where a row's number alone does not say where it stands.
    """
    words = texts.known()
    for each in FOUND_WHILE_PAIRING:
        if parts and each.reason in COUNT_AS_ONE:
            places = {
                name: (files[name], options.header(name, column))
                for name, column in COLUMNS[each.column].items()
                if name in files
            }
            how = (each.reason, each.message, each.value)
            note_repeated_rows(found, readings, parts, *how, places)
            continue
        here = np.flatnonzero(fates.reason == CODE[each.reason])
        source = readings["source"].iloc[here]
        row = readings["row"].iloc[here].to_numpy(np.int64)
        for name in source.unique():
            own = np.flatnonzero((source == name).to_numpy(np.bool_))
            own = own[np.argsort(row[own], kind="stable")]
            shown = here[own[:SHOWN]]
            values = each.value(readings.iloc[shown])
            said = [
                f"{value}: {words[place]}"
                for value, place in zip(values, fates.text[shown], strict=True)
            ]
            column = options.header(name, COLUMNS[each.column][name])
            severity, reason, _, remedy = message(each.message)
            place = (files[name], row[own], column)
            found.each(severity, reason, *place, said.__getitem__, remedy)


def input_notes(
    found: Findings, inputs: pd.DataFrame, files: Mapping[str, str], options: StudyOptions
) -> None:
    """
    Record where the estimator was told something else than the laboratory found.

    inputs: one row per pair of a field estimate: row, set_mass_kg, set_hr_max_bpm, set_age_years
        (means of the readings used), mass_kg, hr_max_bpm, age_years (of the laboratory).
    files: table to file.
    options: for the file's own column names.
    """
    if inputs.empty:
        return
    of_mass = MASS_WITHIN_PCT / 100 * inputs["mass_kg"]
    for reason, ours, measured, unit, tolerance in (
        ("mass_mismatch", "set_mass_kg", "mass_kg", "kg", of_mass),
        ("hr_max_mismatch", "set_hr_max_bpm", "hr_max_bpm", "bpm", HR_MAX_WITHIN_BPM),
        ("age_mismatch", "set_age_years", "age_years", "years", AGE_WITHIN_YEARS),
    ):
        off = (inputs[ours] - inputs[measured]).abs() > tolerance + ROUNDING
        if not off.any():
            continue
        here = inputs[off].sort_values(["row", ours], kind="stable")
        words = [
            f"Set to {told:.4g} {unit}; the laboratory has {true:.4g} {unit}."
            for told, true in zip(here[ours], here[measured], strict=True)
        ]
        row, column = here["row"].to_numpy(np.int64), options.header("field_estimates", ours)
        remedy = "Correct the setting; a wrong one shifts the estimate."
        file = files["field_estimates"]
        found.each("note", reason, file, row, column, words.__getitem__, remedy)
