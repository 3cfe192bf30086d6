"""What the reader of the pairs should know: notes, and rows that were set aside on the way."""

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from agreement.arrays import Ints
from agreement.pairing.cleaning import CODE, SAME_VALUE
from agreement.pairing.messages import Texts, rows_in_words
from agreement.pairing.pair_readings import PairedReadings
from agreement.pairing.reading_fates import ReadingFates
from agreement.tables.findings import SHOWN, Findings, message, more_rows
from agreement.tables.options import StudyOptions
from agreement.terms import AGE_WITHIN_YEARS, HR_MAX_WITHIN_BPM, MASS_WITHIN_PCT

COUNT_AS_ONE = ("copy", "stale")


class _Groups(NamedTuple):
    """Rows left out for one reason, sorted; `starts` are where the groups begin, `first` their rows."""

    left: Ints  # positions among the sorted readings
    starts: Ints
    first: Ints


def note_repeated_rows(
    found: Findings,
    readings: pd.DataFrame,
    parts: Sequence[PairedReadings],
    reason: str,
    name: str,
    values: Callable[[pd.DataFrame], list[str]],
    places: Mapping[str, tuple[str, str]],
) -> None:
    """
    Record each group once: which rows it has, and which of them counts.

    reason: {"copy", "stale"}. Why the rows were left out.
    name: of what is said, in `messages.toml`.
    places: for each source its file and column.

    Only the groups that are shown are looked at one by one; all others are counted.
    """
    for part in parts:
        at = np.arange(len(readings))[part.at]
        groups = _groups(readings, part, at, reason)
        if groups is None:
            continue
        rows, fate, sources = part.rows, part.fate, readings["source"]
        of_group = sources.iloc[at[rows.order[groups.left[groups.starts]]]].to_numpy(object)
        ends = np.append(groups.starts[1:], len(groups.left))
        for source in dict.fromkeys(of_group.tolist()):
            own = np.flatnonzero(of_group == source)
            own = own[np.argsort(groups.first[own], kind="stable")]
            file, column = places[source]
            for i in own[:SHOWN]:
                left = groups.left[groups.starts[i] : ends[i]]
                one = readings.iloc[[at[rows.order[left[0]]]]]
                count = len(left) + 1 if reason == "copy" else int(fate.detail[rows.order[left[0]]])
                said = _sentence(reason, one, values(one)[0], rows.row[left], count)
                found.tell(name, file, row=int(groups.first[i]), column=column, said=said)
            rest = int((ends - groups.starts)[own[SHOWN:]].sum())
            if rest:
                found.tell(name, file, column=column, said=more_rows(rest))


def _groups(readings: pd.DataFrame, part: PairedReadings, at: Ints, reason: str) -> _Groups | None:
    """Return the groups of one reason; None where there are none."""
    fate, rows = part.fate, part.rows
    left_out = fate.reason == CODE[reason]
    if not left_out.any():
        return None
    left = np.flatnonzero(left_out[rows.order])
    if reason == "copy":
        new = (np.diff(rows.series_day[left]) != 0) | (np.diff(rows.moment[left]) != 0)
    else:
        some = readings[["field", "field_l_min"]].iloc[at[rows.order[left]]]
        value = some["field"].fillna(some["field_l_min"]).to_numpy(np.float64)  # as it was given
        new = (np.diff(rows.series_day[left]) > 1) | (np.abs(np.diff(value)) > SAME_VALUE)
    starts = np.flatnonzero(np.append(True, new))
    return _Groups(left, starts, np.minimum.reduceat(rows.row[left], starts))


def _sentence(reason: str, one: pd.DataFrame, value: str, left: Ints, count: int) -> str:
    """Return what is said of one group, of which the first row counts and those `left` do not."""
    athlete, rows = str(one["athlete_id"].iloc[0]), rows_in_words(np.sort(left))
    if reason == "copy":
        day = one["date"].iloc[0].date()
        return f"{count} identical rows for {athlete} on {day}, {value}; kept one, left out {rows}."
    return f"{athlete}: same value {value} on {count} days running; counts as one, left out {rows}."


ROUNDING = 1e-9  # two per cent in decimals is no more than two per cent


class Found(NamedTuple):
    """What `check` says of readings that pairing left out for one reason."""

    reason: str
    message: str  # of `messages.toml`
    column: str  # a key of `COLUMNS_AT_FAULT`
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
COLUMNS_AT_FAULT: Mapping[str, Mapping[str, str]] = {
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
    parts: Sequence[PairedReadings] = (),
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
                for name, column in COLUMNS_AT_FAULT[each.column].items()
                if name in files
            }
            how = (each.reason, each.message, each.value)
            note_repeated_rows(found, readings, parts, *how, places)
            continue
        here = np.flatnonzero(fates.reason == CODE[each.reason])
        if not here.size:
            continue
        source = readings["source"].iloc[here]
        row = readings["row"].iloc[here].to_numpy(np.int64)
        for name in source.unique():
            own = np.flatnonzero((source == name).to_numpy(np.bool_))
            own = own[np.argsort(row[own], kind="stable")]
            shown = here[own[:SHOWN]]
            both = zip(each.value(readings.iloc[shown]), fates.text[shown], strict=True)
            said = [f"{value}: {words[place]}" for value, place in both]
            column = options.header(name, COLUMNS_AT_FAULT[each.column][name])
            severity, reason, _, remedy = message(each.message)
            place = (files[name], row[own], column)
            found.each(severity, reason, *place, said.__getitem__, remedy)


def input_notes(
    found: Findings, pairs: pd.DataFrame, files: Mapping[str, str], options: StudyOptions
) -> None:
    """
    Record where the estimator was told something else than the laboratory found.

    pairs: source, row, set_mass_kg, set_hr_max_bpm, set_age_years (means of the readings used),
        mass_kg, hr_max_bpm, age_years (of the laboratory).
    """
    estimates = (pairs["source"] == "field_estimates").to_numpy(np.bool_)
    of_mass = MASS_WITHIN_PCT / 100 * pairs["mass_kg"].to_numpy(np.float64)
    for name, ours, measured, tolerance in (
        ("mass_mismatch", "set_mass_kg", "mass_kg", of_mass),
        ("hr_max_mismatch", "set_hr_max_bpm", "hr_max_bpm", HR_MAX_WITHIN_BPM),
        ("age_mismatch", "set_age_years", "age_years", AGE_WITHIN_YEARS),
    ):
        told, true = (pairs[name].to_numpy(np.float64) for name in (ours, measured))
        off = estimates & (np.abs(told - true) > tolerance + ROUNDING)
        if not off.any():
            continue
        here = pairs[off].sort_values(["row", ours], kind="stable")
        severity, reason, what, remedy = message(name)
        words = [
            what.format(told=told, true=true)
            for told, true in zip(here[ours], here[measured], strict=True)
        ]
        row, column = here["row"].to_numpy(np.int64), options.header("field_estimates", ours)
        file = files["field_estimates"]
        found.each(severity, reason, file, row, column, words.__getitem__, remedy)
