"""The laboratory by itself: how far its repeats lie apart, who changed, what the rule is worth."""

from typing import Final

import pandas as pd
from markupsafe import Markup

from agreement.cohort import Cohort
from agreement.physiology.stage_splits import ANOTHER_DAY, SAME_DAY
from agreement.physiology.thresholds import IN_USE
from agreement.report.page.machine import said
from agreement.report.page.markup import Block, fold, joined, paragraph
from agreement.report.page.numbers import Numbers, counted
from agreement.report.sections.actions import TYPICAL_ERROR
from agreement.report.sections.comparison import frame_table
from agreement.report.sections.further import analysis_tables, tables_of
from agreement.report.shown.told import told_of
from agreement.stats.catalogue import BY_NAME
from agreement.stats.laboratory_results import LABORATORY
from agreement.stats.repeats.laboratory_itself import LaboratoryChange
from agreement.stats.results_table import StudyResults
from agreement.tables.options import Kind, Zones
from agreement.terms import RATERS, mode_word

QUESTION: Final = "How far can one laboratory test be trusted?"
NO_FIELD: Final = "This study has no field values: the laboratory is judged by itself."
REPEATS: Final = "laboratory_repeats"
_TABLES: Final = (
    *("thresholds", "threshold_agreement", "threshold_agreement_hr", "training_zones", "economy"),
)
_BESIDE: Final = (  # macro, analysis, groups of which the first that is known is told
    *((one, "thresholds", [f"{one} {who}" for who in (*RATERS, IN_USE[one])]) for one in IN_USE),
    *((name, name, ["all"]) for name in ("training_zones", "economy")),
)
_KNOWN: Final = {"training_zones": "share_profile_changed", "economy": "mean_cost_ratio"}
_EXPLAINED: Final = "economy_explained"
_EXPECTED: Final = (
    "athlete: athlete_id; method: name; stages of: stages; cost of work: cost_ratio .2; "
    "expected error: expected +; observed error: difference +; what is left: rest +"
)
_CHANGES: Final = (
    "athlete: athlete_id; change: change +; noise: noise; before: before; after: after; "
    "first test: first_test; last test: last_test"
)


def answers(results: StudyResults, numbers: Numbers) -> list[Markup]:
    """Return what the laboratory's own tests say, mode by mode."""
    found = [(numbers.get(*TYPICAL_ERROR, *place), place) for place in numbers.places(REPEATS)]
    told = [
        said(
            "laboratory",
            "answer",
            name=place[1] if len(found) > 1 else "",
            error=error,
            shift=numbers.get(REPEATS, "mean_shift", *place, "1 to 2"),
            change=results.of_laboratory("laboratory_change").get(place[1]),
        )
        for error, place in sorted(found, key=lambda one: not one[0].known)
    ]
    return told or [Markup("Not one laboratory test could be used.")]


def laboratory(cohort: Cohort, *, kind: Kind = "squad") -> Block:
    """
    Show the laboratory by itself: repeats with their mean shift told apart, and who changed.

    Only a squad report names who changed by more than noise; an audit does not count them either.
    """
    told, expected = told_of(cohort), cohort.evidence.expected
    results, numbers = told.results, told.numbers
    blocks = tables_of(numbers, REPEATS)
    changes = results.of_laboratory("laboratory_change")
    for mode, change in changes.items():
        name = f"{mode_word(mode)}: " if len(changes) > 1 else ""
        blocks.append(_changes(name, change, numbers, mode, named=kind == "squad"))
    errors = told.view.rows(expected) if kind == "squad" and expected is not None else None
    beside = beside_block(numbers, told.options.profile.zones, errors)
    return joined(block for block in (*blocks, beside) if block.html)


def beside_block(numbers: Numbers, zones: Zones, errors: pd.DataFrame | None = None) -> Block:
    """Show thresholds, zones by them, economy; `errors`: where people may be named."""
    told = []
    for name, analysis, groups in _BESIDE:
        for _, mode in numbers.places(analysis):
            place = (LABORATORY, mode)
            key = _KNOWN.get(name, "mean_share_of_hr_max")
            given = (one for one in groups if numbers.get(analysis, key, *place, one).known)
            if (group := next(given, None)) is not None:
                names = BY_NAME[analysis].names
                cells = {one: numbers.get(analysis, one, *place, group) for one in names}
                who = group.partition(" ")[2]
                told.append(said("laboratory", name, cells=cells, mode=mode, zones=zones, who=who))
    tables = analysis_tables(numbers, [BY_NAME[name] for name in (*_TABLES, _EXPLAINED)])
    for day in (ANOTHER_DAY, SAME_DAY):
        known = [
            (numbers.name(*place), share, numbers.get(_EXPLAINED, "slope", *place, day))
            for place in numbers.places(_EXPLAINED)
            if (share := numbers.get(_EXPLAINED, "r_squared", *place, day)).known
        ]
        if known:
            shown_so = [(name, share) for name, share, slope in known if slope.low > 0]
            another = day == ANOTHER_DAY
            told.append(
                said("laboratory", _EXPLAINED, methods=len(known), shown=shown_so, another=another)
            )
    if errors is not None and len(errors):
        rows = errors.sort_values(["method", "athlete_id", "lab_test_id"])
        places = zip(rows["method"], rows["mode"], strict=True)
        called = [numbers.name.with_mode(*place) for place in places]
        stages = [str(one).replace("_", " ") for one in rows["stages_of"]]
        caption = "Errors that each athlete's own economy lets expect (mL/kg/min)"
        tables.append(frame_table(caption, rows.assign(name=called, stages=stages), _EXPECTED))
    sentences = joined(paragraph(one) for one in told)
    return (
        sentences + fold("Thresholds, training zones and economy", *tables) if tables else sentences
    )


def _changes(
    name: str, change: LaboratoryChange, numbers: Numbers, mode: str, *, named: bool
) -> Block:
    """Count who changed by more than the noise, and name them; everybody else is folded."""
    share = numbers.get("laboratory_change", "share_beyond_noise", LABORATORY, mode)
    words = paragraph(said("laboratory", "share", name=name, change=change, share=share))
    if not named:
        return words
    people = change.people
    beyond = people["beyond_noise"] == "yes"
    caption = f"{name}Changed by more than the noise (mL/kg/min)"
    shown = frame_table(caption, people[beyond], _CHANGES) if beyond.any() else Block("")
    rest = people[~beyond]
    if rest.empty:
        return words + shown
    caption = f"{name}Changed by less than the noise (mL/kg/min)"
    summary = f"{counted(len(rest), 'athlete')} who changed by less than the noise"
    return words + shown + fold(summary, frame_table(caption, rest, _CHANGES))
