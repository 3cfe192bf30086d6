"""The answer first: the verdict in one sentence for each method, and what to do about it."""

from collections.abc import Collection
from html import escape
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.report.page.markup import Block, bullets, paragraph
from agreement.report.page.numbers import Cell, Numbers, counted, marked
from agreement.stats.causes.wrong_inputs import wrong_hr_max, wrong_mass
from agreement.stats.verdict.sentences import PRACTICAL, YARDSTICK
from agreement.tables.options import Margin
from agreement.terms import HR_MAX_WITHIN_BPM, MASS_WITHIN_PCT, SESSIONS_METHOD

OUTCOME_WORDS = {
    "acceptable": "Acceptable",
    "not acceptable": "Not acceptable",
    "undecided": "Undecided",
    "withheld": "Withheld",
    "no_margin": "No limit agreed",
}
NO_PAIRS = (
    "There is no verdict: not one field value could be paired with a laboratory value; what was "
    "left out, and why, is listed in the report."
)
WIN_BACK: Final = {
    "conflicting_copy": "Find out which of two different values of one instant is right",
    "missing_value": "Fill in what is missing in required columns",
    "no_mass": "Record body mass with every laboratory test",
    "out_of_range": "Correct values that no person can reach",
    "unknown_athlete": "Put every athlete into the athletes table",
    "mode_mismatch": "Test in the laboratory in the mode in which the field value is taken",
    "too_few_readings": "Collect field values on more days around each laboratory test",
    "no_estimate_in_window": "Collect field values around every laboratory test",
    "averaging_rule_mixed": "Use one averaging rule in the laboratory",
    "session_quality": "Record heart rate without gaps, with a chest strap where possible",
    "not_completed": "Repeat field tests that were broken off",
    "extrapolation_refused": "Add training sessions or stages at higher intensity",
}
_MOST_NAMED = 6  # athletes named in one line of advice
_MOST_LOSSES = 3  # reasons for losing rows


def method_name(method: str, mode: str) -> str:
    """Return how a method is called in text, plain."""
    name = "training sessions' heart rate" if method == SESSIONS_METHOD else method
    return f"{name}, {mode}"


def outcome(cell: Cell) -> str:
    """Return the verdict's outcome from its line of the results table."""
    return cell.note.split(";")[0].strip()


def verdict_code(cell: Cell) -> tuple[str, str]:
    """Return outcome and code of a verdict from its line of the results table."""
    first, *rest = (part.strip() for part in cell.note.split(";"))
    return first, rest[0] if rest and rest[0] not in YARDSTICK else ""


def verdict_sentences(methods: tuple[Any, ...], numbers: Numbers) -> list[str]:
    """Return one plain sentence for each method and mode; one that says so without any."""
    return [_sentence(method, numbers) for method in methods] or [NO_PAIRS]


def _sentence(method: Any, numbers: Numbers) -> str:
    """Return the verdict's sentence; estimates made of sessions are named in words."""
    if numbers.get("limits_of_agreement", "bias", method.method, method.mode).withheld:
        return (
            f"Of {method_name(method.method, method.mode)} so few athletes have a pair that the "
            "numbers are withheld: somebody could be recognised."
        )
    words = "from training sessions' heart rate"
    return str(method.verdict.summary()).replace(f"'{SESSIONS_METHOD}'", words)


def verdict_block(methods: tuple[Any, ...], numbers: Numbers, margin: Margin) -> Block:
    """Return the element with the verdict of every method and mode."""
    if not methods:
        return Block(f'<div id="verdict"><p>{NO_PAIRS}</p></div>')
    parts = []
    for method in methods:
        cells = sentence_cells(method.method, method.mode, numbers)
        word = OUTCOME_WORDS.get(
            outcome(numbers.get("verdict", "within_margin", method.method, method.mode)),
            "No verdict",
        )
        parts.append(f"<p><strong>{word}.</strong> {marked(_sentence(method, numbers), cells)}</p>")
    parts.append(f'<p class="note">{_margin_sentence(margin)}</p>')
    return Block(f'<div id="verdict">{"".join(parts)}</div>')


_IN_A_SENTENCE: Final = (
    ("limits_of_agreement", ("bias", "lower_limit", "upper_limit")),
    ("net_of_laboratory", ("own_lower_limit", "own_upper_limit")),
    ("verdict", ("sem_needed", "spread_80_low", "spread_80_high")),
    ("verdict", ("outer_end_less_fit", "outer_end_fit")),
)


def sentence_cells(method: str, mode: str, numbers: Numbers) -> list[Cell]:
    """Return the lines of the results table that a verdict's sentence may say, in their order."""
    cells = [
        numbers.get(analysis, statistic, method, mode)
        for analysis, statistics in _IN_A_SENTENCE
        for statistic in statistics
    ]
    of_laboratory = ("typical_error", "smallest_real_change")
    cells += [numbers.get("repeatability", name, "laboratory", mode) for name in of_laboratory]
    return cells


def _margin_sentence(margin: Margin) -> str:
    if margin.limit is None:
        return (
            "No limit was agreed on before the measurements, so there is no verdict: "
            "the numbers stand alone."
        )
    reason = f" Reason given: {escape(margin.reason)}" if margin.reason else ""
    return (
        f"Agreed on {margin.agreed_on}: for one athlete the field value may lie at most "
        f"{margin.limit:g} mL/kg/min from the laboratory's.{reason}"
    )


def next_steps(
    pairs: pd.DataFrame,
    exclusions: pd.DataFrame,
    numbers: Numbers,
    margin: Margin,
    outside: Collection[tuple[str, str, str]] = (),
) -> Block:
    """
    Return what the reader can check or correct next, most useful first.

    `outside`: athlete, method and mode of field tests whose equation was made for others.
    """
    items = [
        *_wrong_inputs(pairs),
        *_outside(pairs, outside),
        *_unconfirmed(pairs),
        *_no_margin(pairs, numbers, margin),
        *_no_repeats(pairs, numbers),
        *_more_athletes(pairs, numbers),
        *_losses(exclusions),
    ]
    if not items:
        return paragraph("Nothing in the data asks for a correction.")
    return bullets(items)


def _wrong_inputs(pairs: pd.DataFrame) -> list[str]:
    """Name the athletes whose estimator was told another mass or HRmax than was measured."""
    mass, heart = pairs[wrong_mass(pairs)], pairs[wrong_hr_max(pairs)]
    items = []
    if len(mass):
        items.append(
            f"Correct the body mass set in the device of {_names(mass)}: more than {MASS_WITHIN_PCT:g} % from the "
            "laboratory's."
        )
    if len(heart):
        items.append(
            f"Correct the maximal heart rate set in the device of {_names(heart)}: more than "
            f"{HR_MAX_WITHIN_BPM:g} beats from the one measured."
        )
    return items


def _outside(pairs: pd.DataFrame, outside: Collection[tuple[str, str, str]]) -> list[str]:
    """Name, for each equation, the athletes for whom it was not made."""
    places = zip(pairs["athlete_id"], pairs["method"], pairs["mode"], strict=True)
    found = pairs[np.array([place in outside for place in places], dtype=bool)]
    return [
        (
            f"The equation of {escape(method_name(method, mode))} was made for other people than "
            f"{_names(found[(found['method'] == method) & (found['mode'] == mode)])}: trust their "
            "values less, or use a test made for people like them."
        )
        for method, mode in _places(found)
    ]


def _unconfirmed(pairs: pd.DataFrame) -> list[str]:
    doubtful = pairs[pairs["max_confirmed"] != "yes"].drop_duplicates("lab_test_id")
    if doubtful.empty:
        return []
    return [
        (
            f"Not confirmed to be maximal: {counted(len(doubtful), 'laboratory test')} (of "
            f"{_names(doubtful)}). Repeat, or record what would confirm them."
        )
    ]


def _no_margin(pairs: pd.DataFrame, numbers: Numbers, margin: Margin) -> list[str]:
    """Say what would give a verdict where none can be."""
    if margin.limit is not None:
        verdicts = [numbers.get("verdict", "within_margin", *place) for place in _places(pairs)]
        if not any(outcome(cell) == "withheld" for cell in verdicts):
            return []
        return [
            (
                f"The limit was agreed on {margin.agreed_on}, after the first laboratory test, so the "
                "verdict is withheld. If it was agreed on earlier, correct agreed_on in the study "
                "file; else judge by it what is measured from now on, in a study of its own."
            )
        ]
    return ["Agree on a limit before the next measurements and write it into the study file."]


def _no_repeats(pairs: pd.DataFrame, numbers: Numbers) -> list[str]:
    if any(
        numbers.get("repeatability", "typical_error", "laboratory", str(mode)).known
        for mode in pairs["mode"].unique()
    ):
        return []
    return [
        (
            "Test a few athletes twice within some days: without repeats nobody can tell how much of "
            "the difference is the laboratory's own error."
        )
    ]


def _more_athletes(pairs: pd.DataFrame, numbers: Numbers) -> list[str]:
    """Say for which methods how many more athletes would decide."""
    needed = []
    for method, mode in _places(pairs):
        cell = numbers.get("verdict", "athletes_needed_1_test", method, mode)
        verdict = numbers.get("verdict", "within_margin", method, mode)
        if (
            verdict_code(verdict) == ("undecided", "")
            and cell.known
            and cell.n < cell.value <= PRACTICAL
        ):
            needed.append(f"{cell.shown(0)} for {escape(method_name(method, mode))}")
    if not needed:
        return []
    said = (
        "Test more athletes where the verdict is undecided; if the numbers stay as they are, about "
        f"this many in all, with one laboratory test each, would settle it: {', '.join(needed)}."
    )
    return [said]


def _places(pairs: pd.DataFrame) -> list[tuple[str, str]]:
    """Return every method and mode with a pair, in the order of the pairs."""
    each = pairs[["method", "mode"]].drop_duplicates()
    return list(each.itertuples(index=False, name=None))


def _losses(exclusions: pd.DataFrame) -> list[str]:
    """Say what would win back the rows of the commonest avoidable reasons."""
    reasons = exclusions["reason"].astype("str")
    counts = reasons[reasons.isin(list(WIN_BACK))].value_counts().sort_index()
    commonest = counts.sort_values(ascending=False, kind="stable").head(_MOST_LOSSES)
    return [
        f"{WIN_BACK[str(reason)]} ({counted(int(number), 'row')} left out)."
        for reason, number in commonest.items()
    ]


def _names(frame: pd.DataFrame) -> str:
    """Return the athletes of some rows, cut after a few, as markup."""
    ids = sorted(frame["athlete_id"].unique())
    shown = ", ".join(escape(str(name)) for name in ids[:_MOST_NAMED])
    rest = len(ids) - _MOST_NAMED
    return f"{shown} and {rest} more" if rest > 0 else shown
