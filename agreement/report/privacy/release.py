"""
What of a study's tables leaves the house: counts and reasons, no row of a person.

Every table of an audit or a share passes here, once, before anything is rendered. Rows of people go
out only through `agreement.report.privacy.rows`, with every number computed from them.
"""

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from agreement.report.privacy.privacy import FEWEST_SHOWN, without_small_cells
from agreement.tables.options import StudyOptions
from agreement.terms import CARD_COLUMNS, EXCLUSION_COLUMNS, PAIR_COLUMNS, REASONS, counted

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping

    from agreement.report.privacy.cells import Name

POOLED: Final = "withheld"  # reason of rows whose own reason, or its count, would tell of a few
WORDS: Final = REASONS | {
    POOLED: "for reasons that are withheld, for one would tell of a few people"
}
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

    They are cut as text, as a page prints them: `numpy.round` gives another last digit at times.
    """
    from agreement.stats.catalogue import digits_of  # so that pairing alone stays light

    places = zip(results["analysis"], results["statistic"], strict=True)
    decimals = [digits_of(*map(str, place)) for place in places]
    shown = results.astype(dict.fromkeys(_NUMBERS, "float64"))
    for name in _NUMBERS:
        numbers = zip(shown[name].tolist(), decimals, strict=True)
        shown[name] = [float(f"{one:z.{few}f}") for one, few in numbers]
    return shown


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
    """Return for each line its file and reason, and how many rows it stands for."""
    texts = exclusions[["file", "reason"]].astype("str")
    return texts.assign(rows=_rows_behind(exclusions))


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
    exclusions: pd.DataFrame, flow: pd.DataFrame, behind: "Mapping[str, Iterable[int]]"
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """
    Return what was left out, by file and reason, and the flow, with the rows of a few who count nowhere left out.

    Beside the number of those in the results, rows used would tell how many take a drug that limits
    heart rate. In each file they stand as left out, in one line with the smallest other reasons.

    behind: of each file, how many rows used alone and how many summarised are theirs.

    >>> lines = pd.DataFrame({"file": "a.csv", "row": range(9), "id": "K", "message": "",
    ...     "reason": ["copy"] * 2 + ["no_mass"] * 7})
    >>> flow = pd.DataFrame({"file": ["a.csv"], "used": [11], "summarised": [0], "excluded": [9]})
    >>> lines, flow = pooled(lines, flow, {"a.csv": (3, 0)})
    >>> lines["message"].str.split(":").str[0].tolist(), flow.to_numpy().tolist()
    (['7 rows', '5 rows'], [['a.csv', 8, 0, 12]])
    """
    lines, flow = rows_by_reason(exclusions), flow.copy()
    for file, (used, summarised) in behind.items():
        own = lines["file"] == file
        together, left = used + summarised, lines[own].groupby("reason")["rows"].sum()
        for reason, rows in left.sort_values(kind="stable").items():
            together += rows
            lines.loc[own & (lines["reason"] == reason), "reason"] = POOLED
            if together >= FEWEST_SHOWN:
                break
        theirs = pd.DataFrame({"file": [file], "reason": POOLED, "rows": used + summarised})
        lines = pd.concat([lines, theirs], ignore_index=True)
        moved = [-used, -summarised, used + summarised]
        flow.loc[flow["file"] == file, ["used", "summarised", "excluded"]] += moved
    return counted_lines(lines, flow["file"]), flow


def _rows_behind(exclusions: pd.DataFrame) -> "pd.Series[int]":
    """Return how many rows each line stands for: one, or the count that a line without row says."""
    said = exclusions["message"].astype("str").str.extract(r"^(\d+) rows?\b", expand=False)
    without = exclusions["row"].isna() & (
        (exclusions["reason"] == "withdrawn") | exclusions["id"].isna()
    )
    return pd.to_numeric(said.where(without)).fillna(1).astype(int)


def released_options(options: StudyOptions) -> StudyOptions:
    """Return a study's choices without what describes its files, or says something of a person."""
    return replace(options, files={}, confirm={}, study=replace(options.study, id_map=None))
