"""Analyses that no section is written for, a table each; how every statistic is computed."""

from collections.abc import Container, Iterable
from typing import Final, NamedTuple

from agreement.cohort import Cohort
from agreement.report.page.markup import NONE, Block, fold, joined, lines, paragraph, table
from agreement.report.page.numbers import Cell, Numbers, group_name
from agreement.report.sections.together import BESIDE, says
from agreement.report.shown.told import told_of
from agreement.stats.catalogue import ANALYSES
from agreement.stats.record import Analysis, Statistic
from agreement.tables.options import Kind

GroupPlace = tuple[str, str, str]  # method, mode, group


class Formula(NamedTuple):
    """One row of the list."""

    analyses: tuple[str, ...]  # whose statistics it explains
    statistic: str
    how: str
    source: str


_SIGN: Final = Formula((), "difference d", "field minus laboratory", "sign fixed here")
_RESAMPLED: Final = Formula(
    (),
    "resampled intervals",
    "athletes drawn with replacement, corrected for bias and skewness (BCa); of fewer than 30 "
    "athletes the jackknife's Student interval",
    "Efron & Tibshirani 1993",
)


def further(cohort: Cohort, *, kind: Kind = "squad") -> Block:
    """Show a folded table of every analysis that no section is written for."""
    beside = () if kind == "audit" else BESIDE.values()  # an audit has none of their sections
    shown = [
        analysis_table(told_of(cohort).numbers, one)
        for one in ANALYSES
        if kind in one.shown_in and not one.own_section and one.name not in beside
    ]
    tables = [block for block in shown if block is not None]
    if not tables:
        return Block("")
    return fold("Further analyses", joined(tables))


def analysis_table(numbers: Numbers, analysis: Analysis, *, alone: bool = False) -> Block | None:
    """
    Return the table of one analysis and how it is computed; None without a number.

    alone: whether it stands open in a section: how it is computed is folded then, and no group is
        shown whose numbers are those of everybody.
    """
    every = {
        (method, mode, group): [
            cell
            for cell in numbers.line(analysis.name, method, mode, group)
            if cell.key.rpartition("/")[2] in analysis.names
        ]
        for method, mode in numbers.places(analysis.name)
        if not numbers.hides(method, mode)
        for group in numbers.groups(analysis.name, method, mode)
    }
    told = {
        place: found
        for place, found in every.items()
        if any(map(says, found)) and not (alone and _repeats(place, every))
    }
    if not told:
        return None
    some = {cell.key.rpartition("/")[2] for found in told.values() for cell in found if says(cell)}
    shown = [one for one in analysis.statistics if one.name in some]  # a column says something
    heads = (one.head if one.unit == "1" else f"{one.head} ({one.unit})" for one in shown)
    columns = ("method", "group", *heads, "athletes")
    rows = [_row(numbers, shown, place, found) for place, found in told.items()]
    caption = analysis.label[:1].upper() + analysis.label[1:]
    computed = (
        f"{one.statistic}: {one.how} ({one.source})"
        for one in every_formula([analysis], some)
        if one.analyses
    )
    how = paragraph(f"{'; '.join(computed)}.")
    how = fold("How this is computed", how) if alone else how
    return table(caption, columns, rows, numeric=columns[2:]) + how


def _repeats(place: GroupPlace, every: dict[GroupPlace, list[Cell]]) -> bool:
    """Return whether a group has the numbers of everybody."""
    whole, own = (
        [(cell.value, cell.n) for cell in every.get(one, [])]
        for one in ((*place[:2], "all"), place)
    )
    return place[2] != "all" and whole == own


def _row(
    numbers: Numbers, statistics: Iterable[Statistic], place: GroupPlace, found: list[Cell]
) -> tuple[str, ...]:
    """Return one line; where its numbers are of unlike many athletes, each says of how many."""
    method, mode, group = place
    of_name = {cell.key.rpartition("/")[2]: cell for cell in found}
    sizes = sorted({cell.n for cell in found if cell.known}) or [max(cell.n for cell in found)]
    why, cells = set[str](), []
    for one in statistics:
        cell = of_name.get(one.name)
        if cell is None:
            cells.append("")
        elif not (cell.known or cell.withheld) and cell.reason in why:
            cells.append(NONE)  # a line says once why it has no number
        else:
            why |= {cell.reason}
            count = f"n = {cell.n}" if len(sizes) > 1 and cell.known else ""
            cells.append(lines(cell.stacked(), count))
    people = " to ".join(str(n) for n in dict.fromkeys((sizes[0], sizes[-1])) if n)
    people = people or next((cell.missing for cell in found if cell.withheld), "")
    return (numbers.name(method, mode), group_name(group), *cells, people)


def every_formula(
    analyses: Iterable[Analysis] = ANALYSES, names: Container[str] | None = None
) -> tuple[Formula, ...]:
    """Return the formulas of analyses, or of some statistics; one row for those that share one."""
    alike: dict[tuple[str, str], list[tuple[Analysis, str]]] = {}
    for analysis in analyses:
        for one in analysis.statistics:
            if names is not None and one.name not in names:
                continue
            alike.setdefault((one.formula, one.source), []).append((analysis, one.label))
    rows = (Formula(*_names(found), *key) for key, found in alike.items())
    return (_SIGN, *rows, _RESAMPLED)


def _names(found: list[tuple[Analysis, str]]) -> tuple[tuple[str, ...], str]:
    """Return names of analyses, and of one or two statistics, or what more of them are part of."""
    labels = dict.fromkeys(label for _, label in found)
    if len(labels) > 2:
        labels = dict.fromkeys(analysis.label for analysis, _ in found)
    return tuple(dict.fromkeys(analysis.name for analysis, _ in found)), "; ".join(labels)
