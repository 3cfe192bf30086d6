"""What training explains: which intensities sessions cover, and where a profile nearly ends."""

from html import escape
from math import isfinite
from typing import Any, Final

import pandas as pd

from agreement.cohort import Cohort
from agreement.figures.why import plot_why, why_alt, why_legend
from agreement.physiology.coverage import (
    coverage_by_profile,
    explained_by_coverage,
    intensity_coverage,
)
from agreement.physiology.session_fans import SessionFan, typical_fans
from agreement.physiology.stage_splits import (
    STAGES_METHOD,
    StageSplits,
    session_splits,
    stage_splits,
)
from agreement.report.answer import method_name
from agreement.report.comparison import Comparison
from agreement.report.input_sections import shown
from agreement.report.markup import Block, joined, paragraph, table
from agreement.report.numbers import counted, plain, with_minus
from agreement.report.pictures import Picture, picture
from agreement.report.subsets import parts_block
from agreement.terms import NOT_ENOUGH_DATA, SESSIONS_METHOD

PANELS: Final = 2  # side by side; more would be too narrow to read
TOO_FEW: Final = '<span class="absent">too few</span>'
NO_SESSIONS: Final = (
    "No session with a record of heart rate lies before a paired laboratory test, so what the "
    "sessions cover is not known. Records go into the folder <code>samples</code>."
)
OWN_FORM: Final = (
    "The estimate from training sessions itself is not of the usual form: no bias is expected of it, "
    "only the spread that its standard error tells."
)
CAPTION: Final = (
    "A typical athlete of each profile; here the profile whose line says most and the one whose line "
    "says least. Points: steady stretches of training sessions. The line through them is carried to "
    "HRmax (right edge) where no session was (grey); the band is one standard error. The further it "
    "is carried, the less it says."
)
PARTS: Final = {"total": "all together", "cost": "cost equation", "heart_rate": "heart rate"}
LAGGING: Final = (
    "What a work rate costs an athlete is read from the last minute of each stage of two minutes or more of "
    "the laboratory's test, up to nine tenths of VO2max. Uptake lags behind a step up: stages too "
    "short for a steady state shift some of the error between the parts, towards the equation's after a "
    "warm-up, towards heart rate's when begun from rest; by less than 1 mL/kg/min with stages of two minutes, "
    "0.2 with three (computed for a time constant of 35 s). An HRmax that is wrong, or only expected from age, "
    "is in heart rate's part."
)
BETWEEN: Final = "The same for the profiles between them."


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
    split = _split_block(cohort, pairs)
    if coverage.empty:
        return (), paragraph(NO_SESSIONS) + split
    fans = _extremes_first(typical_fans(coverage, readings.session_points, options))
    drawn = tuple(
        _pair_of_panels(fans, start, place)
        for place, start in enumerate(range(0, len(fans), PANELS), 1)
    )
    by_profile = coverage_by_profile(coverage)
    tables = [
        _coverage_table(str(method), str(mode), by_profile[_of(by_profile, method, mode)])
        + _athletes_table(str(method), str(mode), own)
        for (method, mode), own in coverage.groupby(["method", "mode"])
    ]
    own = coverage["method"] == SESSIONS_METHOD
    said = [found.summary() for found in explained_by_coverage(coverage[~own])]
    if own.any():
        said.append(OWN_FORM)
    return drawn, joined([*tables, *(paragraph(escape(with_minus(text))) for text in said), split])


def _extremes_first(fans: tuple[SessionFan, ...]) -> tuple[SessionFan, ...]:
    """Put the line that says most beside the one that says least, then those between."""
    return fans if len(fans) < 3 else (fans[0], fans[-1], *fans[1:-1])


def _split_block(cohort: Cohort, pairs: pd.DataFrame) -> Block:
    """Split the error where the laboratory measured uptake by stage, method by method."""
    study = cohort.study
    options = study.options.extrapolation
    ridden = stage_splits(study.field_tests, study.athletes, pairs, extrapolation=options)
    trained = session_splits(cohort.laboratory.stages, pairs)
    return joined(
        [_one_split(STAGES_METHOD, ridden, ""), _one_split(SESSIONS_METHOD, trained, LAGGING)]
    )


def _one_split(method: str, splits: StageSplits, caution: str) -> Block:
    """Return mean and spread of the two parts of one method's error, and the parts of each pair."""
    if splits.frame.empty:
        return Block("")
    numbers = splits.to_frame().set_index("statistic")["value"]
    rows = [
        (word, shown(numbers[f"mean_{part}"], sign=True), shown(numbers[f"sd_{part}"]))
        for part, word in PARTS.items()
    ]
    columns = ("part of the error", "mean (mL/kg/min)", "standard deviation")
    caption = f"{method}: the error, split by the uptake measured in stages"
    each = [
        (
            escape(str(row["athlete_id"])),
            str(row["n_points"]),
            *(shown(row[part], sign=True) for part in PARTS),
        )
        for row in splits.frame.to_dict("records")
    ]
    heads = ("athlete", "stages", *PARTS.values())
    listed = table(f"{method}: the parts of each error (mL/kg/min)", heads, each, numeric=heads[1:])
    said = paragraph(escape(with_minus(f"{method}: {splits.summary()} {caution}".rstrip())))
    return (
        said
        + table(caption, columns, rows, numeric=columns[1:])
        + Block(f"<details><summary>{method}: pair by pair</summary>{listed.html}</details>")
    )


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
        caption=CAPTION if start == 0 else BETWEEN,
        height=4.2,
        columns=len(shown),
    )


def _coverage_table(method: str, mode: str, rows: pd.DataFrame) -> Block:
    """Return coverage and error of one method by training profile."""
    columns = (
        "training profile",
        "athletes",
        "heart rate: span, top",
        "line's standard error",
        "expected bias",
        "observed error",
        "spread explained",
    )
    cells = [
        (
            escape(row["training_profile"]),
            str(row["n_athletes"]),
            f"{plain(row['hr_span'], 0)} bpm,<br>{plain(100 * row['top_share_of_hr_max'], 0)} % of max.",
            shown(row["extrapolation_se"]),
            shown(row["expected_bias"], sign=True),
            _with_interval(row["observed_error"], row["observed_low"], row["observed_high"]),
            '<span class="absent">own form</span>'
            if method == SESSIONS_METHOD
            else _percent(row["share_explained"]),
        )
        for row in rows.to_dict("records")
    ]
    caption = f"{method_name(method, mode)}: what sessions covered, and the error (mL/kg/min)"
    return table(caption, columns, cells, numeric=columns[1:])


def _of(rows: pd.DataFrame, method: object, mode: object) -> "pd.Series[bool]":
    return (rows["method"] == method) & (rows["mode"] == mode)


def _athletes_table(method: str, mode: str, rows: pd.DataFrame) -> Block:
    """List coverage and error test by test, the least certain line first."""
    columns = (
        "athlete",
        "training profile",
        "heart rate: span, top",
        "line's standard error",
        "expected bias",
        "observed error",
    )
    order = rows.sort_values("extrapolation_se", ascending=False, kind="stable")
    cells = [
        (
            escape(str(row["athlete_id"])),
            escape(row["training_profile"]) if isinstance(row["training_profile"], str) else "none",
            f"{plain(row['hr_span'], 0)} bpm, {plain(100 * row['top_share_of_hr_max'], 0)} % of HRmax",
            shown(row["extrapolation_se"]),
            shown(row["expected_bias"], sign=True),
            shown(row["observed_error"], sign=True),
        )
        for row in order.to_dict("records")
    ]
    name = method_name(method, mode)
    caption = f"{name}: each athlete's sessions and error (mL/kg/min)"
    listed = table(caption, columns, cells, numeric=columns[2:])
    summary = f"<summary>{escape(name)}: athlete by athlete</summary>"
    return Block(f"<details>{summary}{listed.html}</details>")


def borderline_block(one: Comparison, next_door: dict[str, str]) -> Block:
    """
    Repeat the bias by training profile with the borderline tests moved to the profile next door.

    Parameters
    ----------
    one : Comparison
    next_door : dict of str to str
        `agreement.physiology.laboratory.LaboratoryValues.next_door`.
    """
    count = int(one.pairs["lab_test_id"].isin(next_door.keys()).sum())
    if not count:
        return Block("")
    kinds = (("profile_bias", ""), ("borderline_moved", ", borderline moved"))
    names = sorted({group for kind, _ in kinds for group in one.groups(kind)} - {"all"})
    parts = [(f"{name}{words}", kind, name) for name in names for kind, words in kinds]
    moved = counted(count, "borderline pair")
    caption = f"{one.name}: bias with {moved} in their own profile, and moved (mL/kg/min)"
    shown = parts_block(one, caption, parts)
    summary = f"<summary>{escape(one.name)}: {moved} moved</summary>"
    return Block(f"<details>{summary}{shown.html}</details>")


def unclassified_block(profiles: pd.DataFrame) -> Block:
    """List the laboratory tests before which there was too little training to tell a profile."""
    bare = profiles[profiles["profile"] == NOT_ENOUGH_DATA]
    if bare.empty:
        return Block("")
    rows = [
        (escape(str(row["lab_test_id"])), escape(str(row["athlete_id"])), escape(row["note"]))
        for row in bare.to_dict("records")
    ]
    listed = table("Tests without a training profile", ("test", "athlete", "what lacks"), rows)
    return Block(
        f"<details><summary>{counted(len(bare), 'test')} without a training profile</summary>"
        f"{listed.html}</details>"
    )


def disagreement_block(profiles: pd.DataFrame, *, use: str) -> Block:
    """
    List the tests whose stated training profile is not the one that the sessions before them say.

    Parameters
    ----------
    profiles : DataFrame
        `agreement.physiology.laboratory.LaboratoryValues.profiles`.
    use : {"computed", "stated"}
        Which of the two the report goes by.
    """
    both = profiles[profiles["stated"].notna() & (profiles["profile"] != NOT_ENOUGH_DATA)]
    unlike = both[both["stated"] != both["profile"]]
    if both.empty:
        return Block("")
    said = (
        f"{len(unlike)} of {len(both)} tests have another training profile by the sessions before "
        f"them than the athletes table states; this report goes by the {use} one."
    )
    if unlike.empty:
        return paragraph(said)
    rows = [
        (
            *(escape(str(row[c])) for c in ("lab_test_id", "athlete_id", "stated", "profile")),
            " / ".join(plain(100 * row[f"zone{zone}"], 0) for zone in (1, 2, 3)),
        )
        for row in unlike.to_dict("records")
    ]
    columns = ("test", "athlete", "stated", "by the sessions", "time in zones 1 / 2 / 3 (%)")
    listed = table("Stated and computed training profiles that differ", columns, rows)
    return paragraph(said) + Block(
        f"<details><summary>{counted(len(unlike), 'test')} with two profiles</summary>{listed.html}</details>"
    )


def _percent(share: float) -> str:
    return f"{plain(100 * share, 0)} %" if isfinite(share) else TOO_FEW


def _with_interval(value: float, low: float, high: float) -> str:
    if not isfinite(value):
        return TOO_FEW
    interval = f"{plain(low)} to {plain(high)}"
    return f'{plain(value, sign=True)}<br><span class="interval">{interval}</span>'
