"""
A result and its rows: lines of a results table, and the doors that every result has.

A result has, besides its numbers, a short name, a frame, a table for notebooks and a picture.
"""

from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from html import escape
from importlib import import_module
from math import isnan, nan
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
from pandas.api.extensions import ExtensionArray

from agreement.stats.basics.intervals import Interval
from agreement.terms import UNIT

_TEXTS: Final = ("statistic", "unit", "note", "group")
_COUNTS: Final = ("n", "n_pairs")


class Row(NamedTuple):
    """One statistic with its 95 % interval."""

    statistic: str
    # value, low, high: NaN: not given; `note` says why
    value: float
    low: float = nan
    high: float = nan
    unit: str = UNIT
    # n, n_pairs: athletes and pairs behind the number
    n: int = 0
    n_pairs: int = 0
    note: str = ""  # empty, or a code of the results table (``too_few``, ``clustered`` ...) first
    group: str = ""  # empty where a result has no groups

    @classmethod
    def of(
        cls,
        statistic: str,
        value: float,
        interval: Interval | None = None,
        *,
        n: int,
        n_pairs: int | None = None,
        unit: str = "",
        note: str = "",
        group: str = "",
    ) -> "Row":
        """
        Build a row from a value and its interval; without `n_pairs`, one pair per athlete.

        Its unit is that of its record. What is to be said of the interval ends the note.
        """
        low, high = interval if interval is not None else (nan, nan)
        said = getattr(interval, "said", "")
        if said and said not in note:
            note = f"{note}; {said}" if note else said
        pairs = n if n_pairs is None else n_pairs
        ends = float(low), float(high)
        unit = unit or _units().get(statistic, UNIT)
        return cls(statistic, float(value), *ends, unit, n, pairs, note, group)


TableRows = Iterable[Row]


@cache
def _units() -> dict[str, str]:
    """Return the unit of every statistic by its name; where analyses differ, of the first."""
    from agreement.stats.catalogue import EVERY

    return {one.name: one.unit for analysis in reversed(EVERY) for one in analysis.statistics}


def rows_frame(rows: Iterable[Row]) -> pd.DataFrame:
    """
    Return the rows as a frame with the columns that every result has, unrounded.

    Its first column is ``group`` where a row stands in one.
    """
    listed = list(rows)
    columns = dict(zip(Row._fields, zip(*listed, strict=True) if listed else [()] * 9, strict=True))
    groups = columns.pop("group")
    columns = {"group": groups, **columns} if any(groups) else columns
    return pd.DataFrame({name: _column(name, values) for name, values in columns.items()})


def told_rows(named: Iterable[tuple[Any, ...]], **common: Any) -> Iterator[Row]:
    """Yield a row of each statistic, value, interval, note: as far as given, else `common`."""
    for one in named:
        yield Row.of(*one[:3], **common | dict(zip(("note",), one[3:], strict=False)))


def in_group(group: str, rows: Iterable[Row]) -> list[Row]:
    """Return rows under the name of a group."""
    return [row._replace(group=group) for row in rows]


def rows_from(frame: pd.DataFrame) -> list[Row]:
    """Return the rows of such a frame."""
    names = [name for name in Row._fields if name in frame]
    columns = (frame[name].tolist() for name in names)
    return [Row(**dict(zip(names, one, strict=True))) for one in zip(*columns, strict=True)]


def html_table(frame: pd.DataFrame, caption: str) -> str:
    """Return a results frame as a small table that a screen reader can follow."""
    head = "".join(f'<th scope="col">{escape(str(name))}</th>' for name in frame.columns)
    body = ""
    for values in frame.itertuples(index=False, name=None):
        first, *rest = (escape(_shown(value)) for value in values)
        cells = "".join(f"<td>{cell}</td>" for cell in rest)
        body += f'<tr><th scope="row">{first}</th>{cells}</tr>'
    return (
        f"<table><caption>{escape(caption)}</caption>"
        f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
    )


def _shown(value: object) -> str:
    if isinstance(value, float):
        return "" if isnan(value) else f"{value:.4g}"
    return str(value)


def _column(name: str, values: Sequence[Any]) -> npt.NDArray[np.generic] | ExtensionArray:
    if name in _TEXTS:
        return pd.array(values, dtype="str")
    return np.array(values, dtype=np.int64 if name in _COUNTS else np.float64)


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

    def rows(self) -> TableRows:
        """Return the rows of `to_frame`: the statistics of its record, in their order."""
        return self._rows()

    def _rows(self) -> TableRows:
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
        n, n_pairs = getattr(self, "n", 0), getattr(self, "n_pairs", None)
        counts: dict[str, Any] = {"n": n, "n_pairs": n_pairs}
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
        return import_module("agreement.figures.of_arrays").plot_result(self, ax)
