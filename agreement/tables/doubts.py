"""What looks too wrong to be computed from: most stops the run until `[confirm]` says why it is right."""

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.errors import Problem
from agreement.tables.columns import INPUTS, MOMENT
from agreement.tables.findings import Findings, Words, problem
from agreement.tables.options import STUDY_FILE, FileFormat, StudyOptions
from agreement.terms import DOUBTS, NOTED_DOUBTS


def settled(options: StudyOptions, found: Problem) -> Problem:
    """
    Return a doubt as a stop, or as a note where it is of `NOTED_DOUBTS` or confirmed to be right.

    >>> found = Problem("stop", "twins", "lab.csv", None, None, "A and B are equal.", "Look.")
    >>> settled(StudyOptions(), found).severity
    'stop'
    """
    code = found.reason
    if (known := options.confirm.get(code)) is not None:
        remedy = f"Confirmed on {known.on.isoformat()}: {known.reason.rstrip('.')}."
        return replace(found, severity="note", remedy=remedy)
    if code in NOTED_DOUBTS:
        return replace(found, severity="note")
    key = f'[confirm] of study.toml: {code} = {{ reason = "...", on = YYYY-MM-DD }}'
    return replace(found, remedy=f"{found.remedy} If it is right, say why in {key}.")


# No clock is right that says an earlier day: a machine that lost its time must not refuse a study.
RELEASED: Final = dt.date(2026, 11, 29)
EARLIEST: Final = dt.date(1970, 1, 1)
CLOCK_FEWEST, CLOCK_NOTED = 12, 5  # times with decimals; 0.6 to the 12th is 0.2 %
MARKED: Final = ("lab_tests", "field_tests", "sessions")  # tables whose rows have ids of their own
CLOCK_COLUMNS: Final = {"field_tests": "time_min", "sessions": "duration_min"}
_SUMS: Final = frozenset(  # ids of rows that sum up the others
    f"{form}{mark}"
    for word in (
        "mean", "means", "average", "avg", "median", "sd", "std", "stdev", "StDev", "sem", "total",
        "sum", "mittel", "mittelwert", "standardabweichung", "summe", "moyenne", "somme", "promedio",
        "media", "snitt", "gjennomsnitt", "genomsnitt", "medel", "middelverdi", "gemiddelde", "somma",
    )
    for form in (word, word.title(), word.upper())
    for mark in ("", ".", ":")
)  # fmt: skip
_MEANS: Final = {  # what files say for yes and no
    "yes": {"yes", "y", "1", "true", "ja", "oui", "si", "sí"},
    "no": {"no", "n", "0", "false", "nein", "nei", "non"},
}


def doubt_said(
    options: StudyOptions, name: str, file: str, column: str | None = None, /, **values: Any
) -> Problem:
    """Return the doubt that `messages.toml` calls so, filled in with `values`; see `settled`."""
    return settled(options, problem(name, file, None, column, **values))


def doubt_tables(
    options: StudyOptions,
    frames: Mapping[str, pd.DataFrame],
    names: Mapping[str, str],
    findings: Findings,
) -> None:
    """
    Record what looks too wrong in the checked tables, and settle every doubt found while reading.

    names: table -> file.
    """
    _turned_codes(options, findings)
    for name, frame in frames.items():
        tell_odd_rows(name, frame, names.get(name, name), options.form(name), findings)
    settle(options, findings)


def tell_odd_rows(
    name: str, frame: pd.DataFrame, file: str, form: FileFormat, findings: Findings
) -> None:
    """Record what looks too wrong in one table, or in a part of it, to be settled afterwards."""
    for said, column, row, told in _odd(name, frame) if len(frame) else ():
        header, row = column and form.header(column), None if row is None else int(row)
        findings.tell(said, file, row=row, column=header, **told)


def settle(options: StudyOptions, findings: Findings) -> None:
    """Let ``[confirm]`` decide about doubts that were found where it is not known; see `settled`."""
    for i, p in enumerate(findings.problems):
        if p.severity == "stop" and p.reason in DOUBTS and "[confirm]" not in p.remedy:
            findings.problems[i] = settled(options, p)


def _turned_codes(options: StudyOptions, findings: Findings) -> None:
    """Doubt codes that say the opposite of what they say."""
    for name, form in options.files.items():
        for column, codes in form.codes.items():
            known = INPUTS[name].columns.get(column)
            allowed = () if known is None else known.codes
            for theirs, ours in codes.items():
                word = theirs.strip().casefold()
                meant = next((one for one, says in _MEANS.items() if word in says), word)
                if meant in allowed and ours in allowed and meant != ours:
                    said: Words = {"table": name, "theirs": theirs, "of": column, "ours": ours}
                    findings.tell("codes_turned", STUDY_FILE, **said)


def _odd(name: str, frame: pd.DataFrame) -> Iterator[tuple[str, str | None, Any, Words]]:
    """Yield what looks wrong in a table: message, our column, row, what the message is filled with."""
    # dates up to the day from which machines count, and after tomorrow
    tomorrow = max(dt.date.today(), RELEASED) + dt.timedelta(days=1)
    dates = frame["date"]
    odd = (dates <= pd.Timestamp(EARLIEST)) | (dates > pd.Timestamp(tomorrow))
    if odd.any():
        first = frame[odd].iloc[0]
        told: Words = {"odd": int(odd.sum()), "all": len(dates), "first": first["date"].date()}
        told |= {"earliest": EARLIEST, "tomorrow": tomorrow}
        yield "odd_dates", MOMENT[name], first["row"], told
    summed = frame["athlete_id"].isin(_SUMS)
    if summed.any():
        first = frame[summed].iloc[0]
        told = {"summed": summed.sum(), "all": len(frame), "first": first["athlete_id"]}
        yield "summary_rows", "athlete_id", first["row"], told
    # minutes whose decimals never reach 60: 11:45 written as 11.45
    if (minutes := CLOCK_COLUMNS.get(name, "")) in frame:
        hundredths = np.round(frame[minutes].dropna().to_numpy(np.float64) * 100, 6)
        part = hundredths[hundredths % 100 != 0] % 100
        whole = (part % 1 == 0).all() and (part < 60).all()
        if len(part) >= CLOCK_NOTED and whole and (part % 10 != 0).any():  # no tenths, half minutes
            message = "perhaps_clock_times" if len(part) < CLOCK_FEWEST else "clock_times"
            yield message, minutes, None, {"times": len(part), "largest": int(part.max())}
    # rows that somebody took out by a mark before them, which a table does not know
    own = INPUTS[name].ledger_id
    if name in MARKED:
        marked = frame[own].astype(str).str.startswith(("#", "//")).to_numpy(dtype=bool)
        if 0 < marked.sum() <= len(marked) / 2:
            first = frame[marked].iloc[0]
            told = {"marked": marked.sum(), "all": len(marked), "first": first[own]}
            yield "marked_rows", None, first["row"], told
