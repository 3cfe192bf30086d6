"""What every result has besides its numbers: a short name, a table for notebooks, a picture."""

from collections.abc import Iterable, Iterator
from importlib import import_module
from typing import Any

import pandas as pd

from agreement.stats.basics.intervals import Interval
from agreement.stats.rows import Row, html_table, rows_frame


class Result:
    """
    Base of the frozen results of `agreement.stats`.

    A result says its finding in `summary`, gives its numbers as `rows`, and is drawn by `plot`. Each
    class tells the first two by `_finding` and `_rows`.

    Examples
    --------
    >>> from agreement import limits_of_agreement
    >>> limits = limits_of_agreement([50 + i % 5 for i in range(30)], [49 + i % 4 for i in range(30)])
    >>> str(limits).split(":")[0]
    '<LimitsOfAgreement'
    >>> from matplotlib.figure import Figure
    >>> ax = limits.plot(ax=Figure().subplots())
    >>> [label.get_text() for label in ax.get_yticklabels()][:1]
    ['bias']
    """

    __slots__ = ()

    def __init_subclass__(cls) -> None:
        """Keep the short name from being replaced by one with every array of a dataclass."""
        super().__init_subclass__()
        type.__setattr__(cls, "__repr__", Result.__repr__)

    def __repr__(self) -> str:
        """Return the name of the result with its finding."""
        return f"<{type(self).__name__}: {self.summary()}>"

    def _repr_html_(self) -> str:
        title = (type(self).__doc__ or type(self).__name__).strip().splitlines()[0]
        return html_table(self.to_frame(), f"{title.split(' [')[0].rstrip('.')}. {self.summary()}")

    def to_frame(self) -> pd.DataFrame:
        """Return one row per statistic, with its interval, unrounded; groups in a first column."""
        return rows_frame(self.rows())

    def rows(self) -> Iterable[Row]:
        """Return the rows of `to_frame`: the statistics of its record, in their order."""
        return self._rows()

    def _rows(self) -> Iterable[Row]:
        raise NotImplementedError

    def row(
        self,
        statistic: str,
        value: float,
        interval: Interval | None = None,
        note: str = "",
        **other: Any,
    ) -> Row:
        """Return a row of all athletes and pairs of the result, but for what `other` says."""
        counts: dict[str, Any] = {
            "n": getattr(self, "n", 0),
            "n_pairs": getattr(self, "n_pairs", None),
        }
        return Row.of(statistic, value, interval, note=note, **counts | other)

    def told(self, *named: tuple[Any, ...], **common: Any) -> Iterator[Row]:
        """Yield such a row of each statistic, value, interval, note: as far as given, else `common`."""
        for one in named:
            yield self.row(*one, **common)

    def summary(self) -> str:
        """Return the finding in one sentence."""
        return self._finding()

    def _finding(self) -> str:
        raise NotImplementedError

    def plot(self, *, ax: Any = None) -> Any:
        """
        Draw the result's numbers with their intervals.

        ax: where to draw, of any size and style; without it matplotlib's current axes.

        Figures come after statistics: they are loaded by name when one is asked for, and only then.
        """
        return import_module("agreement.figures.of_results").plot_result(self, ax)
