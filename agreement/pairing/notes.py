"""What the reader of the pairs should know: notes, and rows that were set aside on the way."""

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from agreement.errors import Severity
from agreement.pairing.cleaning import CODE
from agreement.pairing.messages import Texts
from agreement.pairing.reading_fates import Part, ReadingFates
from agreement.pairing.repeated_rows import COUNT_AS_ONE, note_repeated_rows
from agreement.tables.findings import SHOWN, Findings
from agreement.tables.options import StudyOptions
from agreement.terms import AGE_WITHIN_YEARS, HR_MAX_WITHIN_BPM, MASS_WITHIN_PCT

ROUNDING = 1e-9  # two per cent in decimals is no more than two per cent


class Found(NamedTuple):
    """What `check` says of readings that pairing left out for one reason."""

    reason: str
    severity: Severity
    column: str  # a key of `COLUMNS`
    value: Callable[[pd.DataFrame], list[str]]  # what stands in the rows
    remedy: str


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
    Found("copy", "note", "time", _values, "Nothing to do."),
    Found("conflicting_copy", "set_aside", "time", _values, "Keep the right row in the file."),
    Found(
        "stale",
        "note",
        "time",
        _values,
        "See whether the source still updates; `stale_after_days` sets the limit.",
    ),
    Found(
        "no_mass",
        "set_aside",
        "mass",
        _values,
        "Give set_mass_kg, or mass_kg of the laboratory test.",
    ),
    Found(
        "unknown_athlete",
        "set_aside",
        "athlete",
        _athletes,
        "Add the athlete, or join the two ids in id_map.",
    ),
    Found(
        "out_of_range", "set_aside", "mass", _values, "Check the value, its unit and the body mass."
    ),
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
            note_repeated_rows(found, readings, parts, each.reason, each.value, places, each.remedy)
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
            found.each(
                each.severity,
                each.reason,
                files[name],
                row[own],
                column,
                said.__getitem__,
                each.remedy,
            )


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
    for reason, ours, measured, unit, tolerance in (
        (
            "mass_mismatch",
            "set_mass_kg",
            "mass_kg",
            "kg",
            MASS_WITHIN_PCT / 100 * inputs["mass_kg"],
        ),
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
