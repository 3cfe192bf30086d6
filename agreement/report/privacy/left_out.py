"""
What was left out of a study, counted so that nobody is told: by file and reason, those of a few as one.

A reason that holds for one to four people tells something of them: who withdrew, who was never tested.
And rows used, beside the number of those in the results, would tell how many take a drug that limits
heart rate. In each file of an audit or a share they stand together, one alone with the smallest other
reason, as rows left out for reasons that are withheld: that people are in no number is seen, but not why.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.report.privacy.privacy import FEWEST_SHOWN
from agreement.terms import EXCLUSION_COLUMNS, REASONS, SESSIONS_METHOD, counted

if TYPE_CHECKING:
    from agreement.pairing.study_pairs import Pairing
    from agreement.tables.study_tables import StudyTables

POOLED: Final = "withheld"  # reason of rows whose own reason, or its count, would tell of a few
WORDS: Final = REASONS | {
    POOLED: "for reasons that are withheld, for one would tell of a few people"
}
_IDS: Final = {
    "athletes": "athlete_id",
    "lab_tests": "lab_test_id",
    "field_tests": "field_test_id",
    "sessions": "session_id",
}
# what several of stand behind one value: the table of their ids, and which of these have a file
_SEVERAL: Final = {
    "sessions": ("sessions", None),
    "samples": ("sessions", "samples"),
    "breaths": ("lab_tests", "breaths"),
}
_OF_OLDER_EXPORTS: Final = ("re_exported", "corrected")  # their ids stand in a newer one


class OfFew(NamedTuple):
    """Rows of one file that tell of one to four people."""

    used: int = 0  # used alone, of people whom no result counts
    summarised: int = 0  # the same
    reasons: Sequence[str] = ()  # for which only rows of so few were left out


def counted_exclusions(exclusions: pd.DataFrame) -> pd.DataFrame:
    """
    Return one line per file and reason, without row and id; its message begins with the count.

    >>> lines = pd.DataFrame({"file": ["a.csv"] * 3, "row": [4, 7, None], "id": ["K1", "K2", ""],
    ...     "reason": ["copy", "copy", "withdrawn"], "message": ["", "", "2 rows removed."]})
    >>> counted_exclusions(lines)["message"].tolist()
    ['2 rows: the same reading again.', "2 rows: removed at the participant's request."]
    """
    return counted_lines(rows_by_reason(exclusions))


def rows_by_reason(exclusions: pd.DataFrame) -> pd.DataFrame:
    """Return for each line its file and reason, and how many rows it stands for: one, or what it says."""
    said = exclusions["message"].astype("str").str.extract(r"^(\d+) rows?\b", expand=False)
    of_several = (exclusions["reason"] == "withdrawn") | exclusions["id"].isna()
    rows = pd.to_numeric(said.where(exclusions["row"].isna() & of_several)).fillna(1).astype(int)
    return exclusions[["file", "reason"]].astype("str").assign(rows=rows)


def counted_lines(lines: pd.DataFrame, order: "Iterable[str]" = ()) -> pd.DataFrame:
    """
    Return one line per file and reason of a frame with the columns file, reason and rows.

    Files come in the order given, then as they appear.
    """
    files = {file: place for place, file in enumerate(dict.fromkeys([*order, *lines["file"]]))}
    order = {reason: place for place, reason in enumerate(REASONS)}
    counts = lines.groupby(["file", "reason"], sort=False)["rows"].sum()
    places = sorted(counts.index, key=lambda one: (files[one[0]], order.get(one[1], len(order))))
    made = [
        (
            file,
            np.nan,
            np.nan,
            reason,
            f"{counted(int(counts[file, reason]), 'row')}: {WORDS.get(reason, 'left out')}.",
        )
        for file, reason in places
    ]
    return pd.DataFrame(made, columns=EXCLUSION_COLUMNS)


def pooled(
    exclusions: pd.DataFrame, flow: pd.DataFrame, few: Mapping[str, Iterable[Any]]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """
    Return what was left out, by file and reason, and the flow, with what is of a few people as one line.

    few: of each file an `OfFew`. A reason of fewer than five rows is of a few in any case.

    >>> lines = pd.DataFrame({"file": "a.csv", "row": range(9), "id": "K", "message": "",
    ...     "reason": ["copy"] * 2 + ["no_mass"] * 7})
    >>> flow = pd.DataFrame({"file": ["a.csv"], "used": [11], "summarised": [0], "excluded": [9]})
    >>> lines, flow = pooled(lines, flow, {"a.csv": (3, 0, [])})
    >>> lines["message"].str.split(":").str[0].tolist(), flow.to_numpy().tolist()
    (['7 rows', '5 rows'], [['a.csv', 8, 0, 12]])
    """
    lines, flow = by_folder(rows_by_reason(exclusions), flow["file"]), flow.copy()
    for file in flow["file"]:
        used, summarised, reasons = OfFew(*few.get(file, ()))
        own = lines["file"] == file
        left = lines[own].groupby("reason")["rows"].sum().sort_values(kind="stable")
        is_few = left.index.isin(list(reasons)) | (left < FEWEST_SHOWN)
        if POOLED in left or not (is_few.any() or used or summarised):
            continue
        alone = int(is_few.sum()) + bool(used or summarised) < 2
        gone = [*left.index[is_few], *left.index[~is_few][:alone]]
        lines.loc[own & lines["reason"].isin(gone), "reason"] = POOLED
        theirs = pd.DataFrame({"file": [file], "reason": POOLED, "rows": used + summarised})
        lines = pd.concat([lines, theirs], ignore_index=True)
        moved = [-used, -summarised, used + summarised]
        flow.loc[flow["file"] == file, ["used", "summarised", "excluded"]] += moved
    return counted_lines(lines, flow["file"]), flow


def by_folder(lines: pd.DataFrame, files: "pd.Series[str]") -> pd.DataFrame:
    """Return lines of rows left out with the folder of a table in parts in place of the part."""
    folder = lines["file"].str.extract("^(.*)/[^/]*$", expand=False)
    return lines.assign(file=lines["file"].mask(folder.isin(files), folder))


def rows_of_few(
    study: "StudyTables",
    pairing: "Pairing",
    counted: Iterable[pd.DataFrame],
    people: Mapping[str, int] | None = None,
) -> dict[str, OfFew]:
    """
    Return of each file what tells of one to four people: rows of who counts nowhere, and reasons.

    counted: the pairs behind the results of each method and mode.
    people: of field estimates in parts, how many people each reason left rows out of.
    """
    names, owners = study.names, dict[str, str]()
    for table, column in _IDS.items():
        rows = getattr(study, table).dropna(subset=column)
        owners |= dict(
            zip(rows[column].astype("str"), rows["athlete_id"].astype("str"), strict=True)
        )
    words = pairing.exclusions.astype(dict.fromkeys(("file", "reason", "id"), "str"))
    lines = by_folder(words, pairing.flow["file"])
    is_person = lines["file"].isin([names.get("athletes"), names.get("field_estimates")])
    whose = lines["id"].where(is_person, lines["id"].map(owners))
    # whose id is on no list may all be one person's
    found: dict[Any, int] = (
        whose.fillna("").groupby([lines["file"], lines["reason"]]).nunique().to_dict()
    )
    found |= {(names["field_estimates"], reason): n for reason, n in (people or {}).items()}
    gone = study.withdrawn.get(names.get("athletes", ""), 0)
    found |= {place: gone for place in found if place[1] == "withdrawn"}
    told: dict[str, OfFew] = {}
    for file, used, summarised in _counted_nowhere(study, pairing, counted, lines):
        told[file] = OfFew(used, summarised)
    for file in pairing.flow["file"]:
        few = sorted(
            reason for (one, reason), n in found.items() if one == file and n < FEWEST_SHOWN
        )
        if few:
            told[file] = told.get(file, OfFew())._replace(reasons=few)
    return told


def _counted_nowhere(
    study: "StudyTables", pairing: "Pairing", counted: Iterable[pd.DataFrame], lines: pd.DataFrame
) -> Iterator[tuple[str, int, int]]:
    """
    Yield files with how many rows used alone and summarised are of one to four paired people whom no result counts.

    A drug that limits heart rate is why. lines: of rows left out, by folder.
    """
    pairs, units = pairing.pairs, pairing.units[["lab_test_id", "n_tests"]]
    counting = pd.concat([pairs.iloc[:0], *counted])
    key = ["method", "mode", "athlete_id", "lab_test_id"]
    out = pairs[~pd.MultiIndex.from_frame(pairs[key]).isin(pd.MultiIndex.from_frame(counting[key]))]
    people, tests = (
        out[~out[one].isin(counting[one])].drop_duplicates(one)
        for one in ("athlete_id", "lab_test_id")
    )
    of_field, of_sessions = (
        out["method"].isin(study.field_tests["protocol"]),
        out["method"] == SESSIONS_METHOD,
    )
    readings = out.assign(rows=out["n_estimates"].astype(int))
    behind = {
        "lab_tests": tests.merge(units).rename(columns={"n_tests": "rows"}),
        "athletes": people.assign(rows=1),
        "field_tests": readings[of_field],
        "field_estimates": readings[~of_field & ~of_sessions],
    }
    lines = lines[~lines["reason"].isin(_OF_OLDER_EXPORTS)]
    alone = units.loc[units["n_tests"] == 1, "lab_test_id"]
    for name, (table, files) in _SEVERAL.items():
        own = getattr(study, table).assign(id=lambda one, of=table: one[_IDS[of]], rows=1)
        own = own[own["athlete_id"].isin(people["athlete_id"])]
        own = own[~own["id"].isin(lines.loc[lines["file"] == study.names.get(name), "id"])]
        own = own if files is None else own[own["id"].isin(list(getattr(study, files)))]
        behind[name] = own.assign(alone=own["id"].isin(alone))
    for name, own in behind.items():
        if name in study.names and 0 < own["athlete_id"].nunique() < FEWEST_SHOWN:
            single = own["alone"] if "alone" in own else own["rows"] == 1
            used, summarised = (int(own.loc[some, "rows"].sum()) for some in (single, ~single))
            yield study.names[name], used, summarised
