"""Analyses that no section is written for, a table each; how every statistic is computed."""

from collections.abc import Callable, Container, Iterable
from typing import Final, NamedTuple

from agreement.cohort import Cohort
from agreement.report.page.markup import NONE, Block, fold, lines, table
from agreement.report.page.numbers import ASSUMED, DECLARED, Cell, Numbers, group_name
from agreement.report.sections.together import BESIDE, says
from agreement.report.shown.told import told_of
from agreement.stats.catalogue import ANALYSES, BY_NAME
from agreement.stats.laboratory_results import LABORATORY
from agreement.stats.record import Analysis, Statistic
from agreement.tables.options import Kind

COMPUTED: Final = "How this is computed"
FORMULA_HEADS: Final = ("statistic", "how it is computed", "source")
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
        one
        for one in ANALYSES
        if kind in one.shown_in and not one.own_section and one.name not in beside
    ]
    tables = analysis_tables(told_of(cohort).numbers, shown)
    return fold("Further analyses", *tables) if tables else Block("")


def analysis_tables(
    numbers: Numbers, analyses: Iterable[Analysis], *, alone: bool = False
) -> list[Block]:
    """
    Return a table of each analysis with a number, and below them how they are computed, folded.

    alone: whether they stand open in a section: then no group is shown whose numbers are those of
        everybody.
    """
    told = {one.name: (one, _lines(numbers, one, alone=alone)) for one in analyses}
    told = {name: (one, found) for name, (one, found) in told.items() if found}
    tables = [_table(numbers, *each) for each in told.values()]
    formulas = [
        row[1:]
        for one, found in told.values()
        for row in every_formula([one], {(one.name, name) for name in _names_of(found)})
        if row.analyses
    ]
    how = fold(COMPUTED, table(COMPUTED, FORMULA_HEADS, dict.fromkeys(formulas)))
    return [*tables, how] if tables else []


def tables_of(numbers: Numbers, *analyses: str) -> list[Block]:
    """Return a table of each analysis with a number, for a section that says more of them."""
    return analysis_tables(numbers, [BY_NAME[name] for name in analyses])[:-1]


def _lines(numbers: Numbers, analysis: Analysis, *, alone: bool) -> dict[GroupPlace, list[Cell]]:
    """Return the numbers of each line that says something."""
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
    return {
        place: found
        for place, found in every.items()
        if any(map(says, found)) and not (alone and _repeats(place, every))
    }


def _names_of(told: dict[GroupPlace, list[Cell]]) -> set[str]:
    """Return the statistics of which a line has a number."""
    return {cell.key.rpartition("/")[2] for found in told.values() for cell in found if cell.known}


def _table(numbers: Numbers, analysis: Analysis, told: dict[GroupPlace, list[Cell]]) -> Block:
    some = _names_of(told)
    shown = [one for one in analysis.statistics if one.name in some]
    grouped = any(group != "all" for _, _, group in told)
    units = {one.unit for one in shown if one.unit != "1"}
    one_unit = units.pop() if len(units) == 1 and all(one.unit != "1" for one in shown) else ""
    caption = analysis.label[:1].upper() + analysis.label[1:]
    heads = [
        one.head if one.unit in ("1", one_unit) else f"{one.head} ({_written(one.unit)})"
        for one in shown
    ]
    columns = ("method", *(["group"] if grouped else []), *heads, "athletes")
    modes = {mode for _, mode, *_ in (*told, *numbers.places("limits_of_agreement"))}
    called = numbers.name.with_mode if len(modes) > 1 else numbers.name
    rows = [_row(called, shown, place, found, grouped=grouped) for place, found in told.items()]
    caption += f" ({_written(one_unit)})" if one_unit else ""
    bounded = any(cell.interval() for found in told.values() for cell in found)
    caption += ", 95 % intervals below" if bounded else ""
    field = [found for place, found in told.items() if place[0] != LABORATORY]
    caption += DECLARED if any(cell.assumed for found in field for cell in found) else ""
    return table(caption, columns, rows, numeric=[*heads, "athletes"])


def _written(unit: str) -> str:
    """Return a unit as people write it."""
    return unit.replace("^2", "\N{SUPERSCRIPT TWO}")


def _repeats(place: GroupPlace, every: dict[GroupPlace, list[Cell]]) -> bool:
    """Return whether a group has the numbers of everybody."""
    whole, own = (
        [(cell.value, cell.n) for cell in every.get(one, [])]
        for one in ((*place[:2], "all"), place)
    )
    return place[2] != "all" and whole == own


def _row(
    called: Callable[[str, str], str],
    statistics: Iterable[Statistic],
    place: GroupPlace,
    found: list[Cell],
    *,
    grouped: bool,
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
    told = ASSUMED if method == LABORATORY and any(cell.assumed for cell in found) else ""
    first = [called(method, mode) + told, *([group_name(group)] if grouped else [])]
    return (*first, *cells, people)


def every_formula(
    analyses: Iterable[Analysis] = ANALYSES, some: Container[tuple[str, str]] | None = None
) -> tuple[Formula, ...]:
    """
    Return the formulas of analyses; one row for statistics that share one.

    some: analysis and statistic of those that are wanted.
    """
    alike: dict[tuple[str, str], list[tuple[Analysis, str]]] = {}
    for analysis in analyses:
        for one in analysis.statistics:
            if some is not None and (analysis.name, one.name) not in some:
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
