"""What the training and the inputs explain: coverage of sessions, settings, averaging, maxima."""

from html import escape
from math import isfinite
from typing import Any, Final

import pandas as pd

from agreement.cohort import Cohort
from agreement.figures.why import plot_why, why_alt, why_legend
from agreement.physiology.breath_tests import averaging_worth
from agreement.physiology.coverage import (
    coverage_by_profile,
    explained_by_coverage,
    intensity_coverage,
)
from agreement.physiology.inputs import input_audit
from agreement.physiology.session_fans import SessionFan, typical_fans
from agreement.physiology.stage_splits import STAGES_METHOD, stage_splits
from agreement.report.answer import method_name
from agreement.report.audit import effort_block
from agreement.report.markup import Block, joined, paragraph, table
from agreement.report.numbers import plain
from agreement.report.pictures import Picture, picture
from agreement.terms import SESSIONS_METHOD

PANELS: Final = 2  # side by side; more would be too narrow to read
AGAINST: Final = "fixed 30 s"  # the rule of the published comparison
NO_SESSIONS: Final = (
    "No session with a record of heart rate lies before a paired laboratory test, so what the "
    "sessions cover is not known. Records go into the folder <code>samples</code>."
)
OWN_FORM: Final = (
    "The estimate from training sessions itself is not of the usual form: no bias is expected of it, "
    "only the spread that its standard error tells."
)
CAPTION: Final = (
    "A typical athlete of each profile. Points: steady stretches of training sessions. The line "
    "through them is carried to HRmax (right edge); the band is one standard error. The further it "
    "is carried, the less it says."
)
_INPUTS: Final = {
    "mass_kg": ("body mass", "kg"),
    "hr_max_bpm": ("maximal heart rate", "bpm"),
    "age_years": ("age", "years"),
}


def why(cohort: Cohort) -> tuple[tuple[Picture, ...], Block]:
    """
    Say why a training profile is misread.

    Parameters
    ----------
    cohort : Cohort

    Returns
    -------
    pictures : tuple of Picture
        A typical athlete of each profile, two panels each; empty without sessions.
    block : Block
        Coverage and error by profile, and how much of the spread the coverage explains.
    """
    readings = cohort.readings
    pulse = [name for name, based in readings.heart_rate_based.items() if based]
    pairs = cohort.pairs
    pairs = pairs[pairs["method"].isin(pulse) & (pairs["hr_limiting_drug"] != "yes")]
    options = cohort.study.options.extrapolation
    coverage = intensity_coverage(readings.session_lines, pairs, window_days=options.window_days)
    split = _split_block(cohort)
    if coverage.empty:
        return (), paragraph(NO_SESSIONS) + split
    fans = typical_fans(coverage, readings.session_points, options)
    drawn = tuple(
        _pair_of_panels(fans, start, place)
        for place, start in enumerate(range(0, len(fans), PANELS), 1)
    )
    tables = [
        _coverage_table(str(method), str(mode), own)
        for (method, mode), own in coverage_by_profile(coverage).groupby(["method", "mode"])
    ]
    own = coverage["method"] == SESSIONS_METHOD
    said = [found.summary() for found in explained_by_coverage(coverage[~own])]
    if own.any():
        said.append(OWN_FORM)
    return drawn, joined([*tables, *(paragraph(escape(text)) for text in said), split])


def _split_block(cohort: Cohort) -> Block:
    """Split the error of the cycle stage test, where the uptake of its stages was measured."""
    study = cohort.study
    splits = stage_splits(
        study.field_tests,
        study.athletes,
        cohort.pairs,
        extrapolation=study.options.extrapolation,
    )
    if splits.frame.empty:
        return Block("")
    numbers = splits.to_frame().set_index("statistic")["value"]
    words = {"total": "all together", "cost": "cost equation", "heart_rate": "heart rate"}
    rows = [
        (word, _shown(numbers[f"mean_{part}"], sign=True), _shown(numbers[f"sd_{part}"]))
        for part, word in words.items()
    ]
    columns = ("part of the error", "mean (mL/kg/min)", "standard deviation")
    caption = f"{STAGES_METHOD}: the error of stages whose uptake was measured"
    said = paragraph(escape(splits.summary()))
    return said + table(caption, columns, rows, numeric=columns[1:])


def _pair_of_panels(fans: tuple[SessionFan, ...], start: int, place: int) -> Picture:
    """Return the picture of two profiles, on the axes that all share."""
    shown = fans[start : start + PANELS]

    def draw(axes: list[Any]) -> None:
        for fan, ax in zip(shown, axes, strict=True):
            plot_why(fan, ax=ax, among=fans)
        if start == 0:
            why_legend(axes[0])

    return picture(
        f"why-{place}",
        draw,
        alt=why_alt(shown),
        caption=CAPTION if start == 0 else "The same for the profiles whose line says less.",
        height=4.0,
        columns=len(shown),
    )


def _coverage_table(method: str, mode: str, rows: pd.DataFrame) -> Block:
    """Return coverage and error of one method by training profile."""
    columns = (
        "training profile",
        "athletes",
        "heart rates: span, highest",
        "standard error of the line",
        "expected bias, usual form",
        "observed error",
        "share of spread explained",
    )
    cells = [
        (
            escape(row["training_profile"]),
            str(row["n_athletes"]),
            f"{plain(row['hr_span'], 0)} bpm,<br>{plain(100 * row['top_share_of_hr_max'], 0)} % of HRmax",
            _shown(row["extrapolation_se"]),
            _shown(row["expected_bias"], sign=True),
            _with_interval(row["observed_error"], row["observed_low"], row["observed_high"]),
            _percent(row["share_explained"]),
        )
        for row in rows.to_dict("records")
    ]
    caption = f"{method_name(method, mode)}: what sessions covered, and the error (mL/kg/min)"
    return table(caption, columns, cells, numeric=columns[1:])


def inputs_block(cohort: Cohort) -> Block:
    """List what the estimator was told wrongly, and what that is expected to shift."""
    readings = cohort.readings
    audit = input_audit(readings.frame, cohort.laboratory.frame, readings.heart_rate_based)
    if audit.empty:
        return paragraph("No field estimate says what its estimator was told.")
    blocks = []
    for (method, mode), own in audit.groupby(["method", "mode"]):
        name = escape(method_name(str(method), str(mode)))
        told = own[own["input"] != "sensor"]
        wrong = told[told["to_correct"] == "yes"]
        wrist = own.loc[own["input"] == "sensor", "athlete_id"].nunique()
        sensors = f" {wrist} rely on a wrist sensor." if wrist else ""
        blocks.append(
            paragraph(
                f"{name}: {wrong['athlete_id'].nunique()} of {own['athlete_id'].nunique()} athletes "
                f"have an input to correct.{sensors}"
            )
        )
        if len(wrong):
            listed = _input_table(f"{method_name(str(method), str(mode))}: to correct", wrong)
            summary = f"<summary>{name}: {len(wrong)} inputs</summary>"
            blocks.append(Block(f"<details>{summary}{listed.html}</details>"))
    return joined(blocks)


def _input_table(caption: str, wrong: pd.DataFrame) -> Block:
    """Return the inputs to correct, the largest expected shift first."""
    largest = wrong["expected_shift"].abs()
    order = wrong.assign(largest=-largest).sort_values(
        ["largest", "athlete_id", "input"], kind="stable"
    )
    rows = [
        (
            escape(str(row["athlete_id"])),
            _INPUTS[row["input"]][0],
            f"{row['told']:g} {_INPUTS[row['input']][1]}",
            f"{row['measured']:g} {_INPUTS[row['input']][1]}",
            _shown(row["expected_shift"], sign=True),
            escape(row["note"]) or "none",
        )
        for row in order.to_dict("records")
    ]
    columns = ("athlete", "input", "told", "measured", "expected shift (mL/kg/min)", "remark")
    return table(caption, columns, rows, numeric=columns[2:5])


def worth_block(averaging: pd.DataFrame, rules: "pd.Series[str]") -> Block:
    """
    Price the choice of averaging rule in this study's own tests.

    Parameters
    ----------
    averaging : DataFrame
        `agreement.physiology.laboratory.LaboratoryValues.averaging`.
    rules : Series of str
        The rule behind each laboratory value in use.
    """
    try:
        worth = averaging_worth(averaging, against=AGAINST)
    except (ValueError, KeyError):  # no test with breaths, or none as long as the rule
        return paragraph("No laboratory test has breaths, so no other averaging rule can be tried.")
    in_use = set(rules.unique())
    rows = [
        (
            f"<strong>{escape(row['rule'])}, in use</strong>"
            if row["rule"] in in_use
            else escape(row["rule"]),
            str(row["n"]),
            _shown(row["median"], sign=True),
            f"{plain(row['p10'], sign=True)} to {plain(row['p90'], sign=True)}",
            _shown(row["median_difference"], sign=True),
        )
        for row in worth.to_dict("records")
    ]
    columns = (
        "averaging rule",
        "tests",
        f"median, % more than {AGAINST}",
        "8 of 10 tests between (%)",
        "median difference (mL/kg/min)",
    )
    spread = worth["median_difference"].max() - worth["median_difference"].min()
    said = paragraph(
        f"From the lowest to the highest rule the same breaths differ by {plain(spread)} mL/kg/min: "
        "that much of a difference between two laboratories, or between laboratory and field, may be "
        "the rule alone."
    )
    return said + table(
        "The same breaths under every averaging rule", columns, rows, numeric=columns[1:]
    )


def maxima_block(laboratory: pd.DataFrame) -> Block:
    """Count confirmed maxima, and the criteria behind them."""
    states = laboratory["max_confirmed"].value_counts()
    yes, no, unknown = (int(states.get(name, 0)) for name in ("yes", "no", "unknown"))
    said = paragraph(
        f"Of {len(laboratory)} laboratory tests {yes} are confirmed to be maximal, {no} are not, and "
        f"of {unknown} it is not known; the value of the last two is a VO2peak. A criterion that "
        "nobody recorded is never a failed one."
    )
    return said + effort_block(laboratory)


def _shown(value: float, digits: int = 1, *, sign: bool = False) -> str:
    return plain(value, digits, sign=sign) if isfinite(value) else ""


def _percent(share: float) -> str:
    return f"{plain(100 * share, 0)} %" if isfinite(share) else "too few athletes"


def _with_interval(value: float, low: float, high: float) -> str:
    if not isfinite(value):
        return "too few athletes"
    interval = f"{plain(low)} to {plain(high)}"
    return f'{plain(value, sign=True)}<br><span class="interval">{interval}</span>'
