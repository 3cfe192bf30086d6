"""A printed table, reproduced: own against printed figures, by the source's own convention."""

from dataclasses import dataclass
from math import isfinite, nan
from pathlib import Path
from typing import Any, Final

from markupsafe import Markup

from agreement.cohort import Cohort
from agreement.report.page.machine import said
from agreement.report.page.markup import NONE, Block, element, table
from agreement.report.page.numbers import Cell, Numbers, plain
from agreement.report.run.published_file import (
    BOTH_LIMITS,
    COUNTS,
    ORIGINS,
    PRINTED,
    Figure,
    near,
    published_file,
    unknown_name,
)
from agreement.report.shown.told import told_of
from agreement.stats.catalogue import statistic_of
from agreement.stats.limits.limits_by_convention import CONVENTIONS, limits_as_printed
from agreement.tables.study_file import PUBLISHED_FILE

_USUAL: Final = ("limits_of_agreement", "error")  # their statistics need no name of the analysis


@dataclass(frozen=True, slots=True)
class Printed:
    """One printed figure beside our own."""

    figure: Figure
    cell: Cell  # our line of the results table
    own: float  # our figure by the source's convention
    convention: str  # how the source computed limits; "" for other statistics
    without: str  # why there is nothing to compare with; "" where there is

    @property
    def agrees(self) -> bool:
        """Whether the figures agree within half a unit of the last printed digit."""
        near_enough = 0.5 * 10.0**-self.figure.digits + 1e-9
        return not self.without and abs(self.own - self.figure.value) <= near_enough


def published(cohort: Cohort) -> Block:
    """Compare with a printed table, if the study names one."""
    return published_block(cohort.study.folder, told_of(cohort).numbers)


def published_block(study: Path, numbers: Numbers) -> Block:
    """Return own against printed figures; without a published.toml, how to make one."""
    found = published_file(study)
    if found is None:
        return Block(said("published", "without", file=PUBLISHED_FILE))
    block = Block(said("published", "source", source=found.source, faults=found.problems))
    compared = [_printed(figure, numbers) for figure in found.figures]
    if not compared and not found.left_out:
        return block + Block(said("published", "nothing"))
    counts = _counts(compared, found.left_out)  # of figures that agree
    block += Block(said("published", "counted_figures", **counts))
    columns = ("method, mode", "figure", "printed", "own", "convention", "within rounding")
    rows = [_line(one, numbers) for one in compared]
    caption = "Each printed figure beside our own"
    return block + table(caption, columns, rows, numeric=columns[2:4]) if rows else block


def reproduced(study: Path, numbers: Numbers) -> Markup:
    """Say for the first page how many printed figures were reproduced; nothing where none is named."""
    if (found := published_file(study)) is None:
        return Markup("")
    compared = [_printed(figure, numbers) for figure in found.figures]
    if not (compared or found.left_out):
        return said("published", "nothing")
    return said("published", "lead", **_counts(compared, found.left_out))


def _printed(figure: Figure, numbers: Numbers) -> Printed:
    """Return one printed figure beside our own by its convention."""
    place = (figure.method, figure.mode, figure.group)
    without = unknown_name(figure.analysis, figure.statistic)
    without = without or figure.unknown_place(numbers.places(figure.analysis))
    groups = numbers.groups(figure.analysis, figure.method, figure.mode)
    if not without and figure.group not in groups:
        without = f"no group '{figure.group}' in {figure.analysis}{near(figure.group, groups)}"
    if figure.statistic in COUNTS:
        line = next((c for c in numbers.line(figure.analysis, *place) if c.n), Cell(""))
        count = getattr(line, figure.statistic)
        own = float(count) if count else nan
        return Printed(figure, line, own, "", without or ("" if count else "withheld or unknown"))
    cell = numbers.get(figure.analysis, figure.statistic, *place)
    own, convention = cell.value, ""
    if figure.statistic in BOTH_LIMITS:
        convention = figure.convention
        bias, sd = (
            numbers.get(figure.analysis, name, *place) for name in ("bias", "sd_of_differences")
        )
        if sd.known:
            both = limits_as_printed(convention, bias.value, sd.value, cell.n)
            own = both[BOTH_LIMITS.index(figure.statistic)]
        if (figure.analysis, figure.group) == ("limits_of_agreement", "all"):
            group = CONVENTIONS[convention]  # the results table's own line, if it has one
            line = numbers.get("limits_by_convention", figure.statistic, *place[:2], group)
            cell = line if line.known else cell
    without = without or ("" if isfinite(own) else cell.reason.removesuffix("."))
    return Printed(figure, cell, own, convention, without)


def _counts(found: list[Printed], left_out: int) -> dict[str, Any]:
    """Count figures that agree among those compared: printed ones, and apart those of other origin."""
    own = {
        origin: [one for one in found if one.figure.origin == origin and not one.without]
        for origin in ORIGINS
    }
    counts = {origin: (sum(one.agrees for one in some), len(some)) for origin, some in own.items()}
    others = [(ORIGINS[origin], *both) for origin, both in counts.items() if origin != PRINTED]
    lost = sum(bool(one.without) for one in found) + left_out
    return {
        "agree": counts[PRINTED][0],
        "compared": counts[PRINTED][1],
        "others": [one for one in others if one[2]],
        "lost": lost,
    }


def _line(one: Printed, numbers: Numbers) -> tuple[str, ...]:
    """Return one figure beside our own, with one more digit than was printed."""
    figure, digits = one.figure, one.figure.digits + 1
    own, word = plain(one.own, digits), "agrees" if one.agrees else element("strong", "differs")
    if one.without:
        own, word = NONE, f"not compared: {one.without}"
    elif figure.statistic in COUNTS:
        own = plain(one.own, 0)
    elif own == plain(one.cell.value, digits):  # the value of a line, which it names
        own = one.cell.mark(own)
    if figure.origin != PRINTED and not one.without:
        word += f", {ORIGINS[figure.origin]}"
    return (
        numbers.name(figure.method, figure.mode),
        _words(figure),
        plain(figure.value, figure.digits),
        own,
        one.convention or "as here",
        word,
    )


def _words(figure: Figure) -> str:
    """Return what a figure is called, with its analysis and group where they are not the usual."""
    counted = {"n": "athletes", "n_pairs": "pairs"}
    name = figure.statistic
    words = [counted.get(name) or statistic_of(figure.analysis, name).label]
    if figure.analysis not in _USUAL:
        words.append(figure.analysis.replace("_", " "))
    if figure.group != "all":
        words.append(figure.group.replace("_", " "))
    return ", ".join(words)
