"""One method against the laboratory: what the sections of a report are made from."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Any, Final

import pandas as pd
from markupsafe import Markup

from agreement.figures.estimates import Caption
from agreement.figures.points import pair_words
from agreement.report.page.machine import said
from agreement.report.page.markup import Block, Text, paragraph, table
from agreement.report.page.numbers import Cell, Numbers, plain
from agreement.report.page.pictures import Drawing, Picture, picture
from agreement.report.privacy.view import Noise
from agreement.stats.catalogue import statistic_of
from agreement.tables.options import Margin

BIAS_AND_LIMITS: Final = ("bias", "lower_limit", "upper_limit")
Section = tuple[Picture | None, Block]  # a figure, and what is said with it
TableLine = tuple[Text, str, str]  # words, analysis and group of the results table
_COLUMNS: Final = ("statistic", "value", "95 % interval", "unit", "athletes")


@dataclass(frozen=True)
class Comparison:
    """The results of one method and mode, as a report needs them."""

    results: Any
    rows: pd.DataFrame  # its lines of the results table
    numbers: Numbers  # the whole results table
    margin: Margin
    noise: Noise | None  # the laboratory's own, in this mode; None where it is unknown or withheld
    # the pairs behind group ``all`` as points that say whose they are; None where nobody is shown
    people: pd.DataFrame | None = None

    @property
    def words(self) -> list[str] | None:
        """What the points of `pairs` say when pointed at, None where they must say nothing."""
        return None if self.people is None else pair_words(self.people)

    @property
    def name(self) -> str:
        """The method as text calls it, plain."""
        return self.numbers.name(self.results.method, self.results.mode)

    @property
    def pairs(self) -> pd.DataFrame:
        """The pairs behind group ``all``."""
        pairs: pd.DataFrame = self.results.data.pairs
        return pairs

    def of(self, analysis: str, group: str | None = "all") -> pd.DataFrame:
        """Return the lines of one analysis; `group` None: of all groups."""
        found: pd.DataFrame = self.rows.iloc[self._places.get(analysis, [])]
        return found if group is None else found[found["group"] == group]

    @cached_property
    def _places(self) -> Mapping[Any, Any]:
        """Where the lines of each analysis stand: tables ask for hundreds."""
        return self.rows.groupby("analysis", sort=False).indices

    def groups(self, analysis: str) -> list[str]:
        """Return the groups of one analysis, in the order of the results table."""
        return self.numbers.groups(analysis, self.results.method, self.results.mode)

    def cell(self, analysis: str, statistic: str, group: str = "all") -> Cell:
        """Return one line of the results table."""
        return self.numbers.get(analysis, statistic, self.results.method, self.results.mode, group)

    def at(self, place: str) -> Cell:
        """Return one line; place: ``analysis/statistic`` of group all, or ``analysis/statistic/group``."""
        return self.cell(*place.split("/"))

    def picture(
        self, kind: str, draw: Drawing | Sequence[Drawing], *captions: Caption, **of: Any
    ) -> Picture:
        """Return a figure of this method; captions: of each panel; `of`: as for `picture`."""
        told = [one.of(self.name) for one in captions]
        return picture(f"{kind}-{self.results.method}-{self.results.mode}", draw, told, **of)

    def table(self, what: str, **analyses: Iterable[str]) -> Block:
        """Return a table of statistics, called as they are declared; `analyses`: their names in each."""
        rows = [
            (
                statistic_of(analysis, name).label,
                cell.shown() or cell.missing,
                cell.interval(),
                "no unit" if cell.unit == "1" else cell.unit,
                str(cell.n) if cell.n else "",
            )
            for analysis, names in analyses.items()
            for name in names
            for cell in [self.cell(analysis, name)]
        ]
        numeric = ("value", "95 % interval", "athletes")
        return table(f"{self.name}: {what}", _COLUMNS, rows, numeric=numeric)

    def lines(self, caption: str, by: str, lines: Iterable[TableLine], columns: str) -> Block:
        """Return a table of groups, as `lines_table`."""
        return lines_table(self.cell, f"{self.name}: {caption}", by, lines, columns)

    def parts(
        self,
        caption: str,
        parts: Iterable[TableLine],
        *,
        by: str = "pairs chosen",
        shown: str = "athletes; bias |; lower_limit |; upper_limit |",
    ) -> Block:
        """Return a table of each part with somebody in it, and what is withheld."""
        first = [(part, self.cell(part[1], "bias", part[2])) for part in parts]
        kept = [part for part, bias in first if not bias.withheld and (bias.n or part[2] == "all")]
        told = self.lines(f"{caption} (mL/kg/min), 95 % intervals below", by, kept, shown)
        return told + withheld_note([str(part[0]) for part, bias in first if bias.withheld])

    def without(self, what: str, cell: Cell) -> Block:
        """Say that something cannot be given, and why."""
        return paragraph(f"{self.name}: no {what}: {cell.reason}")


def lines_table(
    cell: Callable[[str, str, str], Cell],
    caption: str,
    by: str,
    lines: Iterable[TableLine],
    columns: str,
) -> Block:
    """
    Return a table with a line for each group, headed as the records declare; empty without any.

    cell: finds analysis, statistic and group.
    by: head of the first column.
    lines: words, analysis and group of each.
    columns: statistics, or ``analysis/statistic``, set apart by semicolons; behind it stands how each is
        told, see `Cell.told`, and behind `` = `` a head that is not the record's. First ``athletes``
        or ``tests``: how many are behind a line.
    """
    every = list(lines)
    if not every:
        return Block("")
    asked = [column.partition(" = ") for column in columns.split("; ")]
    heads: list[str] = []
    rows: list[list[Text]] = [[words] for words, *_ in every]
    counted, _, called = asked.pop(0) if asked[0][0] in ("athletes", "tests") else ("", "", "")
    for told, _, head in asked:
        place, _, how = told.partition(" ")
        other, _, name = place.rpartition("/")
        cells = [cell(other or analysis, name, group) for _, analysis, group in every]
        if counted and not heads:
            heads.append(called or counted)
            for row, one in zip(rows, cells, strict=True):
                row.append(str(one.n if counted == "athletes" else one.n_pairs))
        heads.append(head or statistic_of(other or every[0][1], name).head)
        for row, one in zip(rows, cells, strict=True):
            row.append(one.told(how))
    return table(caption, (by, *heads), rows, numeric=heads)


def frame_table(caption: str, frame: pd.DataFrame, columns: str) -> Block:
    """
    Return a table with a line for each row of a frame.

    columns: ``head: column``, set apart by semicolons; behind a blank how its numbers are told: with
        their sign (+), with so many decimals (.2; default one). Days are told by date, no value as such.

    >>> seen = pd.DataFrame({"who": ["A1"], "gain": [1.26]})
    >>> "+1.3</td>" in frame_table("Seen", seen, "athlete: who; gain: gain +").html
    True
    """
    heads, told, numeric = [], [], []
    for column in columns.split("; "):
        head, _, place = column.partition(": ")
        name, _, how = place.partition(" ")
        heads.append(head)
        told.append([_told(value, how) for value in frame[name].tolist()])
        if pd.api.types.is_numeric_dtype(frame[name].dtype):
            numeric.append(head)
    return table(caption, heads, list(zip(*told, strict=True)), numeric=numeric)


def _told(value: Any, how: str) -> Text:
    if isinstance(value, float):
        _, _, digits = how.partition(".")
        return plain(value, int(digits or 1), sign="+" in how)
    if isinstance(value, date):
        return f"{value:%Y-%m-%d}"
    return value if isinstance(value, Markup) else "" if pd.isna(value) else str(value)


def withheld_note(names: list[str]) -> Block:
    """Name the groups that are withheld, in one line; nothing without any."""
    return Block(said("sentences", "withheld", names=names)) if names else Block("")
