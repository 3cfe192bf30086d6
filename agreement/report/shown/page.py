"""The page of a report: its first block, where sections are kept, and what stands at its end."""

from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import NamedTuple, TypeVar

import pandas as pd
from markupsafe import Markup

import agreement.report.sections.comparison_sections  # noqa: F401 - what draws, loaded with the page
from agreement.cohort import Cohort
from agreement.report.page.machine import in_words
from agreement.report.page.machine import worded as worded  # noqa: PLC0414 # for figures of one's own
from agreement.report.page.markup import Block, element, paragraph
from agreement.report.page.numbers import Numbers
from agreement.report.page.pictures import Album
from agreement.report.page.texts import heading_block, methods_block
from agreement.report.privacy.left_out import OfFew
from agreement.report.run.exports import MadeTable, laboratory_tables, made_table, write_made
from agreement.report.run.folder import HISTORY_FILE, JUDGED, judged
from agreement.report.run.provenance import provenance_block, write_provenance
from agreement.report.sections import answer, card_pages, laboratory_section, together
from agreement.report.sections.card_pages import CARDS_FILE
from agreement.report.sections.cards import cards_block
from agreement.report.sections.ledger import remarks
from agreement.report.sections.published import reproduced
from agreement.report.sections.unsaid import unsaid_block
from agreement.report.shown.told import NAMES_NOBODY, Methods, of_field_values, shown, told_of
from agreement.tables.options import Kind, Margin, differing
from agreement.terms import CARD_COLUMNS

Shown = TypeVar("Shown")


class OfAthletes(NamedTuple):
    """What a report saves of athletes."""

    kind: Kind
    cards: dict[str, MadeTable]  # their table; nothing where nobody may be named
    pages: dict[str, str]  # file -> text
    # `kept_back` and `of_few` of `agreement.report.privacy.view.View`
    small_groups: list[tuple[str, ...]]
    rows_of_few: dict[str, OfFew]


class Page:
    """
    Where the sections of a report go; called with one, it keeps the figures and returns it.

    Parameters
    ----------
    cohort : Cohort
        Whose study file says how figures are wanted.
    save : str or Path, optional
        A folder for tables and figures; without it they are only shown.
    png : bool, optional
        Whether figures become PNG files too; default: what study.toml says.
    """

    def __init__(
        self, cohort: Cohort, *, save: str | Path | None = None, png: bool | None = None
    ) -> None:
        self.cohort = cohort
        self.folder = None if save is None else Path(save)
        figures = None if self.folder is None else self.folder / "figures"
        self._made: dict[Kind, OfAthletes] = {}
        self._tables: dict[str, MadeTable] = {}
        self.album = Album(figures, cohort.study.options.report, png=png)

    def __call__(self, shown: Shown) -> Shown:
        """Keep the figures of a section, or take any result, and return it for the notebook to show."""
        if isinstance(shown, Block):
            self.album.keep(*shown.pictures)
        return shown

    def of_athletes(self, *, kind: Kind = "squad") -> OfAthletes:
        """Return what is saved of athletes: cards, pages to hand out, groups too small; made once."""
        if kind not in self._made:
            told, pages = told_of(self.cohort), dict[str, str]()
            if kind == "squad" and self.folder and not self.cohort.study.laboratory_only:
                day = told.provenance(kind)["created"][:10]
                named = (told.card_facts, told.title, told.numbers.name, day)
                pages = dict(card_pages.card_files(told.cards, *named))
            cards = told.view.rows(told.cards[CARD_COLUMNS])
            made = {} if cards is None else {"athlete_cards": made_table("athlete_cards", cards)}
            few = (told.view.kept_back, told.view.of_few)
            self._made[kind] = OfAthletes(kind, made, pages, *few)
        return self._made[kind]

    def tables(self) -> dict[str, MadeTable]:
        """Return the other tables that are saved, that of cards without a row; made once."""
        if not self._tables:
            cohort, told = self.cohort, told_of(self.cohort)
            tables = {
                "results": told.frame,
                "exclusions": told.view.exclusions,
                "flow": told.view.flow,
            }
            people = {"pairs": cohort.pairs, "athlete_cards": pd.DataFrame(columns=CARD_COLUMNS)}
            every = told.view.tables(tables | people | laboratory_tables(cohort))
            self._tables = {name: made_table(name, frame) for name, frame in every.items()}
        return self._tables

    def take(self, made: OfAthletes, tables: dict[str, MadeTable]) -> None:
        """Take what another process made for `save`."""
        self._made[made.kind], self._tables = made, tables

    def save(self, *, kind: Kind = "squad") -> None:
        """Write tables and provenance into the folder, if there is one."""
        if (place := self.folder) is None:
            return
        cohort, told, made = self.cohort, told_of(self.cohort), self.of_athletes(kind=kind)
        grown, source = told.grown(kind, place), told.provenance(kind)
        history = {name: made_table(name, frame) for name, frame in grown.tables().items()}
        (place / HISTORY_FILE).unlink(missing_ok=True)  # that of another kind is none of this one's
        write_made(self.tables() | made.cards | history, told.frame, place)
        for name, text in made.pages.items():
            (place / name).write_text(text, encoding="utf-8", newline="\n")
        verdicts = [one.verdict for one in told.results.methods]
        sentences = (
            [*map(in_words, laboratory_section.answers(told.results, told.numbers))]
            if cohort.study.laboratory_only
            else answer.verdict_sentences(*told.judged, told.view.without_pair)
        )
        found = {
            "verdict": sentences,
            "remarks": grown.new() + remarks(told.view.flow, told.view.problems, source["study"]),
            "small_groups": made.small_groups,
            "rows_of_few": made.rows_of_few,
            JUDGED: judged(told.options.margin, verdicts, cohort.earlier),
        }
        write_provenance(source | found, place)


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
    told, lead = told_of(cohort), Markup("")
    if cohort.agreed is not None:  # which choices were tried after the fact
        changes = differing(cohort.agreed, cohort.study.options).items()
        listed = "; ".join(f"{key} {tried} (agreed: {agreed})" for key, (agreed, tried) in changes)
        words = f" {listed}. The verdict stays that of the agreed choices."
        lead = element("p", element("strong", "Tried after the fact:"), words)
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
    found = told.view.without_pair
    return answer.verdict_block(*judged, found=found, short=kind == "brief", lead=lead)


@dataclass(frozen=True)
class _TriedMargin(Margin):
    tried: bool = True  # sentences do not call it agreed


@of_field_values
def chart(cohort: Cohort, *, methods: Methods = None) -> Block:
    """Show methods on one axis."""
    told = told_of(cohort)
    some, numbers = told.first(told.some(methods)), told.numbers
    if len(some) < len(told.comparisons):
        kept = {(one.results.method, one.results.mode) for one in some}
        places = zip(told.frame["method"], told.frame["mode"], strict=True)
        numbers = Numbers(told.frame.loc[[place in kept for place in places]], numbers.name)
    return shown(together.methods_chart(numbers, told.options, some), Block(""))


@of_field_values
def athletes(cohort: Cohort, *, pages: bool = False) -> Block:
    """Show one line for each athlete and method; `pages`: say that each has a sheet of his own."""
    told = told_of(cohort)
    if told.names_nobody:
        return paragraph(NAMES_NOBODY)
    return cards_block(told.cards, told.numbers.name, pages=CARDS_FILE if pages else "")


def unsaid(cohort: Cohort, *, kind: Kind = "squad") -> Block:
    """Say what these data cannot say, and what to record to learn it."""
    return unsaid_block(told_of(cohort).numbers, kind)


def rules(cohort: Cohort) -> Block:
    """State the rules in force and their sources."""
    read, profiles = cohort.study.rows_read, cohort.laboratory.frame["training_profile"]
    lacks = [one for one in ("field_estimates", "field_tests", "sessions") if not read.get(one)]
    lacks += ["profiles"] if profiles.isna().all() else []
    return methods_block(cohort.study.options, lacks)


def history(cohort: Cohort, *, kind: Kind = "squad", earlier: str | Path | None = None) -> Block:
    """Show what the reports before this one, in folder `earlier`, found; and the control."""
    place = None if earlier is None else Path(earlier)
    return shown(*told_of(cohort).grown(kind, place).section())


def provenance(cohort: Cohort, *, kind: Kind = "squad") -> Block:
    """Show versions, seed, and the files read."""
    return provenance_block(told_of(cohort).provenance(kind))
