"""One page for a data protection officer: what a share holds, and what can still be inferred."""

import textwrap
from collections.abc import Mapping
from typing import Final

import pandas as pd

from agreement.report.privacy.privacy import FEWEST_SHOWN
from agreement.report.privacy.release import MORE_THAN_ONE
from agreement.report.privacy.shared_rows import MASS_STEP, STEP, TRAITS, UNTOLD, WITHOUT
from agreement.stats.repeats.repeatability import WEEK
from agreement.terms import counted

FILE: Final = "README.txt"
_ALWAYS: Final = (
    (
        "That somebody took part at all, to whoever knows it already: numbers of a group say something "
        "of each of its members."
    ),
    MORE_THAN_ONE,
)
_COUNTS: Final = (
    (
        "Means and spreads of groups to the decimals of print. Who knows all values of a group but one "
        "can compute the last one to within the rounding times the size of the group."
    ),
    (
        f"Nothing of a group below {FEWEST_SHOWN} people, nor of what other numbers of the same statistic "
        f"would leave of fewer than {FEWEST_SHOWN}; but that such a group exists, from its name and the word "
        "'suppressed'."
    ),
    (
        f"How many people, tests or pairs have some trait; of fewer than {FEWEST_SHOWN}, or of all but so "
        "many, as a range ('1 to 4 of 20')."
    ),
    (
        "How many rows each input file had and how many were left out: a small number may be the rows of "
        f"one person. Why, is said of reasons that hold for {FEWEST_SHOWN} people or more; the others, "
        "withdrawals and drugs that limit heart rate among them, stand together without a name."
    ),
)
_ROWS: Final = (
    (
        "Who a row belongs to, for whoever knows a person's laboratory value to the whole mL/kg/min or "
        "how often and in which methods somebody was tested: extreme values, the highest and the lowest "
        "above all, are few. Give rows only to somebody bound not to look for people."
    ),
    (
        "That two rows with one pseudonym are of one person. The pseudonyms are of this share alone and "
        "their key was thrown away, but two shares of the same values can be laid side by side."
    ),
)


def explanation(tables: Mapping[str, pd.DataFrame]) -> str:
    """
    Return the page about a share, from its tables.

    tables: results, pairs, exclusions, flow: exactly what is given away.
    """
    rows, results = tables["pairs"], tables["results"]
    told = results["note"].fillna("").astype(str)
    withheld = int(told.str.startswith("suppressed").sum())
    parts = [
        "WHAT THIS SHARE HOLDS, AND WHAT CAN STILL BE INFERRED FROM IT",
        (
            "For the person responsible for data protection. VO2max of people measured in a laboratory and "
            "estimated in the field; difference = field minus laboratory, mL/kg/min. This page is no legal "
            "advice: local rules and what the participants agreed to come first."
        ),
        (
            f"Held: results.csv, {counted(int(results['value'].notna().sum()), 'number')} and "
            f"{counted(withheld, 'withheld line')}; pairs.csv, {counted(len(rows), 'row')} of people; "
            "flow.csv and exclusions.csv, counts; athlete_cards.csv, no row."
        ),
    ]
    parts.append("Not held: " + _not_held(rows))
    if len(rows):
        parts += ["Rows of people:", *_rows(rows)]
    parts += ["What can still be inferred:"]
    parts += [f"- {one}" for one in (*(_ROWS if len(rows) else _COUNTS), *_ALWAYS)]
    filled = (
        textwrap.fill(one, 78, subsequent_indent="  " * one.startswith("- ")) for one in parts
    )
    return "\n\n".join(filled) + "\n"


def _not_held(rows: pd.DataFrame) -> str:
    """Say what stays in the house."""
    said = (
        "ids of the study, dates, rows of files, names and checksums of the files of single tests and "
        "sessions, notes on the files, page, notebook, figures and cards. People who withdrew are in "
        "nothing."
    )
    return said if len(rows) else f"rows of people; {said}"


def _rows(rows: pd.DataFrame) -> list[str]:
    """Say what a row tells, and how coarsely."""
    traits = [one for one in TRAITS if one in rows]
    empty = [
        one
        for one in traits
        if (rows[one].isna() | rows[one].isin(["", UNTOLD.get(one, "")])).all()
    ]
    shown = [one for one in traits if one not in empty]
    people = rows["athlete_id"].nunique()
    return [
        (
            f"- {counted(people, 'person', 'people')}, fresh pseudonyms, fresh random order. Every number in "
            "results.csv is computed from these rows and nothing else; `agreement verify` does it again."
        ),
        (
            f"- Values to {STEP:g} mL/kg/min; days since a person's first test to {WEEK}; age as the lowest of "
            f"its band; body mass to {MASS_STEP:g} kg."
        ),
        (
            f"- Traits told: {', '.join(shown) or 'none'}. Every combination of them that occurs, an unknown or "
            f"emptied one counted as a value, is that of at least {FEWEST_SHOWN} people in each method and mode. "
            f"Told for nobody: {', '.join([*empty, *WITHOUT])}."
        ),
        (
            "- Left out: people under a drug that limits heart rate, and methods with fewer than "
            f"{FEWEST_SHOWN} people."
        ),
    ]
