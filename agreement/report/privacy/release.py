"""
What of a study's tables leaves the house: counts and reasons, no row of a person.

Every table of an audit or a share passes here, once, before anything is rendered. Rows of people go
out only through `agreement.report.privacy.shared_rows`, with every number computed from them.
"""

from dataclasses import replace
from math import ceil, isfinite
from typing import TYPE_CHECKING, Final

import pandas as pd

from agreement.report.privacy.left_out import counted_exclusions
from agreement.report.privacy.privacy import without_small_cells
from agreement.tables.options import StudyOptions
from agreement.terms import CARD_COLUMNS, PAIR_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Collection

    from agreement.report.privacy.by_pairs import Name

MORE_THAN_ONE: Final = (
    "More than one release of a study says more than one alone: do not give the same people out "
    "twice, with and without rows, under two limits or rules, or before and after somebody joined or left."
)
# choices that describe files, or say something of a person
NOT_TOLD: Final = ("files", "no_tables", "confirm", "control")
# unrounded, a patient reader can find out who is behind a number
_NUMBERS: Final = ["value", "low", "high"]


def released_results(results: pd.DataFrame, gone: "Collection[Name] | None" = None) -> pd.DataFrame:
    """
    Return the results table as it leaves: small cells withheld, numbers to the decimals printed.

    `gone` is that of `without_small_cells`.

    >>> rounded(pd.DataFrame({"analysis": ["trend"], "statistic": ["slope_on_mean"],
    ...     "value": [-0.2649], "low": [-0.5], "high": [None]}))[["value", "low"]].to_numpy().tolist()
    [[-0.26, -0.5]]
    """
    return rounded(without_small_cells(results, gone))


def rounded(results: pd.DataFrame) -> pd.DataFrame:
    """
    Return the results table with its numbers to the decimals that their records declare.

    They are cut as text, as a page prints them: `numpy.round` gives another last digit at times. Of
    numbers of people to test the first digit stays.
    """
    from agreement.stats.catalogue import statistic_of  # so that pairing alone stays light

    places = zip(results["analysis"], results["statistic"], strict=True)
    declared = [statistic_of(*map(str, place)) for place in places]
    shown = results.astype(dict.fromkeys(_NUMBERS, "float64"))
    for name in _NUMBERS:
        numbers = zip(shown[name].tolist(), declared, strict=True)
        shown[name] = [
            _first_digit_up(one) if of.planned else float(f"{one:z.{of.digits}f}")
            for one, of in numbers
        ]
    return shown


def _first_digit_up(number: float) -> float:
    """
    Return a whole number with all digits but the first 0, rounded up; what is none as it is.

    >>> [_first_digit_up(one) for one in (317.0, 300.0, 7.0, 0.0)]
    [400.0, 300.0, 7.0, 0.0]
    """
    if not isfinite(number):
        return number
    step = 10.0 ** (len(f"{number:.0f}") - 1)
    return ceil(number / step) * step


def released_tables(
    results: pd.DataFrame, exclusions: pd.DataFrame, flow: pd.DataFrame
) -> dict[str, pd.DataFrame]:
    """
    Return the tables of an audit or a share without rows of people.

    `pairs` and `athlete_cards` keep their columns and have no row: how many pairs and athletes are
    behind a number stands beside it in the results.

    results: as `released_results` returns it.
    exclusions: one line per row left out; or counted already.
    """
    return {
        "results": results,
        "pairs": pd.DataFrame(columns=PAIR_COLUMNS),
        "exclusions": counted_exclusions(exclusions),
        "flow": flow,
        "athlete_cards": pd.DataFrame(columns=CARD_COLUMNS),
    }


def released_options(options: StudyOptions) -> StudyOptions:
    """Return a study's choices without what describes its files, or says something of a person."""
    study, control = replace(options.study, id_map=None), replace(options.control, athlete_id=None)
    return replace(options, study=study, control=control, files={}, no_tables=(), confirm={})
