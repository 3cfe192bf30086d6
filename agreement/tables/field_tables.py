"""The checked tables of the field: estimates, field tests and training sessions."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.tables.athletes_table import Athletes
from agreement.tables.codes import code_column, label_column
from agreement.tables.columns import FIELD_TESTS
from agreement.tables.dates import moment_column
from agreement.tables.findings import Findings
from agreement.tables.ids import id_column
from agreement.tables.lab_table import CheckedTable
from agreement.tables.leaving import Leaving, drop_withdrawn
from agreement.tables.number_columns import number_columns
from agreement.tables.readers import RawTable
from agreement.tables.rules import hint, keep_rules, value_text
from agreement.tables.text_cells import Distinct
from agreement.tables.vo2max_values import vo2max_values

Floats = npt.NDArray[np.float64]
SET_NUMBERS = ("set_mass_kg", "set_hr_max_bpm", "set_age_years")
TEST_NUMBERS = tuple(n for n, c in FIELD_TESTS.columns.items() if c.kind == "number")
_ENOUGH_TO_SEE_ROUNDING = 5


def field_estimates_table(
    raw: RawTable, athletes: Athletes, id_map: dict[str, str], zone: str | None, findings: Findings
) -> CheckedTable:
    """
    Return the checked estimates.

    raw: as read; the rows of people who withdrew are removed from it.
    athletes: who may appear.
    id_map: athlete ids by the id found.
    Returns: `vo2max_l_min` holds only the values that wait for the mass of the paired test; texts
        are categories.
    """
    count, _ = drop_withdrawn(raw, id_map, athletes.people, findings)
    people = id_column(raw, "athlete_id", findings, id_map)
    moments = moment_column(raw, "taken_at", zone, findings)
    method = label_column(raw, "method", findings)
    mode = code_column(raw, "mode", findings)
    numbers = number_columns(raw, findings)
    refused = keep_rules(raw, numbers, None, findings)
    nothing = np.full(len(raw.rows), np.nan)
    values = vo2max_values(numbers, refused, numbers.get("set_mass_kg", nothing), len(raw.rows))
    leaving = Leaving(raw, people, findings)
    leaving.mark_missing("athlete_id", people.codes < 0)
    leaving.mark_missing("taken_at", np.isnat(moments.instant))
    leaving.mark_missing("method", method.codes < 0)
    leaving.mark_missing("mode", mode.codes < 0)
    column = values.column_of(raw.theirs)
    said = leaving.saying(column)
    leaving.mark(
        np.isnan(values.relative) & np.isnan(values.absolute),
        "missing_value",
        lambda i: f"No VO2max: {said(i)}; the row is left out.",
        column=column,
        remedy="Fill the cell.",
    )
    for source, column in enumerate(values.column):
        leaving.mark(
            values.refused & (values.source == source),
            "out_of_range",
            values.refusal,
            column=column,
            remedy="Correct it, or state its unit.",
        )
    # athletes who are not in the athletes table stay: pairing names copies and stale rows first
    _note_rounding(raw, method, values.relative, findings)
    waiting = values.from_absolute & np.isnan(values.converted)
    frame = pd.DataFrame(
        {
            "athlete_id": people.coded(),
            "instant": moments.instant,
            "date": moments.date,
            "method": method.coded(),
            "mode": mode.coded(),
            "vo2max": values.converted,
            "vo2max_l_min": np.where(waiting, values.absolute, np.nan),
            "sensor": code_column(raw, "sensor", findings).coded(),
            **{name: numbers.get(name, nothing) for name in SET_NUMBERS},
        },
        copy=False,
    )
    empty = np.isnan(values.relative) & np.isnan(values.absolute) & (people.codes >= 0)
    names = {"athlete_id": people, "method": method, "mode": mode}
    asked = pd.DataFrame({name: one.series()[empty] for name, one in names.items()}).dropna()
    finished = CheckedTable(leaving.finish(frame), count, people.present())
    return replace(finished, without_value=asked.drop_duplicates(ignore_index=True))


def field_tests_table(
    raw: RawTable, athletes: Athletes, id_map: dict[str, str], zone: str | None, findings: Findings
) -> CheckedTable:
    """Return the checked field tests; parameters as for `field_estimates_table`."""
    count, _ = drop_withdrawn(raw, id_map, athletes.people, findings)
    people = id_column(raw, "athlete_id", findings, id_map)
    tests = id_column(raw, "field_test_id", findings)
    moments = moment_column(raw, "date", zone, findings)
    protocol = label_column(raw, "protocol", findings)
    numbers = number_columns(raw, findings)
    keep_rules(raw, numbers, None, findings)
    # a row without a test id of its own is called by its athlete
    leaving = Leaving(raw, tests if len(tests.labels) else people, findings)
    leaving.mark_missing("athlete_id", people.codes < 0)
    leaving.mark_missing("date", np.isnat(moments.date))
    leaving.mark_missing("protocol", protocol.codes < 0)
    nothing = np.full(len(raw.rows), np.nan)
    frame = pd.DataFrame(
        {
            "field_test_id": tests.series(),
            "athlete_id": people.series(),
            "date": moments.date,
            "instant": moments.instant,
            "protocol": protocol.series(),
            "mode": code_column(raw, "mode", findings).series(),
            "sensor": code_column(raw, "sensor", findings).series(),
            "completed": code_column(raw, "completed", findings).series(),
            **{name: numbers.get(name, nothing) for name in TEST_NUMBERS},
        },
        copy=False,
    )
    return CheckedTable(leaving.finish(frame), count, people.present())


def sessions_table(
    raw: RawTable, athletes: Athletes, id_map: dict[str, str], zone: str | None, findings: Findings
) -> CheckedTable:
    """Return the checked sessions; parameters as for `field_estimates_table`."""
    count, withdrawn = drop_withdrawn(raw, id_map, athletes.people, findings)
    people = id_column(raw, "athlete_id", findings, id_map)
    sessions = id_column(raw, "session_id", findings)
    moments = moment_column(raw, "started_at", zone, findings)
    mode = code_column(raw, "mode", findings)
    numbers = number_columns(raw, findings)
    refused = keep_rules(raw, numbers, sessions, findings)
    nothing = np.full(len(raw.rows), np.nan)
    duration = numbers.get("duration_min", nothing)
    leaving = Leaving(raw, sessions, findings)
    leaving.mark_missing("session_id", sessions.codes < 0)
    leaving.mark_missing("athlete_id", people.codes < 0)
    leaving.mark_missing("started_at", np.isnat(moments.instant))
    leaving.mark_missing("mode", mode.codes < 0)
    leaving.mark_missing("duration_min", np.isnan(duration))
    leaving.mark(
        refused.get("duration_min", np.zeros(len(raw.rows), dtype=np.bool_)),
        "out_of_range",
        lambda i: (
            value_text("duration_min", duration[i], refused=True)
            + hint("duration_min", duration[i])
        ),
        column="duration_min",
        remedy="Correct it, or state its unit.",
    )
    leaving.mark_unknown_athletes(people, athletes.people)
    frame = pd.DataFrame(
        {
            "session_id": sessions.series(),
            "athlete_id": people.series(),
            "instant": moments.instant,
            "date": moments.date,
            "mode": mode.series(),
            "duration_min": duration,
            "sensor": code_column(raw, "sensor", findings).series(),
            "intermittent": code_column(raw, "intermittent", findings).series(),
            "temperature_c": numbers.get("temperature_c", nothing),
            "altitude_m": numbers.get("altitude_m", nothing),
            "tag": code_column(raw, "tag", findings).series(),
            **{f"zone{z}_min": numbers.get(f"zone{z}_min", nothing) for z in (1, 2, 3)},
        },
        copy=False,
    )
    keys = sessions.present()
    return CheckedTable(leaving.finish(frame), count, people.present(), keys, withdrawn)


def _note_rounding(raw: RawTable, method: Distinct, values: Floats, findings: Findings) -> None:
    """Note the methods whose values are all whole numbers."""
    present = ~np.isnan(values) & (method.codes >= 0)
    broken = present & (values != np.rint(values))
    count = np.bincount(method.codes[present], minlength=len(method.labels))
    fractions = np.bincount(method.codes[broken], minlength=len(method.labels))
    for label, n, fraction in zip(method.labels, count, fractions, strict=True):
        if n >= _ENOUGH_TO_SEE_ROUNDING and not fraction:
            # a value rounded to whole numbers is off by a uniform error of SD 1/sqrt(12)
            what = f"'{label}' gives whole numbers; rounding adds noise of SD about 0.3 mL/kg/min."
            remedy = "Take the values unrounded where the source has them."
            findings.note("rounding", raw.file, what, remedy, column=raw.theirs.get("method"))
