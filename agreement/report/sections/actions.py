"""What to check or correct next, the most useful first."""

from typing import Final

import pandas as pd
from markupsafe import Markup

from agreement.cohort import Cohort
from agreement.physiology.inputs import ODD_MAXIMUM
from agreement.physiology.session_people import HR_MAX_ODD_BPM
from agreement.report.page.machine import said, stated
from agreement.report.page.markup import Block
from agreement.report.page.numbers import Numbers
from agreement.report.privacy.left_out import rows_by_reason
from agreement.report.privacy.view import View
from agreement.report.sections.answer import Judged, ranked
from agreement.report.shown.told import told_of
from agreement.stats.causes.wrong_inputs import wrong_hr_max, wrong_mass
from agreement.stats.limits.limits import FEW_FOR_REPORTS
from agreement.stats.verdict.verdict import AGAINST_CHANGED, LOOKS_USED
from agreement.tables.options import Margin
from agreement.terms import AGE_WITHIN_YEARS, HR_MAX_WITHIN_BPM, MASS_WITHIN_PCT

_MOST_LOSSES: Final = 3
TYPICAL_ERROR: Final = ("repeatability", "typical_error")
_BIAS: Final = ("limits_of_agreement", "bias")
NOT_LATE: Final = frozenset((AGAINST_CHANGED, LOOKS_USED))  # withheld for another reason


def next_steps(cohort: Cohort, *, most: int = 3, folded: bool = True) -> Block:
    """Say what to check or correct next, `most` things at once, and how many rows are used."""
    told = told_of(cohort)
    view, numbers = told.view, told.numbers
    if cohort.study.laboratory_only:
        items = unconfirmed(view, cohort.laboratory.frame, paired=False)
        if not any(
            numbers.get(*TYPICAL_ERROR, *one).known for one in numbers.places("repeatability")
        ):
            items.insert(0, said("actions", "repeats_alone"))
    else:
        judged = ranked(told.results.methods, numbers)
        items = study_actions(judged, numbers, told.options.margin)
        if (pairs := view.rows(cohort.pairs)) is not None:
            wrong = told.inputs[told.inputs["to_correct"] == "yes"]
            aged = wrong.loc[wrong["input"] == "age_years", "athlete_id"]
            odd = told.inputs.loc[told.inputs["note"] == ODD_MAXIMUM, "athlete_id"]
            look_first = pairs["athlete_id"].isin(odd) & wrong_hr_max(pairs)
            told_wrong = (
                ("mass", wrong_mass(pairs), MASS_WITHIN_PCT),
                ("heart", wrong_hr_max(pairs) & ~look_first, HR_MAX_WITHIN_BPM),
                ("age", pairs["athlete_id"].isin(aged), AGE_WITHIN_YEARS),
                ("odd_heart", look_first, HR_MAX_ODD_BPM),
            )
            items += [
                said("actions", part, people=_people(pairs[at]), within=within)
                for part, at, within in told_wrong
                if at.any()
            ]
            items += unconfirmed(view, pairs)
        else:
            items += _confirmed(judged, numbers)
    items += losses(view.exclusions)
    read, out = (int(view.flow[name].sum()) for name in ("rows_read", "excluded"))
    counts = {"used": read - out, "read": read, "left_out": out}
    notes = any(one.severity == "note" for one in view.problems)
    counts |= {"names_nobody": told.names_nobody, "notes": notes, "short": not folded}
    return Block(said("actions", "block", items=items, most=most, **counts))


def study_actions(judged: tuple[Judged, ...], numbers: Numbers, margin: Margin) -> list[Markup]:
    """Return what would make the answer firmer, without naming anybody."""
    told = []
    if margin.limit is None:
        told.append(said("actions", "agree"))
    elif any(one.outcome == "withheld" and not one.codes & NOT_LATE for one in judged):
        told.append(said("actions", "late", margin=margin))
    every = {one.mode for one in judged}
    modes = sorted({one.mode for one in judged if not one.few} or every)
    unknown = [one for one in modes if not numbers.get(*TYPICAL_ERROR, "laboratory", one).known]
    if unknown or not modes:
        told.append(said("actions", "repeats", modes=unknown if len(every) > 1 else ()))
    drifts = (numbers.get("control", "laboratory_drift", one.method, one.mode) for one in judged)
    drift = next((one for one in drifts if one.known and not one.low <= 0 <= one.high), None)
    if drift is not None:
        told.append(said("actions", "drift", drift=drift))
    few = [one.name for one in judged if one.few and not one.hidden]
    if few:
        told.append(said("actions", "few", names=few, needed=FEW_FOR_REPORTS))
    needed = [one for one in judged if one.outcome == "undecided" and one.needs_athletes]
    return [*told, said("actions", "more", needed=needed)] if needed else told


def losses(exclusions: pd.DataFrame) -> list[Markup]:
    """Say what would win back the rows of the commonest avoidable reasons."""
    words = stated("actions", "win_back")
    counts = rows_by_reason(exclusions).groupby("reason")["rows"].sum()
    counts = counts[counts.index.isin(list(words))]
    commonest = counts.sort_values(ascending=False, kind="stable").head(_MOST_LOSSES)
    return [
        said("actions", "loss", words=words[str(reason)], rows=int(number))
        for reason, number in commonest.items()
    ]


def unconfirmed(view: View, tests: pd.DataFrame, *, paired: bool = True) -> list[Markup]:
    """
    Count the tests that were not confirmed to be maximal, and name their athletes where they may be.

    `paired`: those of pairs.
    """
    each = tests.drop_duplicates("lab_test_id")
    doubtful = each["max_confirmed"] != "yes"
    if not doubtful.any():
        return []
    number = view.parts(["True"], doubtful.astype("str"), each["athlete_id"])["True"]
    named = view.rows(each[doubtful])
    people = [] if named is None else _people(named)
    return [said("actions", "unconfirmed", number=number, paired=paired, people=people)]


def _confirmed(judged: tuple[Judged, ...], numbers: Numbers) -> list[Markup]:
    """Count the athletes with a confirmed maximum where nobody may be named, by what is shown of them."""
    found = [(one, numbers.get(*_BIAS, one.method, one.mode, "confirmed")) for one in judged]
    some = [
        (one.name, cell.n, one.n)
        for one, cell in found
        if not (one.hidden or cell.withheld) and cell.n < one.n
    ]
    return [said("actions", "confirmed", some=some)] if some else []


def _people(frame: pd.DataFrame) -> list[str]:
    """Return the athletes of some rows."""
    return sorted(frame["athlete_id"].astype(str).unique())
