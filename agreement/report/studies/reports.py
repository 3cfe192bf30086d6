"""What other commands read of a finished report; a page over all reports below a folder."""

from collections.abc import Iterator
from dataclasses import dataclass
from os import walk
from pathlib import Path, PurePosixPath
from typing import Any

import pandas as pd

from agreement.errors import AgreementError
from agreement.report.page.html import PageDraft
from agreement.report.page.markup import Text, element, heading, lines, paragraph, table
from agreement.report.page.numbers import Cell, Names, Numbers
from agreement.report.privacy.by_pairs import Place
from agreement.report.privacy.release import rounded
from agreement.report.run.folder import PAGE, PROVENANCE
from agreement.report.run.own_report import read_own_table, read_provenance
from agreement.stats.basics.clusters import clusters
from agreement.stats.limits.limits_of_agreement import LIMITS
from agreement.stats.verdict.verdict import IN_DOUBT
from agreement.stats.verdict.yardsticks import YARDSTICK_WORDS
from agreement.stats.who_counts import who_counts
from agreement.tables.whole_output import whole_file
from agreement.terms import KEY_COLUMNS

SHELF = "shelf.html"
_SAID = {"no_margin": "no limit agreed", "": "none"}


@dataclass(frozen=True, slots=True)
class Report:
    """One report folder."""

    folder: Path
    content: dict[str, Any]  # its provenance
    # as they were written; `pairs` is empty where no row of a person may leave
    numbers: Numbers
    pairs: pd.DataFrame

    @property
    def title(self) -> str:
        """Title of its study, else the study folder's name."""
        stated = self.content.get("options", {}).get("study", {}).get("title", "")
        return str(stated or self.content.get("study") or self.folder.name)

    @property
    def edition(self) -> str:
        """Kind and day: what tells it from another report of the study."""
        kind, made = self.content.get("kind"), str(self.content.get("created", ""))[:10]
        shared = ", shared" if self.content.get("shared") else ""  # a share tells no day
        return f"{kind} report{f' of {made}' if made else shared}"

    @property
    def own_ids(self) -> bool:
        """Whether athletes carry the study's own ids, so that they can be found elsewhere."""
        kinds = ("squad", "validation", "brief")
        return self.content.get("kind") in kinds and not self.content.get("shared")

    def name(self, place: Place) -> str:
        """Return how people call a method, with its mode."""
        return self.names(*place)

    @property
    def names(self) -> Names:
        """Return what its study calls the methods."""
        return Names.of_provenance(self.content)

    def places(self) -> list[Place]:
        """Return every method and mode with limits of agreement."""
        return sorted(self.numbers.places("limits_of_agreement"))

    def number(self, place: Place, analysis: str, statistic: str) -> Cell:
        """Return a line of the results of everybody."""
        return self.numbers.get(analysis, statistic, *place)

    def limits(self, place: Place) -> list[Cell]:
        """Return bias and limits of agreement, with the standard deviation of differences."""
        return [self.number(place, "limits_of_agreement", one.name) for one in LIMITS]

    def verdict(self, place: Place) -> str:
        """Return the outcome of the verdict, with its codes."""
        return self.number(place, "verdict", "within_margin").note

    def athletes(self, place: Place) -> "pd.Series[float]":
        """
        Return each athlete's mean difference, by id, of those whom the report counted.

        Whether people on heart-rate-limiting drugs counted follows from the number of athletes that
        the report states.
        """
        own = self.pairs[(self.pairs["method"] == place[0]) & (self.pairs["mode"] == place[1])]
        if own["athlete_id"].nunique() != self.number(place, "limits_of_agreement", "bias").n:
            own = who_counts(own, heart_rate_based=True)
        people = sorted(set(own["athlete_id"]))
        return pd.Series(clusters(own["difference"], own["athlete_id"]).means, index=people)


def _outcome(note: str) -> str:
    """
    Return the outcome of a verdict, and whether it is in doubt, for people.

    >>> _outcome("acceptable; true value; in_doubt"), _outcome("no_margin")
    ('acceptable, in doubt', 'no limit agreed')
    """
    outcome, *codes = note.split("; ")
    return _SAID.get(outcome, outcome) + (", in doubt" if IN_DOUBT in codes else "")


def verdict_in_words(note: str) -> str:
    """
    Return the outcome of a verdict, with its codes, for people.

    >>> verdict_in_words("undecided; depends_on_fitness; true value")
    "undecided; depends on fitness; against the athlete's true value"
    """
    words = _SAID | {name: f"against {one}" for name, one in YARDSTICK_WORDS.items()}
    return "; ".join(words.get(one, one).replace("_", " ") for one in note.split("; "))


def read_report(folder: Path | str) -> Report:
    """Read a report folder; raises AgreementError if it is none of ours, or a table is damaged."""
    place = Path(folder)
    content = read_provenance(place)
    results, pairs = (read_own_table(place, name, content) for name in ("results", "pairs"))
    return Report(place, content, Numbers(results), pairs)


def tell_the_same(one: Report, two: Report) -> bool:
    """
    Tell whether all values that both tell are the same to the decimals that leave the house.

    Not their intervals and p values: resamples hang on the order of people, which pseudonyms change.
    """
    tables = (rounded(report.numbers.frame) for report in (one, two))
    keyed = (table[table["value"].notna()].set_index(list(KEY_COLUMNS)) for table in tables)
    first, second = (
        table.loc[~table.index.get_level_values("statistic").str.startswith("p_"), ["value", "n"]]
        for table in keyed
    )
    both = first.index.intersection(second.index)
    return len(both) > 0 and first.loc[both].equals(second.loc[both])


def reports_below(folder: Path) -> Iterator[Path]:
    """Yield every report folder of ours below a folder, in the order of their names."""
    for place, inside, files in walk(folder):
        inside.sort()
        if PROVENANCE in files:
            inside.clear()
            try:
                content = read_provenance(Path(place))
            except AgreementError:
                continue
            if PAGE in content.get("outputs", {PAGE}):  # pairs alone and shares have none to show
                yield Path(place)


def write_shelf(folder: Path | str) -> tuple[Path, int]:
    """Write ``shelf.html`` over all reports below a folder; return it and their count."""
    place = Path(folder)
    if not place.is_dir():
        raise AgreementError(f"{place} is no folder. Name one with reports below it.")
    rows = [_row(report, place) for report in reports_below(place)]
    if not rows:
        raise AgreementError(
            f"There is no report of ours below {place}. 'agreement report STUDY' writes one."
        )
    page = PageDraft()
    page.add(heading("Reports of this laboratory", 1), ["header"])
    page.add(
        paragraph(f"{len(rows)} below this folder, in the order of their folders."), ["verdict"]
    )
    page.open_section("Reports")
    columns = ("study and question", "verdicts", "report", "athletes")
    page.add(table("Study, verdict and date of each", columns, rows, numeric=("athletes",)))
    with whole_file(place / SHELF) as file:
        file.write(page.html("Reports of this laboratory").encode("utf-8"))
    return place / SHELF, len(rows)


def _row(report: Path, shelf: Path) -> tuple[Text, ...]:
    """Return a report's line; one that cannot be read keeps its name and says so."""
    inside = PurePosixPath("/", (report / PAGE).relative_to(shelf).as_posix())
    link = inside.as_uri().removeprefix("file:///")
    content = read_provenance(report)
    study = content.get("options", {}).get("study", {})
    title = str(study.get("title") or content.get("title") or content.get("study") or report.name)
    question = str(study.get("question") or "")
    name = lines(element("a", title, href=link), question)
    day = element("span", str(content.get("created", ""))[:10], class_="date")
    edition = lines(content.get("kind") or "several studies", day)
    try:
        found = read_report(report)
    except AgreementError:
        return name, "", edition, ""
    places = found.places()
    n = max((found.number(place, "limits_of_agreement", "bias").n for place in places), default=0)
    verdicts: Text = lines(
        *(f"{found.name(place)}: {_outcome(found.verdict(place))}" for place in places)
    )
    if not places and content.get("study"):
        # of the laboratory alone, or without a pair: what its own page says first
        n, verdicts = max(found.numbers.frame["n"].dropna(), default=0), content["verdict"][0]
    return name, verdicts, edition, f"{n:.0f}" if n else ""
