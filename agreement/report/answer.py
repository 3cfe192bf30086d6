"""The answer first: the verdict in one sentence for each method, and what to do about it."""

from html import escape
from typing import Any, Final

import pandas as pd

from agreement.report.markup import Block, bullets, paragraph
from agreement.report.numbers import Cell, Numbers, counted, marked
from agreement.stats.wrong_inputs import wrong_hr_max, wrong_mass
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


def method_name(method: str, mode: str) -> str:
    """Return how a method is called in text, plain."""
    name = "training sessions' heart rate" if method == SESSIONS_METHOD else method
    return f"{name}, {mode}"


def outcome(cell: Cell) -> str:
    """Return the verdict's outcome from its line of the results table."""
    return cell.note.split(";")[0].strip()


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
        cells = [
            numbers.get("limits_of_agreement", statistic, method.method, method.mode)
            for statistic in ("bias", "lower_limit", "upper_limit")
        ]
        cells.append(numbers.get("verdict", "more_athletes", method.method, method.mode))
        word = OUTCOME_WORDS.get(
            outcome(numbers.get("verdict", "within_margin", method.method, method.mode)),
            "No verdict",
        )
        parts.append(f"<p><strong>{word}.</strong> {marked(_sentence(method, numbers), cells)}</p>")
    parts.append(f'<p class="note">{_margin_sentence(margin)}</p>')
    return Block(f'<div id="verdict">{"".join(parts)}</div>')


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
    pairs: pd.DataFrame, exclusions: pd.DataFrame, numbers: Numbers, margin: Margin
) -> Block:
    """Return what the reader can check or correct next, most useful first."""
    items = [
        *_wrong_inputs(pairs),
        *_unconfirmed(pairs),
        *_no_margin(margin),
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


def _no_margin(margin: Margin) -> list[str]:
    if margin.limit is not None:
        return []
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
    for method, mode in pairs[["method", "mode"]].drop_duplicates().itertuples(index=False):
        cell = numbers.get("verdict", "more_athletes", method, mode)
        undecided = outcome(numbers.get("verdict", "within_margin", method, mode)) == "undecided"
        if undecided and cell.known and cell.value > 0:
            needed.append(f"{cell.shown(0)} for {escape(method_name(method, mode))}")
    if not needed:
        return []
    return [
        (
            "Test more athletes where the verdict is undecided; if the numbers stay as they are, this "
            f"many more would settle it: {', '.join(needed)}."
        )
    ]


def _losses(exclusions: pd.DataFrame) -> list[str]:
    """Say what would win back the rows of the commonest avoidable reasons."""
    counts = exclusions["reason"].value_counts()
    avoidable = sorted((-counts[reason], reason) for reason in WIN_BACK if reason in counts)
    return [
        f"{WIN_BACK[reason]} ({counted(-number, 'row')} left out)."
        for number, reason in avoidable[:3]
    ]


def _names(frame: pd.DataFrame) -> str:
    """Return the athletes of some rows, cut after a few, as markup."""
    ids = sorted(frame["athlete_id"].unique())
    shown = ", ".join(escape(str(name)) for name in ids[:_MOST_NAMED])
    rest = len(ids) - _MOST_NAMED
    return f"{shown} and {rest} more" if rest > 0 else shown
