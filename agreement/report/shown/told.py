"""A cohort for a report, and what the sections share of it: computed once, kept beside it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime
from functools import cached_property, wraps
from pathlib import Path
from typing import Any, Concatenate, ParamSpec

import pandas as pd

from agreement.cohort import Cohort
from agreement.physiology.inputs import input_audit
from agreement.report.page.machine import said
from agreement.report.page.markup import Block, joined, paragraph
from agreement.report.page.numbers import Cell, Names, Numbers
from agreement.report.page.pictures import Picture
from agreement.report.privacy import privacy
from agreement.report.privacy.view import Released, View
from agreement.report.run.provenance import provenance
from agreement.report.run.reading import reader
from agreement.report.sections import answer, card_pages, together
from agreement.report.sections.cards import athlete_cards
from agreement.report.sections.comparison import Comparison, Section
from agreement.report.sections.unsaid import SECTION_OF, silent
from agreement.report.studies.grown import Grown
from agreement.tables.options import Kind
from agreement.tables.study import read_study
from agreement.tables.study_file import changed
from agreement.tables.withdrawn import study_key
from agreement.tables.writers import significant

MOST_DRAWN = 20  # methods with figures and folded details of their own
NAMES_NOBODY = "This names nobody: what is said of single athletes or tests is not shown here."
Methods = Sequence[tuple[str, str]] | None  # method and mode of each; None: all
Choices = ParamSpec("Choices")


def read_cohort(study: str | Path, *, earlier: str | Path | None = None) -> Cohort:
    """
    Read a study folder as `agreement.read_cohort`, with all that a report must know.

    Parameters
    ----------
    earlier : str or Path, optional
        The folder of an earlier report of this study: looks at the verdict are counted from there.

    Raises
    ------
    TableError
        With everything that has to be put right first, also in `published.toml`.
    """
    folder = None if earlier is None else Path(earlier)
    return reader()(study, earlier=folder)


@dataclass(frozen=True, repr=False)
class HiddenCohort(Cohort):
    """A cohort with pseudonyms; sections of it name nobody and withhold small groups."""

    def with_options(self, **tables: Mapping[str, Any]) -> Cohort:
        """Return the same study under other choices, read again and hidden again."""
        study, folder = self.study, self.study.folder
        options = changed(study.options, tables, folder)
        again = Cohort.of(read_study(folder, given=study.given, options=options))
        agreed = self.agreed or study.options
        return pseudonymous(replace(again, earlier=self.earlier, agreed=agreed))


def pseudonymous(cohort: Cohort) -> Cohort:
    """
    Return a cohort that may be shown to strangers: pseudonyms, no dates of tests, small groups withheld.

    The pseudonyms' key stays in the study folder.
    """
    return hidden(privacy.pseudonymous(cohort, study_key(cohort.study.folder)))


def hidden(cohort: Cohort) -> HiddenCohort:
    """Return a cohort of which nothing is shown of fewer than five people."""
    return HiddenCohort(**{one.name: getattr(cohort, one.name) for one in fields(Cohort)})


def told_of(cohort: Cohort) -> "Told":
    """Return what the sections share of a cohort, computed at the first call."""
    if "told" not in cohort.beside:
        cohort.beside["told"] = Told(cohort)
    found: Told = cohort.beside["told"]
    return found


class Told:
    """What the sections of a report share; `frame`: results, some by another choice."""

    def __init__(self, cohort: Cohort, frame: pd.DataFrame | None = None) -> None:
        self.cohort, self.options = cohort, cohort.study.options
        self.title = self.options.study.title or cohort.study.folder.name
        self.view = Released(cohort) if isinstance(cohort, HiddenCohort) else View(cohort)
        self.results = self.view.results
        self.frame = self.view.frame if frame is None else self.view.tried(frame)
        places = ((one.method, one.mode) for one in self.results.methods)
        silent = (one.method for one in self.view.without_pair)
        names = Names.of(self.options, places, silent)
        self.numbers = Numbers(self.frame, names)
        self.judged = (self.results.methods, self.numbers, self.options)
        self._created = datetime.now(tz=UTC).isoformat(timespec="seconds")
        self._grown: dict[Any, Grown] = {}

    def provenance(self, kind: Kind) -> dict[str, Any]:
        """Return what another person needs to run the same again; its time is that of this object."""
        whole = provenance(replace(self.cohort.study, options=self.view.options), kind)
        return whole | {"created": self._created}

    def grown(self, kind: Kind, folder: Path | None) -> Grown:
        """Return this report among those of its study; `folder` has the one before."""
        if (kind, folder) not in self._grown:
            self._grown[kind, folder] = Grown.of(self, kind, folder)
        return self._grown[kind, folder]

    @cached_property
    def comparisons(self) -> tuple[Comparison, ...]:
        """One for each method and mode that is not withheld as a whole, in the order of the results."""
        rows = dict(list(self.frame.groupby(["method", "mode"], sort=False)))
        none, told = self.frame.iloc[:0], (self.numbers, self.options.margin)
        methods = (m for m in self.results.methods if not self.numbers.hides(m.method, m.mode))
        found = ((one, rows.get((one.method, one.mode), none)) for one in methods)
        of = self.view
        return tuple(
            Comparison(*each, *told, of.noise(each[0].data), of.rows(each[0].data.pairs))
            for each in found
        )

    def some(self, methods: Methods) -> tuple[Comparison, ...]:
        """Return the comparisons of some methods."""
        if methods is None:
            return self.comparisons
        known = {(one.results.method, one.results.mode): one for one in self.comparisons}
        for method, mode in methods:
            if (method, mode) not in known:
                self.cohort.pairs_of(method, mode)  # a wrong name lists the right ones
        chosen = {tuple(one) for one in methods}
        return tuple(one for place, one in known.items() if place in chosen)

    def first(self, some: tuple[Comparison, ...]) -> tuple[Comparison, ...]:
        """Return those with figures of their own: of many the asked ones, then the closest."""
        if len(some) <= MOST_DRAWN:
            return some
        of = {(one.results.method, one.results.mode): one for one in some}
        order = [place for place in answer.asked_first(*self.judged) if place in of]
        kept = set(order[:MOST_DRAWN])
        return tuple(one for place, one in of.items() if place in kept)

    @cached_property
    def silent(self) -> Mapping[str, Cell]:
        """Analyses without a single number."""
        return silent(self.numbers)

    def across(
        self,
        section: Callable[[Comparison], Block | Section],
        methods: Methods,
        more: Callable[[Sequence[Comparison]], Sequence[Picture]] | None = None,
    ) -> Block:
        """Return one section: a table across methods and a figure of all, and each method folded."""
        name, every = section.__name__.removesuffix("_block"), self.some(methods)
        if not every:
            return paragraph("There is nothing to compare: no pair was found.")
        if SECTION_OF.get(name) in self.silent:
            return Block("")  # it has its line among what these data cannot say
        first = self.first(every)
        drawn = together.drawn_across(first, name, self.options.study.compares)
        drawn += more(first) if more else []
        beside = together.beside(every, name)
        if len(every) == 1:
            return shown(drawn, _of_one(section(every[0])) + beside)
        details = [together.folded(each, _of_one(section(each))) for each in first]
        if len(first) < len(every):
            details.insert(
                0, Block(said("together", "first_of", first=len(first), every=len(every)))
            )
        return shown(drawn, joined([together.across(every, name) + beside, *details]))

    @property
    def names_nobody(self) -> bool:
        """Whether nothing may be said of single athletes or tests."""
        return self.view.rows(self.cohort.pairs) is None

    @cached_property
    def card_facts(self) -> card_pages.CardFacts:
        """What the cards say of each athlete."""
        order = answer.asked_first(*self.judged)
        return card_pages.CardFacts.of(self.cohort, order, self.inputs)

    @cached_property
    def inputs(self) -> pd.DataFrame:
        """What the estimators were told beside what was measured, see `input_audit`."""
        readings = self.cohort.readings
        return input_audit(readings.frame, self.cohort.laboratory.frame, readings.heart_rate_based)

    @cached_property
    def outside(self) -> frozenset[tuple[str, str, str]]:
        """Athlete, method and mode of field tests whose equation was made for others."""
        if (readings := self.view.rows(self.cohort.readings.frame)) is None:
            return frozenset()
        some = readings[(readings["in_range"] == "no") & (readings["source"] == "field_tests")]
        places = some[["athlete_id", "method", "mode"]]
        return frozenset(places.itertuples(index=False, name=None))

    @cached_property
    def cards(self) -> pd.DataFrame:
        """What each athlete's number means, see `athlete_cards`."""
        told = (self.numbers, self.card_facts.lacking, self.outside)
        return significant(athlete_cards(self.cohort.pairs, self.results.methods, *told))


def shown(drawn: Sequence[Picture], words: Block) -> Block:
    """Put figures above words."""
    return joined([*(one.block for one in drawn), words])


def _of_one(found: Block | Section) -> Block:
    """Return the block of a section of one method, with its figure if it has one."""
    if isinstance(found, Block):
        return found
    drawn, words = found
    return shown([drawn] if drawn else [], words)


def of_field_values(
    section: Callable[Concatenate[Cohort, Choices], Block],
) -> Callable[Concatenate[Cohort, Choices], Block]:
    """Have a section show nothing of a study without a field method."""

    @wraps(section)
    def unless_bare(cohort: Cohort, *given: Choices.args, **choices: Choices.kwargs) -> Block:
        if cohort.study.laboratory_only:
            return Block("")
        return section(cohort, *given, **choices)

    return unless_bare  # type: ignore[return-value] # the name of the first argument is not typed


def of_each_method(section: Callable[[Comparison], Block | Section]) -> Callable[..., Block]:
    """Make of a section of one method that of a cohort; its `methods`, by method and mode: these alone."""

    @of_field_values
    def of_cohort(cohort: Cohort, *, methods: Methods = None) -> Block:
        return told_of(cohort).across(section, methods)

    for name in ("__module__", "__name__", "__qualname__", "__doc__"):
        setattr(of_cohort, name, getattr(section, name))
    return of_cohort
