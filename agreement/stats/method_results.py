"""The results of one method in one mode, by the names of the catalogue."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from agreement.stats.catalogue import BY_NAME
from agreement.stats.method_data import MethodData
from agreement.stats.record import HasFrame
from agreement.stats.result import html_table
from agreement.stats.verdict.cautions import Caution
from agreement.terms import counted


@dataclass(frozen=True, slots=True)
class MethodResults(Mapping[str, Any]):
    """
    Results of one method in one mode, by name of the analysis; also as attributes.

    ``results["trend"]`` and ``results.trend`` are the same. An attribute of the catalogue's that could
    not be computed is None and not among the keys.
    """

    data: MethodData  # what they were computed from
    found: Mapping[str, HasFrame]
    reasons: Mapping[str, str]  # for each analysis that is not there, why
    cautions: tuple[Caution, ...] = ()  # what a reader should know before believing the numbers
    doubts: tuple[Caution, ...] = ()  # what could make the verdict wrong; to be said above it

    def __repr__(self) -> str:
        """Return what they are of and which there are, in one line."""
        data = self.data
        people, pairs = counted(data.n, "athlete"), counted(len(data.pairs), "pair")
        found = ", ".join(self.found)
        return f"<MethodResults: {self.method}, {self.mode}; {people}, {pairs}; found: {found}>"

    def _repr_html_(self) -> str:
        told = pd.DataFrame({"analysis": list(self.found)})
        told["in words"] = [BY_NAME[name].label for name in self.found]
        return html_table(told, repr(self).strip("<>").partition("; found")[0])

    @property
    def method(self) -> str:
        """Label of the field method."""
        return self.data.method

    @property
    def mode(self) -> str:
        """Mode of exercise of the field method."""
        return self.data.mode

    def __getitem__(self, name: str) -> Any:
        """Return the result of an analysis."""
        return self.found[name]

    def __iter__(self) -> Iterator[str]:
        """Yield the names of the analyses that were possible."""
        return iter(self.found)

    def __len__(self) -> int:
        """Return how many were possible."""
        return len(self.found)

    def __getattr__(self, name: str) -> Any:
        """Return the result of an analysis of the catalogue; None where it was not possible."""
        if name in BY_NAME:
            return self.found.get(name)
        raise AttributeError(f"no analysis is called '{name}'")

    def __dir__(self) -> list[str]:
        """Name the analyses too."""
        return [*object.__dir__(self), *BY_NAME]
