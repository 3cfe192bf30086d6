"""Sections about the study as a whole: the first page, and what stands at the end."""

from dataclasses import asdict, dataclass, replace
from pathlib import Path

from markupsafe import Markup

from agreement.cohort import Cohort
from agreement.cohort.choices import differing
from agreement.report.page.markup import Block, element, paragraph
from agreement.report.page.numbers import Numbers
from agreement.report.page.texts import heading_block, methods_block
from agreement.report.run.provenance import provenance_block
from agreement.report.sections import answer, laboratory_section, together
from agreement.report.sections.card_pages import CARDS_FILE
from agreement.report.sections.cards import cards_block
from agreement.report.sections.published import reproduced
from agreement.report.sections.unsaid import unsaid_block
from agreement.report.shown.told import NOBODY, Methods, of_field_values, shown, told_of
from agreement.tables.options import Kind, Margin


def heading(cohort: Cohort, *, kind: Kind = "squad", question: str | None = None) -> Block:
    """Show the study's title and question; `question` None: the study's own."""
    told = told_of(cohort)
    asked = told.options.study.question if question is None else question
    if cohort.study.laboratory_only:
        asked = asked or laboratory_section.QUESTION
    return heading_block(told.title, asked, kind)


def verdict(cohort: Cohort, *, kind: Kind = "squad", margin: float | None = None) -> Block:
    """
    Give the answer, by name; a validation first counts the printed figures reproduced.

    `margin`: another limit than the agreed one [mL/kg/min]. Whatever was tried after the fact is said
    first, for then the verdict stays that of the agreed choices.
    """
    if margin is not None and margin != cohort.study.options.margin.limit:
        cohort = cohort.with_options(margin={"limit_ml_kg_min": margin})
    told, lead = told_of(cohort), _tried(cohort)
    if cohort.study.laboratory_only:
        answers = laboratory_section.answers(told.results, told.numbers)
        sentences = (paragraph(element("strong", one)) for one in answers)
        note = paragraph(laboratory_section.NO_FIELD, "note")
        block = Block(element("div", *sentences, note, id="verdict"))
        return Block(lead) + block if lead else block
    if kind == "validation":
        lead += reproduced(cohort.study.folder, told.numbers)
    options = told.options
    if cohort.agreed is not None and cohort.agreed.margin != options.margin:
        options = replace(options, margin=_TriedMargin(**asdict(options.margin)))
    judged = (told.results.methods, told.numbers, options)
    found = told.stage.without_pair
    return answer.verdict_block(*judged, found=found, short=kind == "brief", lead=lead)


@dataclass(frozen=True)
class _TriedMargin(Margin):
    tried: bool = True  # sentences do not call it agreed


def _tried(cohort: Cohort) -> Markup:
    """Say which choices were tried after the fact."""
    if cohort.agreed is None:
        return Markup("")
    changes = differing(cohort.agreed, cohort.study.options).items()
    listed = "; ".join(f"{key} {tried} (agreed: {agreed})" for key, (agreed, tried) in changes)
    words = f" {listed}. The verdict stays that of the agreed choices."
    return element("p", element("strong", "Tried after the fact:"), words)


@of_field_values
def chart(cohort: Cohort, *, methods: Methods = None) -> Block:
    """Show methods on one axis."""
    told = told_of(cohort)
    some, numbers = told.first(told.some(methods)), told.numbers
    if len(some) < len(told.comparisons):
        kept = {(one.results.method, one.results.mode) for one in some}
        places = zip(told.frame["method"], told.frame["mode"], strict=True)
        numbers = Numbers(told.frame[[place in kept for place in places]], numbers.name)
    return shown(together.methods_chart(numbers, told.options, some), Block(""))


@of_field_values
def athletes(cohort: Cohort, *, pages: bool = False) -> Block:
    """Show one line for each athlete and method; `pages`: say that each has a sheet of his own."""
    told = told_of(cohort)
    if told.names_nobody:
        return paragraph(NOBODY)
    return cards_block(told.cards, told.numbers.name, pages=CARDS_FILE if pages else "")


def unsaid(cohort: Cohort, *, kind: Kind = "squad") -> Block:
    """Say what these data cannot say, and what to record to learn it."""
    return unsaid_block(told_of(cohort).numbers, kind)


def rules(cohort: Cohort) -> Block:
    """State the rules in force and their sources."""
    return methods_block(cohort.study.options)


def history(cohort: Cohort, *, kind: Kind = "squad", earlier: str | Path | None = None) -> Block:
    """Show what the reports before this one, in folder `earlier`, found; and the control."""
    place = None if earlier is None else Path(earlier)
    return shown(*told_of(cohort).grown(kind, place).section())


def provenance(cohort: Cohort, *, kind: Kind = "squad") -> Block:
    """Show versions, seed, and the files read."""
    return provenance_block(told_of(cohort).provenance(kind))
