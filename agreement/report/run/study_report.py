"""What a report's notebook shows, each cell one call here; computed once, at the opening."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from agreement.cohort import Cohort
from agreement.report.page.markup import Block, fold, joined, paragraph
from agreement.report.page.names import Names
from agreement.report.page.numbers import Numbers
from agreement.report.page.pictures import Album, Picture
from agreement.report.page.texts import cautions_block, methods_block
from agreement.report.privacy.privacy import naming, pseudonymous
from agreement.report.privacy.stage import Released, Stage
from agreement.report.run.earlier import JUDGED, earlier_report, judged, require_athletes_as_before
from agreement.report.run.exports import laboratory_tables, write_tables
from agreement.report.run.provenance import provenance, provenance_block, write_provenance
from agreement.report.run.published_file import read_with_published
from agreement.report.run.session_progress import told_to_starter
from agreement.report.sections import (
    answer,
    audit,
    card_pages,
    checklists,
    doubt_sections,
    first_page,
    input_sections,
    laboratory_section,
    mode_sections,
    together,
    training_sections,
    validation,
)
from agreement.report.sections import comparison_sections as sections
from agreement.report.sections.actions import actions_block
from agreement.report.sections.cards import athlete_cards, cards_block
from agreement.report.sections.closer_section import closer_section
from agreement.report.sections.comparison import Comparison
from agreement.report.sections.further import further_block
from agreement.report.sections.heading import heading_block
from agreement.report.sections.ledger import flow_block, left_out_block, remarks
from agreement.report.sections.published import published_block, reproduced
from agreement.report.sections.unsaid import SECTION_OF, silent, unsaid_block
from agreement.report.studies.grown import Grown
from agreement.tables.options import Kind
from agreement.tables.study_key import study_key


class StudyReport:
    """
    One study, read, paired and analysed, ready to be shown.

    Parameters
    ----------
    kind : {"squad", "validation", "audit", "brief"}
        Which report this is. An audit shows pseudonyms and withholds small groups.
    save : str or Path, optional
        A folder for tables and figures; default: show them only.
    png : bool, optional
        Whether figures become PNG files too; default: what study.toml says.
    """

    def __init__(
        self,
        cohort: Cohort,
        *,
        kind: Kind = "squad",
        save: str | Path | None = None,
        png: bool | None = None,
    ) -> None:
        self.kind: Kind = kind
        self.folder = None if save is None else Path(save)
        require_athletes_as_before(cohort.study, self.folder)
        if (earlier := earlier_report(self.folder)) != cohort.earlier:
            cohort = replace(cohort, earlier=earlier)
        self.cohort = cohort
        self.options = cohort.study.options
        self._title = self.options.study.title or cohort.study.folder.name
        self.album = Album(self.folder and self.folder / "figures", self.options.report, png=png)
        self.brief = kind == "brief"
        self.stage = Released(cohort) if kind == "audit" else Stage(cohort)
        self.results, self.frame = self.stage.results, self.stage.frame
        names = Names.of(self.options, (one.mode for one in self.results.methods))
        self.numbers = Numbers(self.frame, names)
        self._judged = (self.results.methods, self.numbers, self.options)
        self._provenance = provenance(replace(cohort.study, options=self.stage.options), kind)

    def heading(self) -> Block:
        """Show the study's title and question."""
        return heading_block(self._title, self.options.study.question, self.kind)

    def verdict(self) -> Block:
        """Give the answer, by name; a validation first counts the printed figures reproduced."""
        counted = self.kind == "validation"
        lead = reproduced(self.cohort.study.folder, self.numbers) if counted else ""
        return answer.verdict_block(*self._judged, short=self.brief, lead=lead)

    def chart(self) -> Block:
        """Show all methods on one axis."""
        drawn = first_page.methods_chart(self.numbers, self.options, self.comparisons)
        return self._drawn(drawn, Block(""))

    def next_steps(self) -> Block:
        """Say what to check or correct next, and how many rows are used."""
        people = self.stage.rows(self.cohort.pairs)
        every = answer.ranked(self.results.methods, self.numbers)
        told = (self.cohort.exclusions, self.cohort.flow, people, self._outside)
        return actions_block(every, self.numbers, self.options.margin, *told, short=self.brief)

    def flow(self) -> Block:
        """Count rows read, used, summarised and left out, and pairs by method."""
        return flow_block(self.cohort.flow, self.cohort.pairs, self.numbers.name)

    def modes(self) -> Block:
        """Set apart what was tested in another mode."""
        return mode_sections.modes_block(self.results.across_modes, self.numbers)

    def differences(self) -> Block:
        """Show difference plot, bias and limits of each method."""
        return self._each(sections.differences)

    def profiles(self) -> Block:
        """Show bias by training profile of each method, and who has none."""
        told = training_sections.without_profile(self.comparisons)
        return self._each(sections.profiles) + told

    def why(self) -> Block:
        """Show why a training profile is misread."""
        drawn, words = training_sections.why(self.cohort, self.comparisons)
        rest = fold("The profiles between them", self._drawn(drawn[1:], Block("")), kind="more")
        return self._drawn(drawn[:1], rest + words if drawn[1:] else words)

    def borderline(self) -> Block:
        """Repeat the bias with borderline tests moved; list tests without a profile or with two."""
        return training_sections.borderline_section(self.cohort, self.comparisons)

    def inputs(self) -> Block:
        """List what the estimator was told wrongly."""
        return input_sections.inputs_block(self.cohort, self.numbers.name, self.stage)

    def averaging_rules(self) -> Block:
        """Price the choice of averaging rule."""
        return input_sections.averaging_rules_block(self.results, self.numbers)

    def laboratory(self) -> Block:
        """Show the laboratory by itself: its repeats, and who changed."""
        found = laboratory_section.laboratory_block(self.results, self.numbers, self.kind)
        return found + laboratory_section.beside_block(self.numbers, self.options.profile.zones)

    def maxima(self) -> Block:
        """Count confirmed maxima and their criteria."""
        return input_sections.maxima_block(self.cohort.laboratory.frame, self.cohort.pairs)

    def regression(self) -> Block:
        """Show the calibration line of each method."""
        return self._each(sections.regression)

    def repeatability(self) -> Block:
        """Show how far repeats of one athlete lie apart, in the laboratory and in the field."""
        return doubt_sections.repeatability(self.comparisons)

    def budget(self) -> Block:
        """Show the error budget of each method."""
        return self._each(sections.budget)

    def averaging(self) -> Block:
        """Show the averaging curve of each method."""
        return self._each(sections.averaging)

    def change(self) -> Block:
        """Show the change between two visits, field against laboratory."""
        return self._each(sections.change)

    def athletes(self) -> Block:
        """Show one line for each athlete and method."""
        return cards_block(
            self.cards, self.numbers.name, pages=card_pages.FILE if self._has_card_pages else ""
        )

    def published(self) -> Block:
        """Compare with a printed table, if the study names one."""
        return published_block(self.cohort.study.folder, self.numbers)

    def sensitivity(self) -> Block:
        """Show which choices the limits hang on."""
        return self._words(validation.sensitivity_block, "sensitivity")

    def structure(self) -> Block:
        """Show lines with error on both sides, trend and concordance."""
        return self._words(validation.structure_block, "structure")

    def tests(self) -> Block:
        """Show every test made, significant or not."""
        return self._words(validation.tests_block, "tests")

    def two_estimators(self) -> Block:
        """Say which method is closer, on the same athletes and tests."""
        return self._drawn(*closer_section(self.results, self.numbers, self.frame))

    def reporting_lists(self) -> Block:
        """Answer the published reporting lists."""
        return checklists.reporting_lists_block(self._facts)

    def quotable(self) -> Block:
        """Give a methods and a results paragraph to quote."""
        return validation.quotable_block(self.comparisons, self._facts)

    def formulas(self) -> Block:
        """Name every formula with its source."""
        return validation.formulas_block(self.comparisons, self.numbers)

    def further(self) -> Block:
        """Show what no section is written for."""
        return further_block(self.numbers, self.kind)

    def margin(self) -> Block:
        """State the limit agreed beforehand."""
        withheld = any(one.verdict.outcome == "withheld" for one in self.results.methods)
        return audit.margin_block(self.options.margin, too_late=withheld)

    def funnel(self) -> Block:
        """Count the people who tried, completed and were paired."""
        return audit.funnel_block(self.cohort, self.numbers.name)

    def effort(self) -> Block:
        """Show the criteria of maximal effort."""
        tests = self.stage.tests(self.cohort.laboratory.frame)
        return audit.effort_block(tests, self.stage.count)

    def people(self) -> Block:
        """Show bias and limits by sex and age."""
        return self._words(audit.people_block, "people")

    def out_of_range(self) -> Block:
        """Count people outside the range of an equation."""
        readings = self.cohort.readings.frame
        return input_sections.out_of_range_block(readings, self.numbers.name, self.stage)

    def drift(self) -> Block:
        """Show the difference over calendar time."""
        return self._each(audit.drift)

    def protocol_list(self) -> Block:
        """Answer the published protocol list."""
        return checklists.protocol_list_block(self._facts)

    def sign_off(self) -> Block:
        """Leave lines for names and signatures."""
        return audit.sign_off_block()

    def left_out(self) -> Block:
        """Show reasons, rows and notes."""
        return left_out_block(self.cohort.exclusions, self.stage.problems)

    def unsaid(self) -> Block:
        """Say what these data cannot say, and what to record to learn it."""
        return unsaid_block(self.numbers, self.kind)

    def cautions(self) -> Block:
        """Say what every reader must know before acting."""
        return cautions_block(short=self.brief)

    def methods(self) -> Block:
        """State the rules in force and their sources."""
        return methods_block(self.options)

    def history(self) -> Block:
        """Show what the reports of this study found before, and the laboratory's control."""
        return self._drawn(*self._grown.section())

    def provenance(self) -> Block:
        """Show versions, seed, and the files read."""
        return provenance_block(self._provenance)

    def save(self) -> None:
        """Write tables and provenance into the folder, if there is one; wait for the figures."""
        if (place := self.folder) is None:
            return
        cohort, study = self.cohort, self.cohort.study.folder.name
        tables = {"results": self.frame, "exclusions": cohort.exclusions, "flow": cohort.flow}
        cards, pages = self.of_athletes
        people = {"pairs": cohort.pairs, "athlete_cards": cards} | laboratory_tables(cohort)
        write_tables(self.stage.tables(tables | people) | self._grown.tables(), place)
        for name, text in pages.items():
            (place / name).write_text(text, encoding="utf-8", newline="\n")
        verdicts = [one.verdict for one in self.results.methods]
        found = {
            "verdict": self._sentences(),
            "remarks": self._grown.new() + remarks(cohort.flow, self.stage.problems, study),
            "small_groups": self.stage.kept_back,
            JUDGED: judged(self.options.margin, verdicts, cohort.earlier),
        }
        write_provenance(self._provenance | found, place)
        self.album.close()

    def _sentences(self) -> list[str]:
        return answer.verdict_sentences(*self._judged)

    @cached_property
    def comparisons(self) -> tuple[Comparison, ...]:
        """One for each method and mode, in the order of the results."""
        return tuple(self._comparison(one) for one in self.results.methods)

    @property
    def _has_card_pages(self) -> bool:
        return self.folder is not None and self.kind == "squad"

    @cached_property
    def _card_facts(self) -> card_pages.CardFacts:
        return card_pages.CardFacts.of(self.cohort, answer.asked_first(*self._judged))

    @cached_property
    def _outside(self) -> frozenset[tuple[str, str, str]]:
        readings = self.stage.rows(self.cohort.readings.frame)
        return frozenset() if readings is None else input_sections.outside_places(readings)

    @cached_property
    def cards(self) -> pd.DataFrame:
        """What each athlete's number means; columns `agreement.terms.CARD_COLUMNS`."""
        told = (self.numbers, self._card_facts.lacking, self._outside)
        return athlete_cards(self.cohort.pairs, self.results.methods, *told)

    @cached_property
    def of_athletes(self) -> tuple[pd.DataFrame, dict[str, str]]:
        """The cards, and the pages of them to hand out."""
        told = (self._card_facts, self._title, self.numbers.name, self._provenance["created"][:10])
        files = card_pages.card_files(self.cards, *told) if self._has_card_pages else ()
        return self.cards, dict(files)

    @cached_property
    def _facts(self) -> checklists.Facts:
        known = any(not error.assumed for error in self.results.laboratory.values())
        told = (self.cohort.pairs, self.cohort.laboratory.frame, self.results.methods, known)
        return checklists.Facts(self.options, *told, self.stage)

    _grown = cached_property(Grown.of)

    def _comparison(self, one: Any) -> Comparison:
        own = self.frame.loc[lambda f: (f["method"] == one.method) & (f["mode"] == one.mode)]
        told = (self.stage.noise(one.data), self.stage.rows(one.data.pairs))
        return Comparison(one, own, self.numbers, self.options.margin, *told)

    def _each(self, section: Callable[[Comparison], sections.Section]) -> Block:
        """Return one section of every method, keeping its figures for `save`."""

        def shown(one: Comparison) -> Block:
            drawn, words = section(one)
            if drawn is None or len(self.comparisons) == 1:
                return self._drawn([drawn] if drawn else [], words)
            self.album.keep(drawn)
            return joined([drawn.block_in_details, words])

        return self._words(shown, section.__name__)

    def _drawn(self, drawn: Sequence[Picture], words: Block) -> Block:
        self.album.keep(*drawn)
        return joined([*(one.block for one in drawn), words])

    def _words(self, section: Callable[[Comparison], Block], name: str) -> Block:
        """Return one section: a table across all methods, and each method folded."""
        every = self.comparisons
        if not every:
            return paragraph("There is nothing to compare: no pair was found.")
        if SECTION_OF.get(name) in silent(self.numbers):
            return Block("")  # it has its line among what these data cannot say
        drawn = together.drawn_across(every, name, self.options.study.compares)
        if name == "regression" and self.kind == "validation":
            drawn += together.structural_lines(every)
        beside = together.beside(every, name)
        if len(every) == 1:
            return self._drawn(drawn, section(every[0]) + beside)
        details = [together.folded(each, section(each)) for each in every]
        return self._drawn(drawn, joined([together.across(every, name) + beside, *details]))


def open_report(
    study: str | Path,
    *,
    kind: Kind = "squad",
    save: str | Path | None = None,
    png: bool | None = None,
) -> StudyReport:
    """
    Read, pair and analyse a study folder; the other arguments are those of `StudyReport`.

    Raises TableError with everything in the folder that has to be put right first.
    """
    cohort = read_with_published(study, progress=told_to_starter())
    if kind == "audit":
        cohort = pseudonymous(cohort, naming(study_key(cohort.study.folder)))
    if cohort.study.laboratory_only:
        from agreement.report.run.laboratory_report import LaboratoryReport  # it builds on this

        return LaboratoryReport(cohort, kind=kind, save=save, png=png)
    return StudyReport(cohort, kind=kind, save=save, png=png)
