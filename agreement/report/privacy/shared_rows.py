"""
Rows of people that leave the house, and every number computed from exactly these rows.

No number tells of anybody who is not in them, and no row can be told apart by a number that leaves
it out. What could point at a person is coarsened, all of it together.
"""

import secrets
from dataclasses import replace
from datetime import date
from typing import Final

import numpy as np
import pandas as pd

from agreement.report.privacy.privacy import FEWEST_SHOWN, days_for_dates, hidden_parts, naming
from agreement.report.privacy.release import released_results, released_tables
from agreement.stats.repeats.repeatability import WEEK
from agreement.tables.options import StudyOptions
from agreement.terms import EXCLUSION_COLUMNS, FLOW_COLUMNS, NOT_ENOUGH_DATA, PAIR_COLUMNS

STEP: Final = 1.0  # mL/kg/min: a laboratory repeats itself to two or three
MASS_STEP: Final = 10.0  # kg
# in the order of what the study is for: a later one goes first where rows would stand out
TRAITS: Final = (
    *("training_profile", "max_confirmed", "sex", "age_years", "sensor", "averaging_rule"),
    *("lab_mode", "mass_kg"),
)
UNTOLD: Final = {  # what an emptied trait says
    **dict.fromkeys(("sex", "max_confirmed", "sensor"), "unknown"),
    "training_profile": NOT_ENOUGH_DATA,
}
WITHOUT: Final = (  # told for nobody: health, and what only helps to recognise a row
    *("hr_limiting_drug", "profile_borderline", "n_estimates", "n_days", "gap_days"),
    *("mass_mismatch_pct", "hr_max_mismatch_bpm"),
)
_NUMBERS: Final = frozenset(
    {"n_estimates", "n_days", "gap_days", "mass_mismatch_pct", "hr_max_mismatch_bpm"}
)
_OF_THE_CALENDAR: Final = ("drift", "by_fortnight")  # shared rows know days since a person's first
_LATE: Final = date(1, 1, 1)  # before any agreement: the verdict stays withheld


def rows_to_share(pairs: pd.DataFrame) -> pd.DataFrame:
    """
    Return the pairs that may leave, coarsened, under fresh pseudonyms and in a fresh order.

    People under a drug that limits heart rate are left out, and methods with fewer than 5 people.
    Traits are shown only as far as every combination of them is that of 5 people or more, in each
    method and mode.

    pairs: columns `agreement.terms.PAIR_COLUMNS`; `lab_date` as a date.
    """
    drug = pairs.loc[pairs["hr_limiting_drug"] == "yes", "athlete_id"]
    kept = pairs[~pairs["athlete_id"].isin(drug)]
    people = kept.groupby(["method", "mode"])["athlete_id"].transform("nunique")
    kept = kept[people >= FEWEST_SHOWN].reset_index(drop=True)
    if kept.empty:
        return pd.DataFrame(columns=list(pairs.columns))
    coarse = _coarse(days_for_dates(kept))
    for trait, words in together(coarse).items():
        coarse[trait] = words
    name = naming(secrets.token_bytes(32))
    ids = {column: coarse[column].map(name) for column in ("athlete_id", "lab_test_id")}
    order = ["method", "mode", "athlete_id", "lab_test_id"]  # of fresh random names
    return coarse.assign(**ids).sort_values(order, ignore_index=True)


def _coarse(pairs: pd.DataFrame) -> pd.DataFrame:
    """Return pairs with values, dates, ages and masses to what comparing methods needs."""
    from agreement.stats.limits.limits_of_subsets import AGES  # so that pairing alone stays light

    lowest = np.array([low for low, _ in AGES], dtype=np.float64)
    age = pairs["age_years"].to_numpy(np.float64)
    band = lowest[np.maximum(np.searchsorted(lowest, age, side="right") - 1, 0)]
    shown = pairs.assign(
        lab=np.round(pairs["lab"] / STEP) * STEP,
        field=np.round(pairs["field"] / STEP) * STEP,
        lab_date=(pairs["lab_date"] / WEEK).round() * WEEK,
        age_years=np.where(np.isfinite(age), band, np.nan),
        mass_kg=np.round(pairs["mass_kg"] / MASS_STEP) * MASS_STEP,
        **{name: np.nan if name in _NUMBERS else "" for name in WITHOUT},
    )
    return shown.assign(difference=shown["field"] - shown["lab"])


def together(pairs: pd.DataFrame) -> dict[str, "pd.Series[str]"]:
    """
    Return the traits of pairs, empty where their combination is that of fewer than 5 people.

    One trait after another: within those who are alike so far, what fewer than 5 share is emptied,
    and more, so that those without it are none or at least 5. A person loses a trait in all rows.
    """
    alike = pairs["method"].astype("str") + "\0" + pairs["mode"].astype("str")
    shown = {}
    for trait in TRAITS:
        if trait not in pairs:
            continue
        words = pairs[trait].astype("object").where(pairs[trait].notna(), "").map(str)
        nothing = UNTOLD.get(trait, "")
        words = words.mask(words == nothing, "")
        while (who := _standing_out(alike, words, pairs["athlete_id"])) is not None:
            words = words.mask(pairs["athlete_id"].isin(who), "")
        alike = alike + "\0" + words
        number = pd.api.types.is_numeric_dtype(pairs[trait].dtype)
        told = words.mask(words == "")
        shown[trait] = pd.to_numeric(told) if number else words.mask(words == "", nothing)
    return shown


def _standing_out(
    alike: "pd.Series[str]", words: "pd.Series[str]", people: "pd.Series[str]"
) -> "set[str] | None":
    """Return who must lose a trait next; None when nobody stands out any more."""
    who: set[str] = set()
    for _, rows in words.groupby(alike):
        own = people[rows.index]
        sizes = {str(w): int(n) for w, n in own.groupby(rows).nunique().items()}
        if all(n >= FEWEST_SHOWN for n in sizes.values()):
            continue
        named = {word: n for word, n in sizes.items() if word}
        hidden = hidden_parts(named, own.nunique())
        if not hidden:  # those without it are few: the smallest part joins them
            hidden = {min(named, key=lambda w: (named[w], w))}
        who |= set(own[rows.isin(hidden)])
    return who or None


def numbers_of_rows(rows: pd.DataFrame, options: StudyOptions, *, late: bool) -> pd.DataFrame:
    """
    Return the results table of shared rows, computed from them and nothing else.

    rows: as `rows_to_share` returns them.
    late: whether the study's verdict is withheld, because of when its limit was agreed.
    """
    from agreement.report.privacy.cells import small_groups
    from agreement.stats.evidence import Evidence
    from agreement.stats.results_table import analyse

    pairs = rows.assign(
        lab_date=pd.Timestamp(2000, 1, 1) + pd.to_timedelta(rows["lab_date"].astype(float), "D"),
        hr_limiting_drug="unknown",
    )
    nothing = {"athlete_id": "str", "lab_test_id": "str", "mode": "str", "lab": "float64"}
    repeats = pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in nothing.items()})
    daily = repeats.assign(
        method=pd.Series(dtype="str"),
        date=pd.Series(dtype="datetime64[ns]"),
        gap_days=pd.Series(dtype="float64"),
        field=pd.Series(dtype="float64"),
    )
    if rows.empty:
        from agreement.terms import RESULT_COLUMNS

        return pd.DataFrame(columns=RESULT_COLUMNS)
    choices = replace(options, profile=replace(options.profile, use="stated"))
    evidence = Evidence(pairs, daily, repeats, choices, first_lab_date=_LATE if late else None)
    found = analyse(evidence)
    frame = found.frame[~found.frame["analysis"].isin(_OF_THE_CALENDAR)]
    return released_results(frame, small_groups(found))


def tables_of_rows(
    rows: pd.DataFrame, options: StudyOptions, *, late: bool
) -> dict[str, pd.DataFrame]:
    """Return all tables of a share with rows of people: nothing in them tells of anybody else."""
    flow = [("pairs.csv", len(rows), len(rows), 0, 0)]
    nothing = pd.DataFrame(columns=EXCLUSION_COLUMNS)
    results = numbers_of_rows(rows, options, late=late)
    tables = released_tables(results, nothing, pd.DataFrame(flow, columns=FLOW_COLUMNS))
    return tables | {"pairs": rows[[c for c in PAIR_COLUMNS if c in rows]]}
