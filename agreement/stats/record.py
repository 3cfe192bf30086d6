"""
What an analysis declares of itself, once: its statistics with unit, words, formula and source.

A record stands beside the function that computes its analysis, as ``RECORD`` (or ``RECORDS``) of that
module, made by `recorded`. `agreement.stats.catalogue` finds it there; the results table, the
glossary, the formulas of the report, the names of published.toml and what audits withhold all
follow from it.
"""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from enum import Enum
from inspect import cleandoc
from typing import Any, Final, Protocol

import pandas as pd

from agreement.tables.options import KINDS, Kind
from agreement.terms import UNIT

OURS: Final = "arithmetic; no source"
SQUARED: Final = f"({UNIT})^2"
_DECLARED: Final = re.compile(
    r"(\w+)(?: \[(.+?)\])?(?: \.(\d))?(?: of (\w+))?(?: (planned))?"  # name, unit, decimals, counts
    r"(?: from (\d+))?(?: (by) sign)?(?: (by) pair)?(?: on ([\w ]+))?: ([^\n]+)"  # shown from so many athletes, columns, label
    r"(?:\n  ((?!= ).+?))?(?:\n  = (.+?)(?:\s\|\s(.+))?)?",  # meaning, formula, source
    re.DOTALL,
)
_HEAD: Final = re.compile(
    r"(\w+), place (\d+), ([a-z ]+?)((?:, (?:own section|any size|weighs pairs))*): (.+)"
)
_UNITS: Final = {"": (UNIT, 1), "1": ("1", 2), "p": ("1", 3)}  # with decimals


class HasFrame(Protocol):
    """Any result."""

    def to_frame(self) -> pd.DataFrame:
        """Return its rows."""


class Privacy(Enum):
    """Whose numbers the groups of an analysis are: what an audit has to withhold beside small cells."""

    # everybody of a method and mode; groups, if any, are points of one curve or several ways to
    # compute one number of the same people
    WHOLE = "whole"
    # groups share nobody and make up the whole: the last one follows from the others
    PARTITION = "partition"
    # each group is some of the people; what the whole leaves over follows from it
    SUBSET = "subset"
    # some of the people, by several who read the same tests: what they read together counts, too
    READINGS = "readings"
    NESTED = "nested"  # each group holds the next: what one leaves of the other follows from both
    COMPARES_METHODS = "compares methods"  # the people whom two methods share
    ONE_PERSON = "one person"  # one row per person, or what tells one beside another method: never in an audit


@dataclass(frozen=True, slots=True)
class Statistic:
    """One number of an analysis."""

    name: str  # in the column ``statistic``
    label: str  # in plain words, for people
    meaning: str  # one sentence
    formula: str  # how it is computed, in words; d is field minus laboratory
    source: str  # who published it
    unit: str = UNIT
    digits: int = 1  # decimals that are shown
    # of a count, or a share, of people or tests with some trait: the column with how many there
    # are in all, ``n`` or ``n_pairs``. Of one to four, or all but so many, an audit says only that.
    counts: str = ""
    # athletes from which on an audit shows what is an end of the data, or close to one: of
    # fewer it is the value of one person. Infinite: of no number of athletes.
    shown_from: float = 0.0
    short: str = ""  # a label for the head of a column
    # of d without its sign: with the bias it tells the sum of the positive d, and of the negative.
    # An audit withholds it where either are those of one to four athletes.
    by_sign: bool = False
    # a mean of sizes or squares of d by pair: with bias and spread by athlete it tells those of the
    # few who have more or fewer pairs than all others. An audit withholds it where there are such.
    by_pair: bool = False
    # columns of the pairs on which a line, or a part of the spread, rests. Where one to four people
    # stand apart there it tells how they differ: an audit withholds it.
    rests_on: tuple[str, ...] = ()
    # a number of people to test that follows from bias and spread: to the last one it tells these to
    # more digits than are printed. An audit tells its first digit, rounded up.
    planned: bool = False

    @property
    def head(self) -> str:
        """What heads its column: the label, or a shorter one where that is too long."""
        return self.short or self.label


def declared(*parts: str | Statistic) -> tuple[Statistic, ...]:
    """
    Return the statistics that texts declare, between those that are given as they are.

    parts: a text has of each a line ``name [unit] .decimals of n from 50: label / short label``;
        indented below it what it means, after ``=`` its formula, after ``|`` the source. Without a
        unit mL/kg/min; ``[p]`` is a probability. Without decimals one, two where the unit is 1,
        three of a probability. ``of n`` or ``of n_pairs``: its `counts`; ``from 50``: its
        `shown_from`; ``by sign``, ``by pair``: `by_sign`, `by_pair`; ``on COLUMN``: `rests_on`;
        ``planned``: `planned`. A formula without source is arithmetic. What is not said is as in the statistic before; ``= as NAME``: formula and
        source of that one.
    Raises ValueError where a statistic is not so declared.

    >>> bias, p = declared('''
    ... bias: bias
    ...   Mean of field minus laboratory.
    ...   = mean of d | Bland & Altman 1986
    ... p_bias [p]: p of no bias
    ...   How often chance alone would give such a bias.
    ... ''')
    >>> bias.unit, p.digits, p.source
    ('mL/kg/min', 3, 'Bland & Altman 1986')
    """
    found: dict[str, Statistic] = {}
    for part in parts:
        if isinstance(part, Statistic):
            found[part.name] = part
        else:
            for block in re.split(r"\n(?! )", cleandoc(part)):
                one = _statistic(block, found)
                found[one.name] = one
    return tuple(found.values())


def computed_as(
    statistics: Iterable[Statistic], formula: str, source: str, **more: Any
) -> tuple[Statistic, ...]:
    """Return statistics that an analysis computes another way, and what else differs."""
    return tuple(replace(one, formula=formula, source=source, **more) for one in statistics)


def _statistic(block: str, before: dict[str, Statistic]) -> Statistic:
    """Return the statistic of one block of a text, after those before it."""
    match = _DECLARED.fullmatch(block)
    if match is None:
        raise ValueError(f"no statistic is declared by '{block}'")
    name, unit, digits, counts, planned, fewest, *by, columns, label = match.groups(default="")[:-3]
    words = match.groups(default="")[-3:]
    by_sign, by_pair = map(bool, by)
    meaning, formula, source = (" ".join(one.split()) for one in words)
    as_another = formula.startswith("as ")
    like = formula.removeprefix("as ") if as_another else next(reversed(before), "")
    if like not in before and (as_another or not (meaning and formula)):
        raise ValueError(f"'{name}' lacks a meaning or a formula")
    if as_another or not formula:
        formula, source = before[like].formula, before[like].source
    unit, usual = _UNITS.get(unit, (unit, 1))
    decimals = int(digits or usual)
    meaning = meaning or before[like].meaning
    label, _, short = label.partition(" / ")
    told = (meaning, formula, source or OURS, unit, decimals, counts, float(fewest or 0))
    rests_on = tuple(columns.split())
    return Statistic(name, label, *told, short, by_sign, by_pair, rests_on, bool(planned))


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysis:
    """The record of one analysis; ValueError where it contradicts itself."""

    name: str  # in the column ``analysis``
    place: int  # where it stands in the results table; no two have the same
    label: str  # in plain words
    statistics: tuple[Statistic, ...]  # in the order of the table
    privacy: Privacy  # without a default: who does not think about it cannot add an analysis
    # from the data of one method and mode; None for what compares methods or is the
    # laboratory's
    compute: Callable[[Any], HasFrame] | None = None
    of: str = ""  # analysis of an earlier place whose result `compute` takes instead of the data
    # the rows that stay, empty, when it cannot be computed; without any, all under ``all``
    unless_possible: tuple[tuple[str, tuple[str, ...]], ...] = ()
    any_size: bool = False  # whether it copes with fewer than 3 athletes by itself
    shown_in: tuple[Kind, ...] = KINDS  # kinds of report that show it
    # whether a section is written for it; else its rows stand in the table of further analyses
    own_section: bool = False
    # its statistics on the page of a registry; results.csv has the others
    of_registry: tuple[str, ...] = ()
    # its statistics that draw on every group: an audit that withholds one withholds them
    of_all_groups: tuple[str, ...] = ()
    # whether its means weigh every pair alike, not every athlete. Where one to four athletes
    # have more or fewer pairs than all others, both means would tell theirs: an audit withholds
    # it.
    weighs_pairs: bool = False

    def __post_init__(self) -> None:
        """Refuse a record that contradicts itself."""
        Privacy(self.privacy)  # whoever passes None has not thought about it
        named = {name for _, names in self.unless_possible for name in names} | {
            *self.of_all_groups,
            *self.of_registry,
        }
        if len(set(self.names)) < len(self.names) or not named <= set(self.names):
            raise ValueError(f"the statistics of '{self.name}' are declared twice, or not at all")

    @property
    def names(self) -> tuple[str, ...]:
        """Names of its statistics."""
        return tuple(one.name for one in self.statistics)

    @property
    def empty_rows(self) -> list[tuple[str, Statistic]]:
        """Group and statistic of every row that stays when it cannot be computed."""
        of_name = {one.name: one for one in self.statistics}
        kept = self.unless_possible or (("all", self.names),)
        return [(group, of_name[name]) for group, names in kept for name in names]

    def by(self, compute: Callable[[Any], HasFrame] | None = None, **more: Any) -> "Analysis":
        """Return it with the function that computes it, and whatever takes more words."""
        return replace(self, compute=compute, **more)


def recorded(text: str, *more: str | Statistic) -> Analysis:
    """
    Return the record that a text declares; `Analysis.by` adds the function that computes it.

    text: a first line ``name, place 40, whole, own section: label``: where it stands, its privacy
        kind, and what holds of ``own section``, ``any size`` and ``weighs pairs``. Below it its
        statistics, as in `declared`.
    more: further statistics.
    Raises ValueError where no analysis, or a statistic, is not so declared.

    >>> toy = recorded('''
    ...     height, place 7, whole, own section: height of people
    ...     height [cm]: height
    ...       How high they are.
    ...       = measured
    ...     ''')
    >>> toy.privacy.name, toy.own_section, toy.any_size, toy.names
    ('WHOLE', True, False, ('height',))
    """
    head, _, rest = cleandoc(text).partition("\n")
    match = _HEAD.fullmatch(head)
    if match is None:
        raise ValueError(f"no name, place, privacy kind and label of an analysis: '{head}'")
    name, place, kind, marks, label = match.groups()
    holds: dict[str, Any] = {mark.replace(" ", "_"): True for mark in marks.split(", ")[1:]}
    statistics = declared(*([f"\n{rest}"] if rest else []), *more)
    return Analysis(
        name=name,
        place=int(place),
        label=label,
        statistics=statistics,
        privacy=Privacy(kind),
        **holds,
    )
