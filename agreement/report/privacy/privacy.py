"""
Nobody is exposed: keyed pseudonyms, days for dates, small groups withheld.

An audit report is pseudonymous from the start; the key stays in the study folder. What `agreement
share` writes gets pseudonyms under a key that is thrown away.
"""

from collections.abc import Callable, Mapping
from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any, Final, TypeVar

import numpy as np
import pandas as pd

from agreement.cohort import Cohort
from agreement.pairing.study_pairs import Pairing
from agreement.physiology.laboratory import LaboratoryValues
from agreement.physiology.readings import Readings
from agreement.tables.readers import InputFile
from agreement.tables.study_tables import StudyTables
from agreement.tables.withdrawn import keyed, keyed_checksum
from agreement.terms import REASONS

if TYPE_CHECKING:
    from collections.abc import Collection

    from agreement.report.privacy.by_pairs import Name

FEWEST_SHOWN: Final = 5  # athletes in a cell that may be shown
_NUMBERS: Final = ["value", "low", "high", "n", "n_pairs"]

_IDS: Final = ("athlete_id", "lab_test_id", "field_test_id", "session_id")

Naming = Callable[[object], str]
Tables = TypeVar("Tables", StudyTables, LaboratoryValues, Readings, Pairing)
Size = tuple[int, int]  # athletes, pairs


def naming(key: bytes) -> Naming:
    """Return a function from an id to its pseudonym, the same for the same key."""
    return lambda name: f"P{keyed(key, name)[:10].upper()}"


def pseudonymous(cohort: Cohort, key: bytes) -> Cohort:
    """Return the cohort with pseudonyms for athletes and tests, in all that reports show."""
    pairing, name = cohort.pairing, naming(key)
    study, laboratory = _hidden(cohort.study, name), _hidden(cohort.laboratory, name)
    profiles, hidden = _renamed(laboratory.training.frame, name), _hidden(pairing, name)
    columns = ["method", "mode", "athlete_id", "lab_test_id"]
    return replace(
        cohort,
        study=replace(
            study,
            breaths={name(one): path for one, path in study.breaths.items()},
            samples={name(one): path for one, path in study.samples.items()},
            inputs=without_files_of_people(study, key),
        ),
        laboratory=replace(laboratory, training=laboratory.training._replace(frame=profiles)),
        readings=_hidden(cohort.readings, name),
        pairing=replace(
            hidden,
            pairs=hidden.pairs.sort_values(columns, ignore_index=True),
            exclusions=plain_exclusions(pairing.exclusions, name),
        ),
    )


def _hidden(tables: Tables, name: Naming) -> Tables:
    """Return a record with pseudonyms in its tables, without the notes that name rows of the files."""
    found = {one.name: getattr(tables, one.name) for one in fields(tables)}
    frames = {n: _renamed(one, name) for n, one in found.items() if isinstance(one, pd.DataFrame)}
    renamed: dict[str, Any] = {"problems": (), **frames}
    return replace(tables, **renamed)


def _renamed(frame: pd.DataFrame, name: Naming) -> pd.DataFrame:
    """Return a frame with pseudonyms in all columns of ids."""
    names = {
        one: {i: name(i) for i in frame[one].dropna().unique()} for one in _IDS if one in frame
    }
    return frame.assign(**{one: frame[one].map(own).astype("str") for one, own in names.items()})


def without_files_of_people(study: StudyTables, key: bytes) -> tuple[InputFile, ...]:
    """
    Return the files read of a study under keyed checksums, each folder of files as one entry.

    The checksum of one person's file would tell whose it is to whoever has the file, and its name might;
    that of a table is found again by whoever knows all of it but a cell, and tries values; that of the
    study file by whoever tries ids of the laboratory's control, or what was confirmed.
    """
    many = {*study.many, *(study.names.get(part) for part in ("breaths", "samples"))} - {None}
    kept, folders = [], dict[str, list[InputFile]]()
    for one in study.inputs:
        folder = next((name for name in many if one.name.startswith(f"{name}/")), None)
        if folder is not None:
            folders.setdefault(f"{folder}/", []).append(one)
        else:
            kept.append(replace(one, sha256=keyed_checksum(key, one.sha256)))
    for folder, files in sorted(folders.items()):
        every = sorted(f"{one.name} {one.sha256}" for one in files)
        kept.append(InputFile(folder, keyed_checksum(key, every), len(files)))
    return tuple(kept)


def plain_exclusions(exclusions: pd.DataFrame, name: Naming) -> pd.DataFrame:
    """Return the ledger's lines with pseudonyms, and each reason in general words."""
    lines = exclusions.astype({"id": "str", "reason": "str", "message": "str"})
    counted = lines["reason"] == "withdrawn"  # its message is the number of rows, nothing else
    return lines.assign(
        id=lines["id"].map(name, na_action="ignore"),
        message=lines["message"].where(counted, lines["reason"].map(REASONS)),
    )


def days_for_dates(pairs: pd.DataFrame) -> pd.DataFrame:
    """Return pairs with `lab_date` as days since the athlete's first test."""
    dates = pd.to_datetime(pairs["lab_date"])
    first = dates.groupby(pairs["athlete_id"]).transform("min")
    return pairs.assign(lab_date=(dates - first).dt.days)


def without_small_cells(
    results: pd.DataFrame, gone: "Collection[Name] | None" = None
) -> pd.DataFrame:
    """
    Return the results table with cells below 5 athletes emptied, and what they follow from.

    A count or a share of one to four, or of all but so many, has a range in its note.

    gone: as `agreement.report.privacy.cells.hidden_groups` gives; default: by sizes alone.
    """
    from agreement.report.privacy.cells import hidden_groups  # so that pairing alone stays light
    from agreement.report.privacy.other_ways import ranges_of_few, told_otherwise

    cells = results.astype({"n": "float64", "n_pairs": "float64"})
    columns = ("analysis", "method", "mode", "group", "statistic")
    names = zip(*(cells[name] for name in columns), strict=True)
    hidden = (cells["n"] > 0) & (cells["n"] < FEWEST_SHOWN)
    kept_back = set(hidden_groups(cells) if gone is None else gone)
    hidden |= np.array([bool({name, name[:4]} & kept_back) for name in names], dtype=bool)
    hidden |= told_otherwise(cells, hidden.to_numpy())
    ranges = ranges_of_few(cells).mask(hidden, "")
    cells.loc[hidden, _NUMBERS] = np.nan
    cells.loc[hidden, "note"] = f"suppressed: it would tell of fewer than {FEWEST_SHOWN} athletes"
    cells.loc[ranges != "", _NUMBERS[:3]] = np.nan
    cells["note"] = cells["note"].mask(ranges != "", "suppressed: " + ranges)
    return cells


def hidden_parts(sizes: Mapping[str, int], whole: float) -> set[str]:
    """
    Return the parts of a whole that must not be shown.

    Small parts go, then the smallest of the others while the whole less what is shown is still
    fewer than 5: else the numbers of these few would follow from the rest.

    sizes: athletes in each part.
    whole: athletes in all, of whom some may be in no part; NaN when nothing is said of them.
    """
    shown = sorted(
        (word for word, n in sizes.items() if n >= FEWEST_SHOWN), key=lambda w: (sizes[w], w)
    )
    hidden = set(sizes).difference(shown)
    while shown:
        left = np.fmax(whole - sum(sizes[word] for word in shown), sum(sizes[w] for w in hidden))
        if not 0 < left < FEWEST_SHOWN:
            break
        hidden.add(shown.pop(0))
    return hidden


def a_few_apart(one: Size, other: Size) -> bool:
    """Tell whether groups may differ by one to four people: by them, or by pairs of theirs."""
    return one != other and abs(one[0] - other[0]) < FEWEST_SHOWN and min(one[0], other[0]) > 0


def few(count: int, whole: int | None = None) -> str:
    """
    Return a count of people or of their tests; a range where it would tell of fewer than 5.

    >>> few(3), few(0), few(7), few(18, 20), few(2, 3)
    ('1 to 4', '0', '7', '16 to 19', '1 to 3')
    """
    if 0 < count < FEWEST_SHOWN:
        return f"1 to {FEWEST_SHOWN - 1 if whole is None else min(FEWEST_SHOWN - 1, whole)}"
    if whole is not None and 0 < whole - count < FEWEST_SHOWN:
        return f"{max(whole - FEWEST_SHOWN + 1, 0)} to {whole - 1}"
    return str(count)
