"""`agreement compare`: one report beside an earlier one of the same laboratory."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
from markupsafe import Markup

from agreement.errors import AgreementError
from agreement.report.page.machine import said
from agreement.report.page.numbers import Cell, Numbers
from agreement.report.privacy.by_pairs import Place
from agreement.report.privacy.release import NOT_TOLD
from agreement.report.run.output_versions import flat, key_of_study_file, option_in_words, unlike
from agreement.report.studies.reports import (
    Report,
    read_report,
    tell_the_same,
    verdict_in_words,
)
from agreement.stats.basics.welch import holm
from agreement.stats.limits.limits_of_agreement import LIMITS
from agreement.stats.result import Row, rows_frame
from agreement.stats.studies.seasons import Seasons, two_seasons, two_seasons_by_numbers
from agreement.tables.study_file import WITH_UNIT
from agreement.tables.writers import significant
from agreement.terms import RESULT_COLUMNS

SEASON: Final = "season"
FEWEST_IN_BOTH: Final = 10  # athletes of a report
_SAME: Final = "what both tell is the same"


@dataclass(frozen=True)
class Compared:
    """Two reports beside each other."""

    first: Report
    second: Report
    seasons: dict[Place, Seasons]
    unsaid: dict[Place, str]  # why a method has no comparison
    conservative: bool  # athletes could not be found in both, so all count as different people
    told_twice: bool = (
        False  # what one tells in numbers of people is the other's, as it leaves the house
    )

    def to_frame(self) -> pd.DataFrame:
        """
        Return the numbers in the columns of results.csv, under analysis ``season``.

        Groups ``first`` and ``second``: bias and limits of each report.
        """
        parts = []
        p = [value for one in self.seasons.values() for value in (one.p, one.p_ratio)]
        counted = holm(p).reshape(-1, 2).tolist() if p else []  # over all methods and modes
        for (place, one), (bias, spread) in zip(self.seasons.items(), counted, strict=True):
            shared = "conservative" if self.conservative else f"{one.shared} athletes in both"
            n = one.n_first + one.n_second - one.shared
            rows = [
                Row.of("difference_of_bias", one.difference, one.interval, n=n, note=shared),
                Row.of("p_bias", one.p, n=n, unit="1"),
                Row.of("p_bias_counted", bias, n=n, unit="1"),
                Row.of("ratio_of_sd", one.ratio, one.ratio_interval, n=n, unit="1", note=shared),
                Row.of("p_sd", one.p_ratio, n=n, unit="1"),
                Row.of("p_sd_counted", spread, n=n, unit="1"),
            ]
            parts.append(_lines(place, rows))
        for place, why in self.unsaid.items():
            parts.append(_lines(place, [Row("difference_of_bias", np.nan, note=why)]))
        for place in {**self.seasons, **self.unsaid}:
            for group, report in (("first", self.first), ("second", self.second)):
                cells = zip(LIMITS, report.limits(place), strict=True)
                rows = [
                    Row(one.name, c.value, c.low, c.high, one.unit, c.n, c.n_pairs, c.note)
                    for one, c in cells
                ]
                parts.append(_lines(place, rows, group))
        return significant(pd.concat(parts, ignore_index=True)[RESULT_COLUMNS])

    @cached_property
    def numbers(self) -> Numbers:
        """The same by key; methods are called as in the second report."""
        return Numbers(self.to_frame(), self.second.names)

    @cached_property
    def equal(self) -> list[Place]:
        """Methods that have the same numbers in both reports."""
        return [place for place, one in self.seasons.items() if one.equal]

    def season(self, place: Place) -> dict[str, Cell]:
        """Return what is said of one method, by statistic."""
        return {one.key.rpartition("/")[2]: one for one in self.numbers.line(SEASON, *place, "all")}

    def lines(self) -> Iterator[Markup]:
        """Yield what a reader wants to know, a sentence or two each."""
        yield said("compare", "titles", first=self.first, second=self.second)
        if self.told_twice:
            yield said("compare", "told_twice")
            yield from _changes(self.first, self.second)
            return
        name = self.numbers.name
        if self.equal:
            yield said("compare", "equal", names=[name(*place) for place in self.equal])
        for place, one in self.seasons.items():
            if place not in self.equal:
                shared = None if self.conservative else one.shared
                told = {"cells": self.season(place), "shared": shared}
                yield said("compare", "season", name=name(*place), **told)
        for place, why in self.unsaid.items():
            yield said("compare", "unsaid", name=name(*place), why=why)
        if self.conservative:
            yield said("compare", "conservative")
        yield from self._verdicts()
        yield from _changes(self.first, self.second)
        if len(self.equal) < len(self.seasons):
            yield said("compare", "drift")

    def _verdicts(self) -> Iterator[Markup]:
        """Say which verdicts moved; none is compared that was reached under another limit."""
        keys = ("limit", "mean_limit", "against", "agreed_on", "planned_looks")
        both = (self.first.content, self.second.content)
        was, now = (content.get("options", {}).get("margin", {}) for content in both)
        other = [key for key in (*keys, "fitness_confidence") if was.get(key) != now.get(key)]
        for place in sorted({**self.seasons, **self.unsaid}):
            before, after = self.first.verdict(place), self.second.verdict(place)
            name = self.numbers.name(*place)
            if before == after or "suppressed" in (before[:10], after[:10]):
                continue
            if other:
                yield said(
                    "compare",
                    "other_limit",
                    name=name,
                    keys=[WITH_UNIT.get(one, one) for one in other],
                )
                continue
            moved = [  # the numbers behind the verdict in both reports
                (one.replace("_", " "), *cells)
                for one in ("bias", "lower_limit", "upper_limit")
                for cells in [
                    [self.numbers.get(SEASON, one, *place, of) for of in ("first", "second")]
                ]
                if all(cell.known for cell in cells)
            ]
            told = {"before": verdict_in_words(before), "after": verdict_in_words(after)}
            yield said("compare", "verdict", name=name, **told, moved=moved)


def _lines(place: Place, rows: Iterable[Row], group: str = "all") -> pd.DataFrame:
    """Return rows of one method and mode."""
    told = dict(zip(("method", "mode"), place, strict=True))
    return rows_frame(rows).assign(analysis=SEASON, group=group, **told)


def compare_reports(first: Path | str, second: Path | str) -> Compared:
    """Compare two reports of one laboratory, the second minus the first."""
    if Path(first).resolve() == Path(second).resolve():
        raise AgreementError(f"{first} and {second} are the same report. Name two.")
    one, two = read_report(first), read_report(second)
    places = [place for place in one.places() if place in set(two.places())]
    if not places:
        had = (", ".join(f"{m} ({mode})" for m, mode in r.places()) or "none" for r in (one, two))
        msg = "The reports share no method and mode: the first has {}; the second has {}. Name others."
        raise AgreementError(msg.format(*had))
    if not (one.own_ids and two.own_ids) and tell_the_same(one, two):
        return Compared(
            one, two, {}, dict.fromkeys(places, _SAME), conservative=True, told_twice=True
        )
    by_ids = one.own_ids and two.own_ids and len(one.pairs) > 0 and len(two.pairs) > 0
    seasons: dict[Place, Seasons] = {}
    unsaid: dict[Place, str] = {}
    for place in places:
        try:
            seasons[place] = _two_seasons((one, two), place, by_ids=by_ids)
        except ValueError as problem:
            unsaid[place] = str(problem)
    return Compared(one, two, seasons, unsaid, not by_ids)


def _two_seasons(reports: tuple[Report, Report], place: Place, *, by_ids: bool) -> Seasons:
    """Compare two reports; from bias and SD alone where no athlete can be found in both."""
    people = [report.athletes(place) for report in reports] if by_ids else []
    cells = [report.limits(place)[:2] for report in reports]
    if not (by_ids or all(cell.known for both in cells for cell in both)):
        raise ValueError("too_few: a report withholds or lacks its bias or SD")
    first, second = map(len, people) if by_ids else (bias.n for bias, _ in cells)
    if min(first, second) < FEWEST_IN_BOTH:
        raise ValueError(
            f"too_few: {first} and {second} athletes; {FEWEST_IN_BOTH} are needed in each report"
        )
    if not by_ids:
        return two_seasons_by_numbers(*((bias.value, sd.value, bias.n) for bias, sd in cells))
    one, two = people
    return two_seasons(one.to_numpy(), two.to_numpy(), one.index.to_numpy(), two.index.to_numpy())


def _changes(first: Report, second: Report) -> Iterator[Markup]:
    """Say what differs in versions, choices and files; not what a report that left the house lacks."""
    one, two = first.content, second.content
    for key in ("version", "python", "seed"):
        if one.get(key) != two.get(key):
            yield said("compare", "differs", key=key, was=one.get(key), now=two.get(key))
    libraries = (one.get("dependencies", {}), two.get("dependencies", {}))
    if moved := sorted(key for key, *_ in unlike(*libraries)):
        yield said("compare", "libraries", names=moved)
    choices = unlike(*(flat(content.get("options", {})) for content in (one, two)))
    aside = ["study.title", "study.question", "files."]  # they only describe the study
    if not (first.own_ids and second.own_ids):
        aside += ["study.id_map", *NOT_TOLD]
    if changed := sorted(each for each in choices if not each[0].startswith(tuple(aside))):
        told = [(key_of_study_file(key), *map(option_in_words, values)) for key, *values in changed]
        yield said("compare", "choices", changed=told)
    files = [{f["name"]: f["sha256"] for f in c.get("inputs", [])} for c in (one, two)]
    if first.own_ids != second.own_ids or not all(
        files
    ):  # checksums are keyed, or stay in the house
        return
    same = sum(files[0].get(name) == digest for name, digest in files[1].items())
    yield said("compare", "files", first=len(files[0]), second=len(files[1]), same=same)
