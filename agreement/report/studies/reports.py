"""What another command reads of a finished report: its provenance, results, and each athlete's error."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from agreement.report.page.numbers import Cell, Names, Numbers
from agreement.report.run.own_report import read_own_table, read_provenance
from agreement.stats.basics.clusters import clusters
from agreement.stats.limits.limits_of_agreement import LIMITS
from agreement.stats.who_counts import who_counts

Place = tuple[str, str]  # method and mode


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
        return f"{self.content.get('kind') or 'report'} of {str(self.content.get('created'))[:10]}"

    @property
    def own_ids(self) -> bool:
        """Whether athletes carry the study's own ids, so that they can be found elsewhere."""
        return self.content.get("kind") in (
            "squad",
            "validation",
            "brief",
        ) and not self.content.get("shared")

    def name(self, place: Place) -> str:
        """Return how people call a method, with its mode."""
        return self.names(*place)

    @property
    def names(self) -> Names:
        """Return what its study calls the methods."""
        methods = self.content.get("options", {}).get("methods", {})
        return Names((key, one["label"]) for key, one in methods.items() if one.get("label"))

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


def read_report(folder: Path | str) -> Report:
    """
    Read a report folder.

    Raises AgreementError if it holds no report of ours, or a table of it is missing or damaged.
    """
    place = Path(folder)
    content = read_provenance(place)
    results, pairs = (read_own_table(place, name, content) for name in ("results", "pairs"))
    return Report(place, content, Numbers(results), pairs)
