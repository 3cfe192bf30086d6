"""The ledger of a whole study: what the pairs made of each table's rows, exclusions and flow."""

from collections.abc import Collection

import numpy as np
import pandas as pd

from agreement.pairing.bucket import PairedBucket
from agreement.pairing.cleaning import CODE, KEPT
from agreement.pairing.laboratory_units import Units
from agreement.pairing.ledger import (
    FLOW_TABLES,
    best_of,
    close,
    rows_of,
    rows_of_lines,
    set_aside_lines,
)
from agreement.pairing.messages import NO_TEST, Texts
from agreement.pairing.reading_fates import ReadingFates
from agreement.pairing.unit_fates import UnitFates
from agreement.physiology.laboratory import LaboratoryValues
from agreement.physiology.readings import Readings
from agreement.tables.study_tables import StudyTables


def athletes_account(
    athletes: pd.DataFrame, units: Units, fates: UnitFates, texts: Texts
) -> pd.DataFrame:
    """Return the fates of athletes: used when in a pair."""
    who = units.athletes.get_indexer(pd.Index(athletes["athlete_id"]))
    paired = np.zeros(len(units.athletes) + 1, np.bool_)  # the last place stands for strangers
    paired[units.athlete[fates.reason == KEPT]] = True
    stranger = texts.place(NO_TEST)
    lonely = texts.place(
        "No laboratory test of this athlete has a usable estimate around it; collect some there."
    )
    no_test, no_pair = CODE["athlete_without_laboratory_test"], CODE["no_estimate_in_window"]
    return rows_of(
        athletes["row"],
        athletes["athlete_id"],
        np.where(paired[who], KEPT, np.where(who < 0, no_test, no_pair)),
        np.where(who < 0, stranger, lonely),
        np.ones(len(athletes), np.bool_),
    )


def sessions_account(
    sessions: pd.DataFrame,
    set_aside: pd.DataFrame | None,
    tests: pd.DataFrame,
    units: Units,
    readings: Readings,
    fates: ReadingFates,
    texts: Texts,
) -> pd.DataFrame:
    """
    Return the fates of sessions: those behind a paired estimate or a pair's profile are in.

    A session behind neither has the first cause of its readings, of the tests whose profile it is
    in, and of the stages before; without any of these it lies outside every window.

    set_aside, tests: what stages before have set aside, and all laboratory tests; see `rows_of`.
    """
    profiles = readings.profile_rows
    test = tests.iloc[pd.Index(tests["id"]).get_indexer(profiles["lab_test_id"])]
    of_test = (test[name].to_numpy(np.int64) for name in ("reason", "text"))
    known = [
        _members("sessions", readings, fates),
        rows_of(profiles["row"], profiles["id"], *of_test),
        *([] if set_aside is None else [set_aside]),
    ]
    rest = sessions[~sessions["row"].isin(pd.concat(known)["row"])]
    has_test = rest["athlete_id"].isin(units.athletes).to_numpy(np.bool_)
    reason = np.where(has_test, CODE["outside_window"], CODE["athlete_without_laboratory_test"])
    far = texts.place("In the window of no laboratory test (`window_days`).")
    text = np.where(has_test, far, texts.place(NO_TEST))
    return best_of([*known, rows_of(rest["row"], rest["session_id"], reason, text)])


def raw_files_account(names: Collection[str], owners: pd.DataFrame) -> pd.DataFrame:
    """
    Return the fates of raw files, by the id of their test or session: those of their `owners`.

    Raises RuntimeError if a file has no owner: a mistake of this program.
    """
    identity = pd.Series(sorted(names), dtype="str")
    owners = owners[owners["id"].notna()]  # a row without an id has no file
    at = pd.Index(owners["id"]).get_indexer(pd.Index(identity))
    if (at < 0).any():
        raise RuntimeError(f"No account of the owner of {', '.join(identity[at < 0])}.")
    no_row = pd.array([pd.NA] * len(identity), "Int64")
    known: pd.DataFrame = owners.iloc[at].reset_index(drop=True)
    return known.assign(row=no_row, id=identity)


def _own_rows(source: str, readings: Readings, fates: ReadingFates) -> pd.DataFrame:
    """Return the fates of the rows of `source` that are a reading of their own."""
    own = (readings.frame["source"] == source).to_numpy(np.bool_, copy=True)
    own[readings.members["reading"].to_numpy()] = False
    row, identity = readings.frame["row"], readings.frame["id"]
    if own.all():
        return rows_of(row, identity, fates.reason, fates.text, fates.alone)
    at = np.flatnonzero(own)
    of_own = (fates.reason[at], fates.text[at], fates.alone[at])
    return rows_of(row.iloc[at], identity.iloc[at], *of_own)


def _members(source: str, readings: Readings, fates: ReadingFates) -> pd.DataFrame:
    """
    Return the rows of `source` behind readings made of several, as `best_of` takes them.

    A row may stand behind very many: what `best_of` would keep of it is picked here already.
    """
    members, of_source = readings.members, (readings.frame["source"] == source).to_numpy(np.bool_)
    reading, row = members["reading"].to_numpy(), members["row"].to_numpy()
    own = np.flatnonzero(of_source[reading])
    reason = fates.reason[reading[own]]
    best = np.full(row.max(initial=0) + 1, np.iinfo(reason.dtype).max, reason.dtype)
    np.minimum.at(best, row[own], reason)
    hit = own[reason == best[row[own]]]
    first = np.full(best.size, -1)
    first[row[hit[::-1]]] = hit[::-1]  # written last, so the first of them stays
    at = first[first >= 0]
    of = reading[at]
    identity = members["id"].iloc[at].astype("str")
    whole = pd.Series(row[at], dtype="int64")
    return rows_of(whole, identity, fates.reason[of], fates.text[of])


def table_files(study: StudyTables) -> dict[str, str]:
    """Return the file of each table that was read, in the order of the flow table."""
    return {table: study.names[table] for table in FLOW_TABLES if table in study.rows_read}


def study_ledger(
    study: StudyTables,
    laboratory: LaboratoryValues,
    readings: Readings,
    units: Units,
    paired: PairedBucket,
    estimates: tuple[int, int, int] = (0, 0, 0),
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """
    Account for every row of every table: exclusions and flow, as `close` returns them.

    estimates: further field estimates, none of the readings: used, summarised and left out.
    """
    files, texts = table_files(study), paired.texts
    of_units, of_readings = paired.of_units, paired.of_readings
    lines = set_aside_lines([study.set_aside, laboratory.set_aside, readings.set_aside], files)
    aside = {table: rows_of_lines(each, texts) for table, each in lines.items()}
    unit, rows = units.of_test, laboratory.frame
    once = (units.frame["n_tests"] == 1).to_numpy(np.bool_)[unit]  # a repeat is not alone
    of_test = (of_units.reason[unit], of_units.text[unit], once)
    every_test = tests = rows_of(rows["row"], rows["lab_test_id"], *of_test)
    if "lab_tests" in aside:
        every_test = best_of([every_test, _of_newest(aside["lab_tests"])])
    fates: dict[str, pd.DataFrame] = {"lab_tests": tests}
    owners = {"breaths": every_test, "samples": every_test.iloc[:0]}  # until there are sessions
    if "athletes" in files:
        fates["athletes"] = athletes_account(study.athletes, units, of_units, texts)
    if "field_estimates" in files:
        fates["field_estimates"] = _own_rows("field_estimates", readings, of_readings)
    if "field_tests" in files:
        single = _own_rows("field_tests", readings, of_readings)
        stages = _members("field_tests", readings, of_readings)
        fates["field_tests"] = best_of([single, stages])
    if "sessions" in files:
        gone, known = aside.pop("sessions", None), (units, readings, of_readings, texts)
        fates["sessions"] = sessions = sessions_account(study.sessions, gone, every_test, *known)
        owners["samples"] = _of_newest(sessions)
    for table, names in (("breaths", study.breaths), ("samples", study.samples)):
        if table in files:
            left = set(names).difference(aside[table]["id"] if table in aside else ())
            fates[table] = raw_files_account(left, owners[table])
    elsewhere = {"field_estimates": estimates}
    return close(fates, aside, files, study.rows_read, study.withdrawn, texts, elsewhere)


def _of_newest(rows: pd.DataFrame) -> pd.DataFrame:
    """Return rows without those that a newer export holds again: their ids stand twice."""
    return rows[~rows["reason"].isin([CODE["re_exported"], CODE["corrected"]])]
