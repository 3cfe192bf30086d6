"""Doubts about single tables: turned codes, clock times as decimals, dates that cannot be."""

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Final

import numpy as np
import pandas as pd

from agreement.errors import Problem
from agreement.tables.columns import INPUTS
from agreement.tables.doubts import doubt
from agreement.tables.findings import Findings
from agreement.tables.options import StudyOptions
from agreement.tables.study_file import STUDY_FILE
from agreement.terms import DOUBTS

# No clock is right that says an earlier day: a machine that lost its time must not refuse a study.
RELEASED: Final = dt.date(2026, 11, 29)
EARLIEST: Final = dt.date(1970, 1, 1)
CLOCK_FEWEST, CLOCK_NOTED = 12, 5  # times with decimals; 0.6 to the 12th is 0.2 %
MARKED: Final = {
    "lab_tests": "lab_test_id",
    "field_tests": "field_test_id",
    "sessions": "session_id",
    "athletes": "athlete_id",
}
CLOCK_COLUMNS: Final = {"field_tests": "time_min", "sessions": "duration_min"}
_MEANS: Final = {  # what files say for yes and no
    "yes": {"yes", "y", "1", "true", "ja", "oui", "si", "sí"},
    "no": {"no", "n", "0", "false", "nein", "nei", "non"},
}


def doubt_tables(
    options: StudyOptions,
    frames: Mapping[str, pd.DataFrame],
    names: Mapping[str, str],
    findings: Findings,
) -> None:
    """
    Record what looks too wrong in single tables, and settle every doubt found while reading.

    frames: the checked tables: date, row.
    names: table -> file.
    findings: takes the doubts; those already in it become stops or notes as ``[confirm]`` says.
    """
    _turned_codes(options, findings)
    for name, frame in frames.items():
        if len(frame):
            _odd_dates(name, frame, names, options, findings)
            _clock_times(name, frame, names, options, findings)
            _put_aside(name, frame, names, findings)
    settle(options, findings)


def settle(options: StudyOptions, findings: Findings) -> None:
    """Let ``[confirm]`` decide about doubts that were found where it is not known."""
    findings.problems[:] = settled(options, findings.problems)


def settled(options: StudyOptions, problems: Iterable[Problem]) -> list[Problem]:
    """Return problems, doubts among them as `agreement.tables.doubts.doubt` gives them."""
    return [
        doubt(options, p.reason, p.file, p.what, p.remedy, row=p.row, column=p.column)
        if p.severity == "stop" and p.reason in DOUBTS and "[confirm]" not in p.remedy
        else p
        for p in problems
    ]


def _turned_codes(options: StudyOptions, findings: Findings) -> None:
    """Doubt codes that say the opposite of what they say."""
    for name, form in options.files.items():
        for column, codes in form.codes.items():
            known = INPUTS[name].columns.get(column)
            allowed = () if known is None else known.codes
            for theirs, ours in codes.items():
                said = theirs.strip().casefold()
                meant = next((word for word, says in _MEANS.items() if said in says), said)
                if meant in allowed and ours in allowed and meant != ours:
                    what = f"[files.{name}] reads '{theirs}' of {column} as '{ours}'."
                    remedy = "Remove the code, or correct it."
                    findings.stop("codes_turned", STUDY_FILE, what, remedy)


def _odd_dates(
    name: str,
    frame: pd.DataFrame,
    names: Mapping[str, str],
    options: StudyOptions,
    findings: Findings,
) -> None:
    """Doubt dates up to the day from which machines count, and after tomorrow."""
    tomorrow = max(dt.date.today(), RELEASED) + dt.timedelta(days=1)
    dates = frame["date"]
    odd = (dates <= pd.Timestamp(EARLIEST)) | (dates > pd.Timestamp(tomorrow))
    if not odd.any():
        return
    first = frame[odd].iloc[0]
    rows = f"{int(odd.sum())} of {len(frame)} dates lie on or before {EARLIEST} or after {tomorrow}"
    what = f"{rows}, first {first['date'].date()}."
    column = {"field_estimates": "taken_at", "sessions": "started_at"}.get(name, "date")
    findings.stop(
        "odd_dates",
        names.get(name, name),
        what,
        "Correct them; a year may be mistyped.",
        row=int(first["row"]),
        column=options.header(name, column),
    )


def _put_aside(
    name: str, frame: pd.DataFrame, names: Mapping[str, str], findings: Findings
) -> None:
    """Doubt rows that somebody took out by a mark before them, which a table does not know."""
    column = MARKED.get(name)
    if column is None or column not in frame:
        return
    marked = frame[column].astype(str).str.startswith(("#", "//")).to_numpy(dtype=bool)
    if not 0 < marked.sum() <= len(frame) / 2:
        return
    first = frame[marked].iloc[0]
    what = (
        f"{marked.sum()} of {len(frame)} rows begin like a remark ('{first[column]}' first), and would "
        "be read all the same."
    )
    remedy = "Delete what does not count, or take the mark away."
    findings.stop("hidden_rows", names.get(name, name), what, remedy, row=int(first["row"]))


def _clock_times(
    name: str,
    frame: pd.DataFrame,
    names: Mapping[str, str],
    options: StudyOptions,
    findings: Findings,
) -> None:
    """Doubt minutes whose decimals never reach 60: 11:45 written as 11.45."""
    column = CLOCK_COLUMNS.get(name)
    if column is None or column not in frame:
        return
    hundredths = np.round(frame[column].dropna().to_numpy(np.float64) * 100, 6)
    part = hundredths[hundredths % 100 != 0] % 100
    if len(part) < CLOCK_NOTED or (part % 1 != 0).any() or (part >= 60).any():
        return
    if not (part % 10 != 0).any():  # tenths, or half minutes
        return
    what = (
        f"None of {len(part)} times has decimals of .60 or more, as if 11:45 had been written 11.45 "
        f"(largest: .{int(part.max()):02d})."
    )
    remedy = "Write them as 11:45, or as decimal minutes, 11.75."
    file, header = names.get(name, name), options.header(name, column)
    if len(part) < CLOCK_FEWEST:
        findings.note("clock_times", file, what, remedy, column=header)
        return
    findings.stop("clock_times", file, what, remedy, column=header)
