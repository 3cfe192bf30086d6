"""What another command reads of a finished report: its provenance, results, and each athlete's error."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from agreement.report.run.own_provenance import read_provenance
from agreement.report.run.own_tables import read_own_table
from agreement.stats.who_counts import who_counts

Place = tuple[str, str]  # method and mode


@dataclass(frozen=True, slots=True)
class Report:
    """One report folder."""

    folder: Path
    content: dict[str, Any]  # its provenance
    # results, pairs: as they were written; pairs is empty where no row of a person may leave
    results: pd.DataFrame
    pairs: pd.DataFrame

    @property
    def title(self) -> str:
        """Title of its study, else the study folder's name."""
        stated = self.content.get("options", {}).get("study", {}).get("title", "")
        return str(stated or self.content.get("study") or self.folder.name)

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
        methods = self.content.get("options", {}).get("methods", {})
        return f"{methods.get(place[0], {}).get('label') or place[0]}, {place[1]}"

    def places(self) -> list[Place]:
        """Return every method and mode with limits of agreement."""
        own = self.results[self.results["analysis"] == "limits_of_agreement"]
        return sorted(set(zip(own["method"], own["mode"], strict=True)))

    def number(self, place: Place, analysis: str, statistic: str) -> "pd.Series[Any] | None":
        """Return a line of the results of everybody, or None."""
        one = self.results
        own = one[
            (one["analysis"] == analysis)
            & (one["statistic"] == statistic)
            & (one["method"] == place[0])
            & (one["mode"] == place[1])
            & (one["group"] == "all")
        ]
        return None if own.empty else own.iloc[0]

    def verdict(self, place: Place) -> str:
        """Return the outcome of the verdict, with its codes."""
        line = self.number(place, "verdict", "within_margin")
        return "" if line is None else str(line["note"])

    def athletes(self, place: Place) -> "pd.Series[float]":
        """
        Return each athlete's mean difference, by id, of those whom the report counted.

        Whether people on heart-rate-limiting drugs counted follows from the number of athletes that
        the report states.
        """
        own = self.pairs[(self.pairs["method"] == place[0]) & (self.pairs["mode"] == place[1])]
        line = self.number(place, "limits_of_agreement", "bias")
        stated = 0 if line is None else int(line["n"])
        if own["athlete_id"].nunique() != stated:
            own = who_counts(own, heart_rate_based=True)
        return own.groupby("athlete_id")["difference"].mean()


def read_report(folder: Path | str) -> Report:
    """
    Read a report folder.

    Raises AgreementError if it holds no report of ours, or a table of it is missing or damaged.
    """
    place = Path(folder)
    content = read_provenance(place)
    tables = (read_own_table(place, name, content) for name in ("results", "pairs"))
    return Report(place, content, *tables)
